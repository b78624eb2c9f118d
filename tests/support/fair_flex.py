"""A cage and a hand-made mesh of the same limb bent alike: one field of skin weights on the skin itself, sampled by both.

The field is computed once, on the target's skin, by the method that the package binds with; every vertex of either
mesh reads it where it lies on that skin. So neither mesh's density nor its borders colour its weights.
Volume is counted for each mesh against its own volume in one region of space: where the skin nearest by bends.

    PYTHONPATH=tests python -m support.fair_flex      prints every joint of the arm and the leg
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import igl
import numpy as np
from scipy.spatial import cKDTree

from ringwright.core.face_geometry import vertex_normals
from ringwright.core.flex import Flex, flex_test, skinned
from ringwright.core.plan import read_plan
from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh
from ringwright.core.skeleton import Skeleton, skeleton_of
from ringwright.core.skin_weights import JointBlend, ancestry, bind, joint_blends, nearest_bones, strongest
from support.real_cases import RealCase, built_case, real_case
from support.subdivision import catmull_clark

CASES = ("arm_right", "leg_right")
FIELD_ROUNDS = 2  # sixteen quads for every quad of the hand-made mesh: rows far finer than any blend
RIGID = 0.005  # skin that moves by less than this share, or but for this share, is outside the region
GRID = 40  # points along the mean edge of the region's box
ALIKE = 0.2  # least cosine between a vertex's normal and the skin that it reads its weights from


@dataclass(frozen=True)
class JointPair:
    """One joint of both meshes: least volume kept over its motions and smallest scaled Jacobian, the cage's first.

    fine_volume : what the skin itself keeps, finely sampled: the limit of linear blending
    """

    name: str
    role: str
    volume: float
    hand_volume: float
    fine_volume: float
    jacobian: float
    hand_jacobian: float
    flipped: int
    hand_flipped: int


@dataclass(frozen=True)
class Pair:
    """A cage and the hand-made mesh that it is held against, bent."""

    cage: Flex
    hand: Flex
    joints: tuple[JointPair, ...]


@lru_cache(maxsize=len(CASES))
def pair(name: str) -> Pair:
    """Both meshes of a case, bent; the cage as the planner makes it of the hand-made mesh's quads."""
    case = real_case(name)
    quads = case.comparable().face_count
    return bent_pair(case, built_case(name, quads).mesh, skeleton_of(read_plan(case.plan(quads))))


def bent_pair(case: RealCase, cage: PolyMesh, skeleton: Skeleton) -> Pair:
    """A cage of a case and its hand-made mesh bent alike."""
    hand = case.comparable()
    hand = hand.with_attributes(vertex__limb=limbs_like(cage, hand))
    skin = catmull_clark(case.professional, FIELD_ROUNDS)
    skin = skin.with_attributes(vertex__limb=limbs_like(cage, skin))
    blends = joint_blends(skin, skeleton, nearest_bones(skin, skeleton))
    field = bind(skin, skeleton, blends).dense(len(skeleton.bones))
    own = cKDTree(case.professional.positions).query(hand.positions)[1]  # subdivision keeps the first vertices' numbers
    tables = (_sampled(skin, field, cage), field[own], field)
    flexes = [flex_test(skinned(mesh, skeleton, strongest(table), blends)) for mesh, table in zip((cage, hand, skin), tables, strict=True)]
    return Pair(flexes[0], flexes[1], _joint_pairs(flexes, skeleton, field, blends))


def limbs_like(cage: PolyMesh, other: PolyMesh) -> IntArray:
    """The limb of the cage's nearest vertex that looks the same way, for every vertex of another mesh on the same skin."""
    near = cKDTree(cage.positions).query(other.positions, k=8)[1]
    looks = np.einsum("vki,vi->vk", vertex_normals(cage)[near], vertex_normals(other)) > 0.3
    first = near[np.arange(len(near)), np.argmax(looks, axis=1)]
    return np.asarray(cage.attributes["vertex.limb"][first])


