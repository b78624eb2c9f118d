"""Where a mesh pierces itself: edges against triangles, without those that share a vertex."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from .adjacency import build_adjacency
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh

IndexArray = npt.NDArray[np.intp]

PAIRS_AT_ONCE = 1_000_000
"""Pairs of an edge and a triangle that are compared in one step: some tens of megabytes."""
MARGIN = 1e-9
"""An edge that only touches, within this share of its length, does not pierce."""


def pierced_faces(mesh: PolyMesh) -> IntArray:
    """Faces that an edge of another face runs through, (k,) int32 in order.

    Source of the test: Möller and Trumbore, "Fast, Minimum Storage Ray/Triangle Intersection", 1997.
    """
    if not mesh.face_count:
        return np.zeros(0, dtype=np.int32)
    triangles = mesh.triangles()
    face_of = np.repeat(np.arange(mesh.face_count, dtype=np.int32), np.maximum(mesh.face_sizes - 2, 0))
    edges = build_adjacency(mesh).edge_verts
    hit = np.zeros(len(triangles), dtype=np.bool_)
    corners, ends = mesh.positions[triangles], mesh.positions[edges]
    for edge, triangle in _boxes_that_meet(ends, corners):
        apart = (triangles[triangle][:, :, None] != edges[edge][:, None, :]).all(axis=(1, 2))
        edge, triangle = edge[apart], triangle[apart]
        hit[triangle[_pierces(ends[edge], corners[triangle])]] = True
    return np.unique(face_of[hit])


def _boxes_that_meet(ends: FloatArray, corners: FloatArray) -> Iterator[tuple[IndexArray, IndexArray]]:
    """Pairs of an edge and a triangle whose boxes meet, found along the widest axis first, in parts of bounded size.

    ends : (E, 2, 3) float64
    corners : (T, 3, 3) float64
    """
    low, high = corners.min(axis=1), corners.max(axis=1)
    axis = int(np.argmax(np.ptp(low, axis=0)))
    order = np.argsort(low[:, axis], kind="stable")
    sorted_low, longest = low[order, axis], float((high - low)[:, axis].max())
    edge_low, edge_high = ends.min(axis=1), ends.max(axis=1)
    first = np.searchsorted(sorted_low, edge_low[:, axis] - longest)
    counts = np.searchsorted(sorted_low, edge_high[:, axis], side="right") - first
    total = np.concatenate(([0], np.cumsum(counts)))
    start = 0
    while start < len(ends):
        stop = max(start + 1, int(np.searchsorted(total, total[start] + PAIRS_AT_ONCE, side="right")) - 1)
        number = counts[start:stop]
        edge = np.repeat(np.arange(start, stop), number)
        step = np.arange(int(number.sum())) - np.repeat(np.cumsum(number) - number, number)
        triangle = order[np.repeat(first[start:stop], number) + step]
        near = ((edge_low[edge] <= high[triangle]) & (edge_high[edge] >= low[triangle])).all(axis=1)
        yield edge[near], triangle[near]
        start = stop


def _pierces(ends: FloatArray, corners: FloatArray) -> BoolArray:
    """Whether each segment (n, 2, 3) runs through its triangle (n, 3, 3), (n,) bool."""
    ray = ends[:, 1] - ends[:, 0]
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    across = np.cross(ray, second)
    scale = np.einsum("ij,ij->i", first, across)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = ends[:, 0] - corners[:, 0]
        u = np.einsum("ij,ij->i", offset, across) / scale
        turned = np.cross(offset, first)
        v = np.einsum("ij,ij->i", ray, turned) / scale
        t = np.einsum("ij,ij->i", second, turned) / scale
        return np.asarray((u > 0) & (v > 0) & (u + v < 1) & (t > MARGIN) & (t < 1 - MARGIN))
