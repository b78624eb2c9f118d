"""Skin weights by distance along the limbs: smooth over every joint, at most four influences a vertex, summing to one.

Weight starts whole at the skeleton's root and is passed on at every joint: a vertex that lies well past a
joint's plane passes all of it to the bone behind the joint, one before the plane nothing, between them
a smooth share by distance from the plane. At forks and sockets the share is also divided among the branches.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .adjacency import build_adjacency
from .bend_rows import BLEND_RADII, ROOT_DEPTH, blend_share
from .face_geometry import vertex_normals
from .frames import unit
from .mirror import AXES
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .skeleton import Bone, Skeleton, nearest_on_segment, segment_distances
from .vertex_limbs import added_vertices, possible_limbs

INFLUENCES = 4
"""Bones that one vertex may follow: what every renderer of the exchange formats takes in one set."""
FALLOFF_RADII = (1.25, 2.5)
"""A branch moves its trunk's skin wholly up to the first, and not at all beyond the second distance from its line, radii."""
RAMP_ROUNDING = 0.15
"""Share of a blend's width over which either end of it is rounded (tried on an arm and a leg: 0.25 gives smaller scaled
Jacobians at more joints)."""
BORDER_PERCENTILE = 90.0
"""Of the border between a branch's skin and other skin, nearly the farthest vertex tells where the branch is whole."""
TIED = 1e-6
"""Distances from two bones that differ by less than this share are alike."""
AGAINST_NORMAL = 4.0
"""A bone that lies outside the skin at a vertex counts as this many times farther off: it belongs to a neighbour."""


@dataclass(frozen=True)
class SkinWeights:
    """Which bones every vertex follows.

    bones : (V, 4) int32, indices of bones, the strongest first
    weights : (V, 4) float64, not negative, summing to 1; 0 where fewer than four bones act
    """

    bones: IntArray
    weights: FloatArray

    def dense(self, bone_count: int) -> FloatArray:
        """The same as a table, (V, bone_count) float64."""
        table = np.zeros((len(self.bones), bone_count))
        np.add.at(table, (np.arange(len(self.bones))[:, None], self.bones), self.weights)
        return table


@dataclass(frozen=True)
class JointBlend:
    """How weights pass over a joint.

    plane : (3,) float64 unit vector, square to the joint's plane, toward the bone behind it
    half_width : distance to each side of the plane over which weights blend, the mesh's units
    radius : of the limb at the joint
    """

    plane: FloatArray
    half_width: float
    radius: float


def bind(mesh: PolyMesh, skeleton: Skeleton, blends: Mapping[int, JointBlend] | None = None) -> SkinWeights:
    """Compute the skin weights of a mesh.

    mesh : with the attribute ``vertex.limb`` every vertex knows its limb; without it the nearest bone behind the skin tells
    blends : as ``joint_blends`` measures them on this mesh where None
    Raises MeshError where the mesh names limbs that the skeleton does not have.
    """
    nearest = nearest_bones(mesh, skeleton)
    blends = blends or joint_blends(mesh, skeleton, nearest)
    return strongest(_passed_down(_Skin.of(mesh, skeleton, nearest, blends)))


def strongest(table: FloatArray) -> SkinWeights:
    """The four strongest influences of every vertex, summing to one.

    table : (V, B) float64, not negative, no row all zero
    """
    kept = min(INFLUENCES, table.shape[1])
    bones = np.argsort(-table, axis=1, kind="stable")[:, :kept]
    weights = np.take_along_axis(table, bones, axis=1)
    weights = np.where(weights < 1e-4, 0.0, weights)  # below a sixteen-bit step nobody sees it
    weights /= weights.sum(axis=1, keepdims=True)
    missing = INFLUENCES - kept
    return SkinWeights(np.pad(bones, ((0, 0), (0, missing))).astype(np.int32), np.pad(weights, ((0, 0), (0, missing))))


