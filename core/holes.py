"""Tell a hole in a mesh from the border round the outside of a piece."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .adjacency import Adjacency
from .face_geometry import face_area_vectors
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .ring_splice import boundary_faces

LEAST_BORDER_COSINE = 0.5
"""A loop is a border where its own area looks within 60 degrees of the faces beside it; the open end of a tube is at 90."""


def find_holes(mesh: PolyMesh, adjacency: Adjacency, loops: Sequence[IntArray]) -> BoolArray:
    """Which boundary loops are holes, (k,) bool.

    loops : each (n,) int32, as ``boundary_loops`` tells them
    A loop runs with the faces to its left. Round the outside of a piece its area vector therefore looks the way
    the faces look, round a hole in a sheet against it, and at the open end of a tube across it.
    """
    area_vectors = face_area_vectors(mesh)
    cosines = [_facing(mesh.positions[loop], area_vectors[boundary_faces(mesh, adjacency, loop)]) for loop in loops]
    return np.array(cosines, dtype=np.float64) < LEAST_BORDER_COSINE


def _facing(points: FloatArray, beside: FloatArray) -> float:
    """Cosine between a loop's area vector and the mean area vector of the faces beside it, shortened where those disagree."""
    middle = points - points.mean(axis=0)
    own = 0.5 * np.cross(middle, np.roll(middle, -1, axis=0)).sum(axis=0)
    size = float(np.linalg.norm(own) * np.linalg.norm(beside, axis=1).sum())
    return float(own @ beside.sum(axis=0)) / size if size > 0 else 0.0
