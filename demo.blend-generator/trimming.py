"""Dense triangle meshes: normals, smoothing and the flat cut."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.int32]

SNAP = 0.12
"""A vertex nearer to the cut than this share of the mean edge is moved onto it, so that no sliver is cut off."""


def vertex_normals(positions: FloatArray, triangles: IndexArray) -> FloatArray:
    """Unit normals, weighted by the areas of the triangles round a vertex, (V, 3) float64."""
    corners = positions[triangles]
    face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = _sum_at(triangles.ravel(), np.repeat(face, 3, axis=0), len(positions))
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30))


def edges_of(triangles: IndexArray) -> IndexArray:
    """Every edge once, lower vertex first, (E, 2) int32."""
    pairs = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1).astype(np.int64)
    span = int(triangles.max()) + 1
    codes = np.unique(pairs[:, 0] * span + pairs[:, 1])
    return np.asarray(np.stack([codes // span, codes % span], axis=1), dtype=np.int32)


def smooth(positions: FloatArray, triangles: IndexArray, rounds: int) -> FloatArray:
    """Even out a mesh without shrinking it: steps inwards and outwards in turn (Taubin 1995), (V, 3) float64."""
    edges = edges_of(triangles)
    both = np.concatenate([edges, edges[:, ::-1]])
    degree = np.bincount(both[:, 0], minlength=len(positions))[:, None]
    for _ in range(rounds):
        for weight in (0.5, -0.53):
            mean = _sum_at(both[:, 0], positions[both[:, 1]], len(positions)) / degree
            positions = positions + weight * (mean - positions)
    return positions


def cut_flat(positions: FloatArray, triangles: IndexArray, point: FloatArray, normal: FloatArray) -> tuple[FloatArray, IndexArray]:
    """Keep what lies on the normal's side of a plane; the cut edge lies on the plane and stays open.

    positions, triangles : (V, 3) float64 and (T, 3) int32
    point, normal : (3,) float64, a point of the plane and its unit normal
    Returns positions and triangles in the same form, without unused vertices.
    """
    height = (positions - point) @ normal
    edge = np.linalg.norm(positions[triangles[:, 0]] - positions[triangles[:, 1]], axis=1).mean()
    on_plane = np.abs(height) < SNAP * edge
    positions = positions - np.where(on_plane, height, 0.0)[:, None] * normal
    height = np.where(on_plane, 0.0, height)
    above = height[triangles] > 0
    below = height[triangles] < 0
    kept = triangles[~below.any(axis=1) & above.any(axis=1)]
    crossing = triangles[below.any(axis=1) & above.any(axis=1)]
    positions, pieces = _split_crossing(positions, height, crossing)
    return _without_unused(positions, np.concatenate([kept, pieces]))


def _split_crossing(positions: FloatArray, height: FloatArray, crossing: IndexArray) -> tuple[FloatArray, IndexArray]:
    """The parts above the plane of triangles that cross it, with shared new vertices on the plane."""
    new_vertices: dict[tuple[int, int], int] = {}
    added: list[FloatArray] = []
    pieces: list[list[int]] = []

    def on_cut(start: int, end: int) -> int:
        key = (min(start, end), max(start, end))
        if key not in new_vertices:
            fraction = height[start] / (height[start] - height[end])
            new_vertices[key] = len(positions) + len(added)
            added.append(positions[start] + fraction * (positions[end] - positions[start]))
        return new_vertices[key]

    for triangle in crossing.tolist():
        outline: list[int] = []
        for start, end in zip(triangle, triangle[1:] + triangle[:1], strict=True):
            if height[start] >= 0:
                outline.append(start)
            if height[start] * height[end] < 0:
                outline.append(on_cut(start, end))
        pieces.extend([outline[0], outline[k], outline[k + 1]] for k in range(1, len(outline) - 1))
    extended = np.concatenate([positions, np.array(added).reshape(-1, 3)])
    return extended, np.array(pieces, dtype=np.int32).reshape(-1, 3)


def _without_unused(positions: FloatArray, triangles: IndexArray) -> tuple[FloatArray, IndexArray]:
    used, index = np.unique(triangles, return_inverse=True)
    return positions[used], index.reshape(-1, 3).astype(np.int32)


def _sum_at(indices: npt.NDArray[np.integer[Any]], rows: FloatArray, count: int) -> FloatArray:
    return np.stack([np.bincount(indices, weights=rows[:, axis], minlength=count) for axis in range(rows.shape[1])], axis=1)