def nearest_bones(mesh: PolyMesh, skeleton: Skeleton) -> IntArray:
    """The bone that lies behind the skin at every vertex, of the vertex's own limb where the mesh tells it, (V,) int32; of pieces that
    the build did not make the nearest bone."""
    normals, added = vertex_normals(mesh), added_vertices(mesh, skeleton)
    distances = np.empty((mesh.vertex_count, len(skeleton.bones)))
    for index, bone in enumerate(skeleton.bones):
        distances[:, index] = segment_distances(mesh.positions, bone.head, bone.tail)
        axis = unit(mesh.positions - nearest_on_segment(mesh.positions, bone.head, bone.tail))
        distances[:, index] *= np.where((np.einsum("ij,ij->i", axis, normals) > 0.0) | added, 1.0, AGAINST_NORMAL)
    distances[~_own_limb(mesh, skeleton)] = np.inf
    return _untied(np.argmin(distances, axis=1).astype(np.int32), distances, skeleton)


def _untied(nearest: IntArray, distances: FloatArray, skeleton: Skeleton) -> IntArray:
    """The nearest bones, but the trunk's where two branches of a fork are as near: the skin between two legs is neither's, and both
    sides of a body get weights that are images of each other."""
    untied = nearest.copy()
    for parent in {bone.parent for bone in skeleton.bones if bone.hang == "fork"}:
        row = skeleton.fork_at(parent)
        near = distances[:, row]
        least = near.min(axis=1)
        tied = np.isfinite(least) & ((near <= (1.0 + TIED) * least[:, None]).sum(axis=1) > 1)
        untied[tied & np.isin(nearest, row)] = parent
    return untied


def _own_limb(mesh: PolyMesh, skeleton: Skeleton) -> BoolArray:
    """Which bones may hold which vertices, (V, B) bool: those of the vertex's own limb, of branches that begin in it, and of its side."""
    limbs = possible_limbs(mesh, skeleton)
    numbers, trunks = np.array([bone.number for bone in skeleton.bones]), np.array(_trunk_numbers(skeleton))
    allowed = np.asarray(limbs[:, numbers] | (limbs[:, trunks] & (trunks >= 0)))
    if skeleton.plane is not None:
        axis = AXES[skeleton.plane]
        sides = np.array([bone.side for bone in skeleton.bones])
        middles = np.array([bone.head[axis] + bone.tail[axis] for bone in skeleton.bones])
        allowed &= (sides == 0) | (np.sign(mesh.positions[:, axis])[:, None] * np.sign(middles) >= 0)
    return allowed


def _trunk_numbers(skeleton: Skeleton) -> list[int]:
    """For every bone the limb in whose skin it begins, where it is the first of a branch; -1 for all others."""
    return [skeleton.bones[bone.parent].number if bone.is_branch else -1 for bone in skeleton.bones]


def joint_blends(mesh: PolyMesh, skeleton: Skeleton, nearest: IntArray) -> dict[int, JointBlend]:
    """Plane and width of the blend at every joint, by the index of the bone behind it.

    nearest : (V,) int32, as ``nearest_bones`` tells
    """
    bone_radii = _bone_radii(mesh, skeleton, nearest)
    radii = {index: _joint_radius(skeleton, index, bone_radii) for index in skeleton.joints()}
    wanted = {index: BLEND_RADII * (ROOT_DEPTH if skeleton.bones[index].is_branch else 1.0) * radius
              for index, radius in radii.items()}
    blends = {}
    for index, radius in radii.items():
        bone, parent = skeleton.bones[index], skeleton.bones[skeleton.bones[index].parent]
        plane = bone.direction if bone.hang == "socket" else unit(parent.direction + bone.direction)
        blends[index] = JointBlend(plane, wanted[index] * _room(skeleton, index, wanted), radius)
    return blends


def _joint_radius(skeleton: Skeleton, index: int, bone_radii: FloatArray) -> float:
    bone = skeleton.bones[index]
    return float(bone_radii[index] if bone.is_branch else 0.5 * (bone_radii[index] + bone_radii[bone.parent]))


