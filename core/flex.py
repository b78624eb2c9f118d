"""Does it bend? Pose a skinned cage by linear blending and measure what becomes of it at every joint.

Linear blend skinning; its faults in closed form: Kavan, Collins, Žára, O'Sullivan, "Skinning with Dual
Quaternions", 2007. A joint turns about a fixed point, so the cones from that point to all skin that stays
rigid keep their volume: what the cones lose together is what the limb loses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from .adjacency import Adjacency, build_adjacency
from .face_geometry import face_area_vectors
from .frames import unit
from .joint_motion import JOINT_RANGES, JointRange, joint_role
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .poses import Motion, Pose, Turn, blend, bone_motions, motions_of, rotation, set_poses
from .quality import scaled_jacobian
from .self_intersections import self_intersections
from .skeleton import Skeleton
from .skin_weights import JointBlend, SkinWeights, ancestry, bind, joint_blends, nearest_bones

STEP_DEGREES = 20.0
"""A motion is measured every so many degrees and at the end of its range."""
CONTACT_STEPS = 3
"""Angles at which faces are tried for contact, up to the full range."""
RIGID = 0.005
"""A face whose corners follow a turn alike within this share of its weight is rigid and of no interest."""
TOUCHING = 1e-6
"""An edge whose end lies this near to a joint's plane, in edge lengths, counts as crossing it."""
CREASE_RADII = 0.5
"""A crease reaches this many radii of the limb to each side of its joint (common practice: the middle one of three loops)."""
NEAR_RADII = 2.5
"""Skin within this many radii of a joint is tried for contact with itself."""


@dataclass(frozen=True)
class Skinned:
    """A cage bound to its bones, ready to be posed.

    blends : plane and width of every joint
    """

    mesh: PolyMesh
    skeleton: Skeleton
    weights: SkinWeights
    blends: Mapping[int, JointBlend]
    nearest: IntArray


def skinned(mesh: PolyMesh, skeleton: Skeleton, weights: SkinWeights | None = None,
            blends: Mapping[int, JointBlend] | None = None) -> Skinned:
    """Bind a mesh to a skeleton, with weights that it has already or new ones.

    blends : of another mesh of the same shape, so that both blend alike; measured on this one where None
    """
    nearest = nearest_bones(mesh, skeleton)
    blends = blends or joint_blends(mesh, skeleton, nearest)
    return Skinned(mesh, skeleton, weights or bind(mesh, skeleton, blends), blends, nearest)


@dataclass(frozen=True)
class MotionFigures:
    """What one motion of one joint does to the cage at its worst.

    motion : how the joint turned and how far
    volume_kept : of the limb between the ends of the joint's blend; 1 as at rest
    shortest_edge : smallest bent length of an edge as a share of its length at rest
    smallest_jacobian : smallest scaled Jacobian of the quads that bend
    resting_jacobian : the same before they bend
    flipped_faces : faces turned against the skin
    contact_faces : faces that other faces pass through and did not at rest
    contact_from : least tried share of the motion at which faces meet; infinite where none is
    loop_drift : how far the joint's ring leaves the plane that halves the bend, limb radii
    """

    motion: Motion
    volume_kept: float
    shortest_edge: float
    smallest_jacobian: float
    resting_jacobian: float
    flipped_faces: int
    contact_faces: int
    contact_from: float
    loop_drift: float


@dataclass(frozen=True)
class JointFlex:
    """How the cage bends at one joint.

    name : of the bone behind the joint
    role : kind of joint
    place : (3,) float64, the joint
    motions : in the order in which they were tried
    crease_poles : (k,) int32, poles on the inner side of the bend
    worst_faces : (k,) int32, the bent quads from the worst on, at the motion with the smallest scaled Jacobian
    """

    bone: int
    name: str
    role: str
    place: FloatArray
    motions: tuple[MotionFigures, ...]
    crease_poles: IntArray
    worst_faces: IntArray

    @property
    def volume_kept(self) -> float:
        """Least share of the volume that it keeps over all its motions."""
        return min(each.volume_kept for each in self.motions)

    @property
    def smallest_jacobian(self) -> float:
        """Smallest scaled Jacobian of the bent quads over all its motions."""
        return min(each.smallest_jacobian for each in self.motions)

    @property
    def flipped_faces(self) -> int:
        """Most faces that are turned against the skin in one of its motions."""
        return max(each.flipped_faces for each in self.motions)

    @property
    def flipped_share(self) -> float:
        """The same as a share of the faces that bend."""
        return self.flipped_faces / max(len(self.worst_faces), 1)

    @property
    def worst(self) -> MotionFigures:
        """The motion with flipped faces or else with the smallest scaled Jacobian."""
        return min(self.motions, key=lambda each: (-each.flipped_faces, each.smallest_jacobian))