def _sampled(skin: PolyMesh, field: FloatArray, mesh: PolyMesh) -> FloatArray:
    """The field at the skin nearest to every vertex that looks the same way."""
    triangles = skin.triangles()
    corners = skin.positions[triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    near = cKDTree(corners.mean(axis=1)).query(mesh.positions, k=60)[1]
    alike = np.einsum("vki,vi->vk", normals[near], vertex_normals(mesh)) > ALIKE
    table = np.empty((mesh.vertex_count, field.shape[1]))
    for vertex, point in enumerate(mesh.positions):
        faces = near[vertex][alike[vertex]] if alike[vertex].any() else near[vertex]
        _, which, place = igl.point_mesh_squared_distance(point[None], skin.positions, triangles[faces].astype(np.int64))
        triangle = triangles[faces[int(np.atleast_1d(which)[0])]]
        a, b, c = (skin.positions[corner][None] for corner in triangle)
        shares = np.clip(igl.barycentric_coordinates(np.reshape(place, (1, 3)), a, b, c), 0.0, 1.0).ravel()
        table[vertex] = shares / shares.sum() @ field[triangle]
    return table


def _joint_pairs(flexes: list[Flex], skeleton: Skeleton, field: FloatArray, blends: Mapping[int, JointBlend]) -> tuple[JointPair, ...]:
    meshes = [flex.skinned.mesh for flex in flexes]
    pairs = []
    for joints in zip(*(flex.joints for flex in flexes), strict=True):
        blend = blends[joints[0].bone]
        section = np.pi * blend.radius**2 * 2 * blend.half_width
        own = _region_volumes(meshes, field[:, ancestry(skeleton.parents)[:, joints[0].bone]].sum(axis=1))
        kept = [min(1.0 - (1.0 - motion.volume_kept) * section / volume for motion in joint.motions)
                for joint, volume in zip(joints, own, strict=True)]
        worst = [min(motion.smallest_jacobian for motion in joint.motions) for joint in joints]
        flipped = [max(motion.flipped_faces for motion in joint.motions) for joint in joints]
        pairs.append(JointPair(joints[0].name, joints[0].role, *kept, worst[0], worst[1], flipped[0], flipped[1]))
    return tuple(pairs)


def _region_volumes(meshes: list[PolyMesh], moving: FloatArray) -> list[float]:
    """Volume of every mesh in the region whose nearest skin, that of the last mesh, neither stays nor moves wholly."""
    bends = (moving > RIGID) & (moving < 1.0 - RIGID)
    skin = meshes[-1].positions
    low, high = skin[bends].min(axis=0), skin[bends].max(axis=0)
    step = float(np.prod(high - low) ** (1 / 3)) / GRID
    axes = [np.arange(start + 0.5 * step, stop, step) for start, stop in zip(low - step, high + step, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    points = np.ascontiguousarray(points[bends[cKDTree(skin).query(points)[1]]])
    return [float(np.count_nonzero(np.abs(igl.fast_winding_number(mesh.positions, mesh.triangles().astype(np.int64), points)) > 0.5))
            * step**3 for mesh in meshes]


def table(name: str, bent: Pair) -> str:
    """Every joint of a pair, as lines of text."""
    cage, hand = bent.cage.skinned.mesh, bent.hand.skinned.mesh
    lines = [f"{name}: {cage.face_count} quads, by hand {hand.face_count}",
             "joint         kind           volume  by hand  limit   jacobian  by hand   turned over  by hand"]
    lines += [f"{joint.name:13s} {joint.role:14s} {joint.volume:6.3f}  {joint.hand_volume:6.3f} {joint.fine_volume:7.3f} "
              f"{joint.jacobian:9.2f} {joint.hand_jacobian:8.2f} {joint.flipped:9d} {joint.hand_flipped:9d}" for joint in bent.joints]
    return "\n".join(lines)


if __name__ == "__main__":
    for each in CASES:
        print(table(each, pair(each)))