def _room(skeleton: Skeleton, index: int, wanted: Mapping[int, float]) -> float:
    """Share of the wanted width that the bones on both sides of a joint have room for; a branch's trunk has room."""
    bone = skeleton.bones[index]
    beyond = sum(wanted[each] for each in wanted if skeleton.bones[each].parent == index and not skeleton.bones[each].is_branch)
    share = blend_share(bone.length, wanted[index], beyond)
    if bone.is_branch:
        return share
    return min(share, blend_share(skeleton.bones[bone.parent].length, wanted[index], wanted.get(bone.parent, 0.0)))


def _bone_radii(mesh: PolyMesh, skeleton: Skeleton, nearest: IntArray) -> FloatArray:
    """Median distance of every bone's skin from it, (B,) float64; a bone without skin takes a quarter of its length."""
    radii = np.empty(len(skeleton.bones))
    for index, bone in enumerate(skeleton.bones):
        own = mesh.positions[nearest == index]
        along = (own - bone.head) @ bone.direction
        beside = own[(along >= 0) & (along <= bone.length)]
        radii[index] = np.median(segment_distances(beside, bone.head, bone.tail)) if len(beside) else 0.25 * bone.length
    return radii


@dataclass(frozen=True)
class _Skin:
    """What the weights of all bones are computed from.

    below : (B, B) bool, whether the first bone is the second or hangs somewhere below it
    distances : (V, B) float64, from every bone's line
    owned : by branch, (V,) float64: 0 up to its first ring and on all other skin, 1 a radius past it
    """

    positions: FloatArray
    skeleton: Skeleton
    nearest: IntArray
    blends: Mapping[int, JointBlend]
    below: BoolArray
    distances: FloatArray
    owned: Mapping[int, FloatArray]

    @classmethod
    def of(cls, mesh: PolyMesh, skeleton: Skeleton, nearest: IntArray, blends: Mapping[int, JointBlend]) -> _Skin:
        below = ancestry(skeleton.parents)
        edges = build_adjacency(mesh).edge_verts
        owned = {index: _owned(mesh.positions, skeleton, below[nearest, index], edges, index, blends[index].radius)
                 for index in skeleton.joints() if skeleton.bones[index].is_branch}
        distances = np.column_stack([segment_distances(mesh.positions, bone.head, bone.tail) for bone in skeleton.bones])
        return cls(mesh.positions, skeleton, nearest, blends, below, distances, owned)


def ancestry(parents: IntArray) -> BoolArray:
    """Whether the first bone is the second one or hangs somewhere below it, (B, B) bool.

    parents : (B,) int32, every parent before its children
    """
    below = np.eye(len(parents), dtype=np.bool_)
    for index, parent in enumerate(parents):
        if parent >= 0:
            below[index] |= below[parent]
    return below


def _owned(positions: FloatArray, skeleton: Skeleton, own: BoolArray, edges: IntArray, branch: int, radius: float) -> FloatArray:
    """How far a branch's own skin is past its first ring, (V,) float64.

    own : (V,) bool, vertices that the branch's bones are nearest to; where they border on other skin the branch begins
    """
    bone = skeleton.bones[branch]
    along = (positions - bone.head) @ bone.direction
    border = edges[own[edges[:, 0]] != own[edges[:, 1]]].ravel()
    border = border[own[border]]
    start = float(np.percentile(along[border], BORDER_PERCENTILE)) if len(border) else -np.inf
    return np.where(own, smooth_step((along - start) / radius), 0.0)


def _passed_down(skin: _Skin) -> FloatArray:
    """Weight of every bone at every vertex, (V, B) float64, rows summing to one."""
    parents = skin.skeleton.parents
    carried = np.zeros((len(skin.positions), len(parents)))
    for root in np.flatnonzero(parents < 0):
        carried[:, root] = skin.below[skin.nearest, root]
    shares = {index: _share(skin, index) for index in skin.skeleton.joints()}
    for index in range(len(parents)):
        children = np.flatnonzero(parents == index)
        if len(children):
            given = np.column_stack([shares[child] for child in children])
            given /= np.maximum(given.sum(axis=1, keepdims=True), 1.0)
            carried[:, children] = carried[:, index, None] * given
            carried[:, index] *= 1.0 - given.sum(axis=1)
    return np.maximum(carried, 0.0)