@dataclass(frozen=True)
class PoseFigures:
    """What a set pose does to the cage."""

    name: str
    shortest_edge: float
    smallest_jacobian: float
    flipped_faces: int
    contact_faces: int


@dataclass(frozen=True)
class Flex:
    """All that the flex test found, and the ranges by kind of joint that were tried."""

    skinned: Skinned
    ranges: Mapping[str, JointRange]
    joints: tuple[JointFlex, ...]
    poses: tuple[PoseFigures, ...]


def flex_test(cage: Skinned, ranges: Mapping[str, JointRange] = JOINT_RANGES) -> Flex:
    """Bend every joint of a cage through its range, alone and in set poses.

    ranges : kind of joint to its range
    """
    study = Study.of(cage)
    alone = (_Joint.of(study, index) for index in cage.skeleton.joints())
    joints = tuple(_with_contact(study, joint, _bent_through(study, joint, ranges)) for joint in alone)
    in_contact = faces_in_contact(cage.mesh)
    poses = tuple(_pose_with_contact(study, pose_flex(study, name, pose), pose, in_contact)
                  for name, pose in set_poses(cage.skeleton, ranges).items())
    return Flex(cage, ranges, joints, poses)


def bend_joints(cage: Skinned, ranges: Mapping[str, JointRange] = JOINT_RANGES) -> Flex:
    """Bend every joint alone: what verdicts and an animation need, without faces in contact and set poses, which take most of the test."""
    study = Study.of(cage)
    return Flex(cage, ranges, tuple(joint_flex(study, index, ranges) for index in cage.skeleton.joints()), ())


def faces_in_contact(mesh: PolyMesh) -> IntArray:
    """Faces that another face passes through, (k,) int32 in order."""
    return np.unique(self_intersections(mesh))


def posed(cage: Skinned, pose: Pose) -> PolyMesh:
    """The cage in a pose, by linear blending."""
    turns, shifts = bone_motions(cage.skeleton, pose)
    return cage.mesh.with_positions(blend(cage.mesh.positions, cage.weights, turns, shifts))


@dataclass(frozen=True)
class Study:
    """A cage at rest, as all motions are measured against it.

    resting : (V, 3) float64, where linear blending puts the vertices without a turn
    """

    cage: Skinned
    adjacency: Adjacency
    table: FloatArray
    below: BoolArray
    resting: FloatArray
    normals: FloatArray
    edge_lengths: FloatArray
    poles: BoolArray

    @classmethod
    def of(cls, cage: Skinned) -> Study:
        mesh, parents = cage.mesh, cage.skeleton.parents
        adjacency = build_adjacency(mesh)
        return cls(cage, adjacency, cage.weights.dense(len(parents)), ancestry(parents), posed(cage, {}).positions, face_area_vectors(mesh),
                   _lengths(mesh.positions, adjacency.edge_verts), (adjacency.valence != 4) & ~adjacency.boundary_vertex)


@dataclass(frozen=True)
class _Region:
    """Faces that bend, and what of them no motion changes.

    faces : (k,) int32
    part : these faces alone, over all vertices
    shares : (k, B) float64, how far each follows the bones
    normals : (k, 3) float64, area vectors at rest
    edges : (e, 2) int32
    edge_lengths : (e,) float64, at rest
    """

    faces: IntArray
    part: PolyMesh
    shares: FloatArray
    normals: FloatArray
    edges: IntArray
    edge_lengths: FloatArray

    @classmethod
    def of(cls, study: Study, faces: IntArray) -> _Region:
        part = _faces_alone(study.cage.mesh, faces)
        shares = np.add.reduceat(study.table[part.corner_verts], part.face_offsets[:-1], axis=0) / part.face_sizes[:, None]
        edges = np.unique(study.adjacency.corner_edges[np.isin(study.adjacency.corner_faces, faces)])
        return cls(faces, part, shares, study.normals[faces], study.adjacency.edge_verts[edges], study.edge_lengths[edges])


