"""Does a mesh belong to a plan's bones? Told before anything is bound, in one sentence.

Winding number of a mesh round a point: the solid angles of its triangles (Van Oosterom and Strackee, "The Solid Angle of a Plane
Triangle", 1983), summed and shared by the whole sphere's; 1 inside a closed mesh, 0 outside, between them near an opening.
"""

from __future__ import annotations

import numpy as np

from .errors import MeshError
from .face_geometry import face_area_vectors
from .polymesh import FACE_LIMB, VERTEX_LIMB, FloatArray, PolyMesh
from .skeleton import Bone, Skeleton
from .vertex_limbs import added_vertices, possible_limbs

INSIDE = 0.25
"""Least winding number of the middle of a bone inside: half a cage, open from end to end, still has a half."""
ASIDE = 0.25
"""A bone's middle outside counts from this share of its length off the nearest vertex: a bowed limb's straight bone may leave it a
little."""
MOST_NAMED = 3


def check_rig_fit(mesh: PolyMesh, skeleton: Skeleton) -> None:
    """Check that a mesh can be bound to a skeleton.

    Raises MeshError with one sentence where vertices have no place, faces no area, limbs no faces, or bones lie outside.
    """
    check_places(mesh)
    _check_limbs(mesh, skeleton)
    _check_bones(mesh, skeleton)


def check_places(mesh: PolyMesh) -> None:
    """Check that a mesh lies somewhere and has an extent.

    Raises MeshError where vertices have no place or faces no area.
    """
    broken = int(np.count_nonzero(~np.isfinite(mesh.positions).all(axis=1)))
    if broken:
        raise MeshError(f"Vertices of the cage whose coordinates are no numbers: {broken}; delete them, or build the cage anew.")
    if not np.any(face_area_vectors(mesh)):
        raise MeshError("The faces of the cage have no area; look at the object's scale, which must not be 0.")


def _check_limbs(mesh: PolyMesh, skeleton: Skeleton) -> None:
    limbs = mesh.attributes.get(VERTEX_LIMB)
    if limbs is None:
        return
    possible_limbs(mesh, skeleton)  # refuses limbs that the skeleton does not have
    present = np.unique(np.concatenate([limbs, mesh.attributes.get(FACE_LIMB, limbs)]).astype(np.int32))
    missing = list(dict.fromkeys(bone.limb for bone in skeleton.bones if bone.number not in present))
    if missing:
        raise MeshError(f"The cage has no face of {_listed(missing)}, which the plan has; build the cage anew, or take the limb out of "
                        "the plan.")


def _check_bones(mesh: PolyMesh, skeleton: Skeleton) -> None:
    own = mesh.positions[~added_vertices(mesh, skeleton)]
    middles = np.array([0.5 * (bone.head + bone.tail) for bone in skeleton.bones])
    outside = np.flatnonzero(np.abs(winding_numbers(mesh, middles)) < INSIDE)
    for index in outside.tolist():
        bone = skeleton.bones[index]
        distance = float(np.linalg.norm(own - middles[index], axis=1).min())
        if distance > ASIDE * bone.length:
            raise MeshError(f"{_joints_of(bone)} lie outside the cage, {distance:.3g} from it; move them inside, or build the cage anew "
                            "from this plan.")


def _joints_of(bone: Bone) -> str:
    return f'Joints {bone.place + 1} and {bone.place + 2} of "{bone.limb}"'


def winding_numbers(mesh: PolyMesh, points: FloatArray) -> FloatArray:
    """How many times a mesh winds round each of (n, 3) points, (n,) float64; 1 inside a closed mesh that looks outward."""
    triangles = mesh.positions[mesh.triangles()]
    return np.array([_winding(triangles - point) for point in points])


def _winding(corners: FloatArray) -> float:
    """Winding number of triangles, (t, 3, 3) float64 from the point."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
    triple = np.einsum("ij,ij->i", a, np.cross(b, c))
    below = la * lb * lc + np.einsum("ij,ij->i", a, b) * lc + np.einsum("ij,ij->i", b, c) * la + np.einsum("ij,ij->i", c, a) * lb
    return float(np.arctan2(triple, below).sum() / (2.0 * np.pi))


def _listed(names: list[str]) -> str:
    shown = ", ".join(f'"{name}"' for name in names[:MOST_NAMED])
    return shown if len(names) <= MOST_NAMED else f"{shown} and {len(names) - MOST_NAMED} more limbs"