def _share(skin: _Skin, index: int) -> FloatArray:
    """Share of its parent's weight that a bone takes over at every vertex, (V,) float64."""
    bone, blend, nearest, parents = skin.skeleton.bones[index], skin.blends[index], skin.nearest, skin.skeleton.parents
    passed = rounded_ramp((skin.positions - bone.head) @ blend.plane / (2 * blend.half_width) + 0.5)
    behind = skin.below[nearest, index] & (nearest != index)
    if bone.is_branch:
        return np.where(behind, 1.0, passed * _claim(skin, index))
    if not skin.skeleton.bones[bone.parent].is_branch:  # the weight of a branch's first bone has already faded on skin of others
        passed = np.where(behind | (nearest == index) | (parents[index] == nearest) | (parents[nearest] == parents[index]), passed, 0.0)
    return np.where(behind, np.maximum(passed, _wholly_behind(skin, index)), passed)


def _wholly_behind(skin: _Skin, index: int) -> FloatArray:
    """1 on skin that lies behind a joint for sure; on skin round a branch's root only as far as the branch owns it, (V,) float64."""
    share = np.ones(len(skin.positions))
    for branch, own in skin.owned.items():
        if skin.below[branch, index] and branch != index:
            share = np.where(skin.below[skin.nearest, branch], own, share)
    return share


def _claim(skin: _Skin, index: int) -> FloatArray:
    """How far the skin round a fork or a socket belongs to one branch, (V,) float64: near its root by distance from the
    branches' lines, past that its own skin wholly and other branches' skin not at all."""
    bones = skin.skeleton.bones
    near, far = FALLOFF_RADII
    claim = 1.0 - smooth_step((skin.distances[:, index] / skin.blends[index].radius - near) / (far - near))
    if bones[index].hang == "fork":
        claim = claim * _across_row(skin, index)
    for branch, own in skin.owned.items():
        if not skin.below[index, branch]:
            claim = (1.0 - own) * claim
    return np.asarray(skin.owned[index] + (1.0 - skin.owned[index]) * claim, dtype=np.float64)


def _across_row(skin: _Skin, index: int) -> FloatArray:
    """Share of one branch of a fork between its neighbours across: 1 on its own line, 0 on theirs, (V,) float64."""
    bones = skin.skeleton.bones
    row = skin.skeleton.fork_at(bones[index].parent)
    place = row.index(index)
    share = np.ones(len(skin.positions))
    own = _nearest_on_line(skin.positions, bones[index])
    for neighbour in row[max(place - 1, 0) : place] + row[place + 1 : place + 2]:
        gap = _nearest_on_line(skin.positions, bones[neighbour]) - own
        over = np.einsum("ij,ij->i", skin.positions - own, gap) / np.maximum(np.einsum("ij,ij->i", gap, gap), 1e-300)
        share *= 1.0 - smooth_step(over)
    return share


def _nearest_on_line(points: FloatArray, bone: Bone) -> FloatArray:
    """The points of a bone's endless line that lie nearest to (n, 3) points."""
    along = (points - bone.head) @ bone.direction
    return np.asarray(bone.head + along[:, None] * bone.direction, dtype=np.float64)


def rounded_ramp(values: FloatArray) -> FloatArray:
    """0 below 0, 1 above 1, between them a straight ramp whose ends are rounded by parabolas.

    Skin on the inner side of a bend is pressed together where weights rise fastest, so they rise no faster than they must.
    """
    inner = np.minimum(values, 1.0 - values)
    rounded = np.where(inner < RAMP_ROUNDING, 0.5 / RAMP_ROUNDING * np.square(np.maximum(inner, 0.0)), inner - 0.5 * RAMP_ROUNDING)
    rounded = rounded / (1.0 - RAMP_ROUNDING)
    return np.asarray(np.where(values > 0.5, 1.0 - rounded, rounded), dtype=np.float64)


def smooth_step(values: FloatArray) -> FloatArray:
    """0 below 0, 1 above 1, between them the cubic that is level at both ends."""
    clipped = np.clip(values, 0.0, 1.0)
    return np.asarray(clipped * clipped * (3.0 - 2.0 * clipped), dtype=np.float64)