@dataclass(frozen=True)
class _Joint:
    """What all motions of one joint share.

    region : faces whose corners do not all follow a turn alike
    moving : (m,) vertices that follow a turn
    weights : theirs
    touched : the faces at these vertices alone
    ring : (r,) int32, the joint's ring
    """

    index: int
    region: _Region
    moving: IntArray
    weights: SkinWeights
    touched: PolyMesh
    ring: IntArray

    @classmethod
    def of(cls, study: Study, index: int) -> _Joint:
        mesh, weights = study.cage.mesh, study.cage.weights
        follows = study.table[:, study.below[:, index]].any(axis=1)
        moving = np.flatnonzero(follows).astype(np.int32)
        touched = np.flatnonzero(np.logical_or.reduceat(follows[mesh.corner_verts], mesh.face_offsets[:-1])).astype(np.int32)
        return cls(index, _Region.of(study, _bending_faces(study, index)), moving,
                   SkinWeights(weights.bones[moving], weights.weights[moving]), _faces_alone(mesh, touched), _joint_ring(study, index))

    def bent(self, study: Study, turns: FloatArray, shifts: FloatArray) -> FloatArray:
        """Positions of all vertices while the joint alone is bent, (V, 3) float64."""
        positions = study.resting.copy()
        positions[self.moving] = blend(study.cage.mesh.positions[self.moving], self.weights, turns, shifts)
        return positions


def _lengths(positions: FloatArray, edges: IntArray) -> FloatArray:
    ends = positions[edges]
    return np.asarray(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), dtype=np.float64)


def _jacobians(positions: FloatArray, region: _Region) -> FloatArray:
    """Scaled Jacobian of a region's faces, 1 for those that are no quads, (k,) float64."""
    quads, corners = region.part.faces_of_size(4)
    values = np.ones(len(region.faces))
    values[quads] = scaled_jacobian(positions[corners])
    return values


def joint_flex(study: Study, index: int, ranges: Mapping[str, JointRange]) -> JointFlex:
    """Bend one joint through its range; faces in contact, which take longest to find, are not looked for.

    index : of the bone behind the joint
    """
    return _bent_through(study, _Joint.of(study, index), ranges)


def _bent_through(study: Study, joint: _Joint, ranges: Mapping[str, JointRange]) -> JointFlex:
    skeleton, index = study.cage.skeleton, joint.index
    bone, role = skeleton.bones[index], joint_role(skeleton, index)
    motions, worst_faces, lowest = [], joint.region.faces, np.inf
    for motion in motions_of(skeleton, index, ranges[role]):
        figures, jacobians = _motion_figures(study, joint, motion)
        motions.append(figures)
        if figures.smallest_jacobian < lowest:
            lowest, worst_faces = figures.smallest_jacobian, joint.region.faces[np.argsort(jacobians, kind="stable")]
    return JointFlex(index, bone.name, role, bone.head, tuple(motions), _crease_poles(study, index), worst_faces.astype(np.int32))


def _bending_faces(study: Study, index: int) -> IntArray:
    """Faces whose corners do not all follow a turn of the joint alike, (k,) int32."""
    mesh = study.cage.mesh
    moving = study.table[:, study.below[:, index]].sum(axis=1)
    corners = moving[mesh.corner_verts]
    low, high = np.minimum.reduceat(corners, mesh.face_offsets[:-1]), np.maximum.reduceat(corners, mesh.face_offsets[:-1])
    rigid = (high <= RIGID) | (low >= 1 - RIGID)
    return np.flatnonzero(~rigid).astype(np.int32)


