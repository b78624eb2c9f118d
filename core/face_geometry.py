"""Areas, middles and normals of a mesh's faces, whatever their number of corners."""

from __future__ import annotations

import numpy as np

from .frames import unit
from .polymesh import FloatArray, IntArray, PolyMesh


def face_area_vectors(mesh: PolyMesh) -> FloatArray:
    """Area vector of every face (Newell's method): its normal with the area as length, (F, 3) float64."""
    start = mesh.positions[mesh.corner_verts]
    origin = np.repeat(start[_first_corners(mesh)], mesh.face_sizes, axis=0) if len(start) else start
    arm = start - origin
    arm_next = np.concatenate([arm[1:], arm[:1]])
    last = mesh.face_offsets[1:][mesh.face_sizes > 0] - 1
    arm_next[last] = 0.0
    return 0.5 * _sums_by_face(mesh, np.cross(arm, arm_next))


def face_centres(mesh: PolyMesh) -> FloatArray:
    """Mean of every face's corners, (F, 3) float64; zero for a face without corners."""
    return _sums_by_face(mesh, mesh.positions[mesh.corner_verts]) / np.maximum(mesh.face_sizes, 1)[:, None]


def vertex_normals(mesh: PolyMesh) -> FloatArray:
    """Unit normals of the vertices, the mean of their faces' by area, (V, 3) float64; zero for a vertex without a face."""
    areas = np.repeat(face_area_vectors(mesh), mesh.face_sizes, axis=0)
    sums: FloatArray = np.column_stack([np.bincount(mesh.corner_verts, areas[:, axis], mesh.vertex_count) for axis in range(3)])
    return unit(sums)


def _first_corners(mesh: PolyMesh) -> IntArray:
    return np.minimum(mesh.face_offsets[:-1], max(len(mesh.corner_verts) - 1, 0))


def _sums_by_face(mesh: PolyMesh, values: FloatArray) -> FloatArray:
    """Sum of corner values (C, 3) over every face, (F, 3)."""
    faces = np.repeat(np.arange(mesh.face_count), mesh.face_sizes)
    return np.column_stack([np.bincount(faces, weights=values[:, axis], minlength=mesh.face_count) for axis in range(3)])