def _motion_figures(study: Study, joint: _Joint, motion: Motion) -> tuple[MotionFigures, FloatArray]:
    """The worst figures over a motion but for contact, and the region's scaled Jacobians at its full angle."""
    volume, edge, jacobian, flipped, drift = 1.0, 1.0, np.inf, 0, 0.0
    jacobians = at_start = _jacobians(study.cage.mesh.positions, joint.region)
    for share in _shares(motion):
        turn = motion.part(share)
        turns, shifts = bone_motions(study.cage.skeleton, {joint.index: turn})
        bent = joint.bent(study, turns, shifts)
        jacobians = _jacobians(bent, joint.region)
        volume = min(volume, _volume_kept(study, joint, bent))
        edge = min(edge, float(_edge_shares(bent, joint.region).min(initial=1.0)))
        jacobian = min(jacobian, float(jacobians.min(initial=1.0)))
        flipped = max(flipped, _flipped(bent, turns, joint.region))
        drift = max(drift, _loop_drift(study, joint, bent, turn))
    resting = float(at_start.min(initial=1.0))
    return MotionFigures(motion, volume, edge, float(jacobian), resting, flipped, 0, np.inf, drift), jacobians


def _shares(motion: Motion) -> FloatArray:
    """Shares of a motion at which it is measured, the whole last: a joint that bends farther is measured at the same angles and more."""
    whole = max(abs(angle) for angle in motion.turn)
    return np.append(np.arange(STEP_DEGREES, whole - 1e-9, STEP_DEGREES) / max(whole, 1e-300), 1.0)


def _with_contact(study: Study, joint: _Joint, found: JointFlex) -> JointFlex:
    """The same with the faces that meet in every motion."""
    near = _faces_alone(study.cage.mesh, _near_faces(study, joint.index))
    at_rest, motions = faces_in_contact(near), []
    for figures in found.motions:
        contact, contact_from = _contact(study, joint, near, at_rest, figures.motion)
        motions.append(replace(figures, contact_faces=contact, contact_from=contact_from))
    return replace(found, motions=tuple(motions))


def _contact(study: Study, joint: _Joint, near: PolyMesh, at_rest: IntArray, motion: Motion) -> tuple[int, float]:
    """Most faces that others pass through over a motion and did not at rest, and the least tried share at which any do."""
    most, first = 0, np.inf
    for share in np.arange(1, CONTACT_STEPS + 1) / CONTACT_STEPS:
        bent = joint.bent(study, *bone_motions(study.cage.skeleton, {joint.index: motion.part(share)}))
        touching = np.setdiff1d(faces_in_contact(near.with_positions(bent)), at_rest)
        most = max(most, len(touching))
        first = min(first, share if len(touching) else np.inf)
    return most, float(first)


def _volume_kept(study: Study, joint: _Joint, bent: FloatArray) -> float:
    """1 and what the cones from the joint to the skin gain or lose, against the limb's section inside the blend."""
    head, blending = study.cage.skeleton.bones[joint.index].head, study.cage.blends[joint.index]
    section = np.pi * blending.radius**2 * 2 * blending.half_width
    return 1.0 + (_cones(joint.touched.with_positions(bent), head) - _cones(joint.touched, head)) / section


def _cones(mesh: PolyMesh, apex: FloatArray) -> float:
    """Volume of the cones from a point to all faces, seen from inside; every face as the fan round its middle."""
    start, end = mesh.positions[mesh.corner_verts] - apex, np.empty((len(mesh.corner_verts), 3))
    sizes = mesh.face_sizes
    end[:-1] = start[1:]
    end[mesh.face_offsets[1:] - 1] = start[mesh.face_offsets[:-1]]
    middles = np.add.reduceat(start, mesh.face_offsets[:-1], axis=0) / sizes[:, None]
    return float(np.einsum("ci,ci->", np.cross(start, end), np.repeat(middles, sizes, axis=0))) / 6.0


def _edge_shares(bent: FloatArray, region: _Region) -> FloatArray:
    """Bent over resting length of a region's edges, (e,) float64."""
    return _lengths(bent, region.edges) / np.maximum(region.edge_lengths, 1e-300)


def _flipped(bent: FloatArray, turns: FloatArray, region: _Region) -> int:
    """Number of a region's faces that look against the skin as their bones carry it."""
    mean = (region.shares @ turns.reshape(len(turns), 9)).reshape(-1, 3, 3)
    expected = np.einsum("fij,fj->fi", mean, region.normals)
    return int(np.count_nonzero(np.einsum("fi,fi->f", face_area_vectors(region.part.with_positions(bent)), expected) < 0.0))


def _near_faces(study: Study, index: int) -> IntArray:
    cage = study.cage
    reach = NEAR_RADII * cage.blends[index].radius
    near = np.linalg.norm(cage.mesh.positions - cage.skeleton.bones[index].head, axis=1) <= reach
    return np.flatnonzero(np.logical_and.reduceat(near[cage.mesh.corner_verts], cage.mesh.face_offsets[:-1])).astype(np.int32)


def _faces_alone(mesh: PolyMesh, faces: IntArray) -> PolyMesh:
    """Some faces over the same vertices."""
    sizes = mesh.face_sizes[faces]
    starts = np.repeat(mesh.face_offsets[faces] - np.concatenate(([0], np.cumsum(sizes)[:-1])) if len(faces) else sizes, sizes)
    corners = mesh.corner_verts[starts + np.arange(int(sizes.sum()))]
    return PolyMesh(mesh.positions, corners, np.concatenate(([0], np.cumsum(sizes))).astype(np.int32))


def _loop_drift(study: Study, joint: _Joint, bent: FloatArray, turn: Turn) -> float:
    """How far the joint's ring is carried off the plane that halves the bend, limb radii; a twist has no such plane."""
    cage, bone, blending, ring = study.cage, study.cage.skeleton.bones[joint.index], study.cage.blends[joint.index], joint.ring
    if turn[2] or not len(ring):
        return 0.0
    axis = bone.hinge if turn[0] else np.cross(bone.hinge, bone.direction)
    halved = rotation(axis, 0.5 * (turn[0] or turn[1])) @ blending.plane
    before = (cage.mesh.positions[ring] - bone.head) @ blending.plane
    after = (bent[ring] - bone.head) @ halved
    return float(np.abs(after - before).max() / blending.radius)


def _joint_ring(study: Study, index: int) -> IntArray:
    """Vertices of the limb that lie within half a row of the joint's plane, (k,) int32."""
    cage, bone, blending = study.cage, study.cage.skeleton.bones[index], study.cage.blends[index]
    offset = cage.mesh.positions - bone.head
    height = offset @ blending.plane
    beside = np.isin(cage.nearest, [index, bone.parent]) & (np.linalg.norm(offset, axis=1) < NEAR_RADII * blending.radius)
    edges = study.adjacency.edge_verts
    rise = np.abs(height[edges[:, 1]] - height[edges[:, 0]])
    lengthwise = rise > 0.5 * study.edge_lengths
    low, high = height[edges].min(axis=1), height[edges].max(axis=1)
    crossing = beside[edges].all(axis=1) & lengthwise & (low <= TOUCHING * rise) & (high >= -TOUCHING * rise)
    if not crossing.any():
        return np.flatnonzero(beside & (np.abs(height) < 0.25 * blending.radius)).astype(np.int32)
    return np.flatnonzero(beside & (np.abs(height) <= 0.5 * float(rise[crossing].mean()))).astype(np.int32)


def _crease_poles(study: Study, index: int) -> IntArray:
    """Poles near the joint's plane on the side to which it flexes, (k,) int32."""
    cage, bone, blending = study.cage, study.cage.skeleton.bones[index], study.cage.blends[index]
    offset = cage.mesh.positions - bone.head
    inner = offset @ unit(np.cross(bone.hinge, bone.direction)) > 0.25 * blending.radius
    within = np.abs(offset @ blending.plane) <= CREASE_RADII * blending.radius
    within &= np.linalg.norm(offset, axis=1) < NEAR_RADII * blending.radius
    return np.flatnonzero(study.poles & inner & within & np.isin(cage.nearest, [index, bone.parent])).astype(np.int32)


def pose_flex(study: Study, name: str, pose: Pose) -> PoseFigures:
    """What a set pose does to the cage; faces in contact are not looked for."""
    cage = study.cage
    turns, shifts = bone_motions(cage.skeleton, pose)
    bent = blend(cage.mesh.positions, cage.weights, turns, shifts)
    region = _Region.of(study, np.unique(np.concatenate([_bending_faces(study, index) for index in pose])).astype(np.int32))
    return PoseFigures(name, float(_edge_shares(bent, region).min(initial=1.0)), float(_jacobians(bent, region).min(initial=1.0)),
                       _flipped(bent, turns, region), 0)


def _pose_with_contact(study: Study, figures: PoseFigures, pose: Pose, at_rest: IntArray) -> PoseFigures:
    return replace(figures, contact_faces=len(np.setdiff1d(faces_in_contact(posed(study.cage, pose)), at_rest)))
