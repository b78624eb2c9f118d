"""Where a mesh passes through itself: pairs of faces, found by a grid and an exact test of their triangles.

Faces that only touch, as at an edge or a corner that they share or at a seam that is not welded, do not count;
faces that lie in one plane count where they overlap. Polygons are split as ``PolyMesh.triangles`` splits them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .rows import crosses, dots

Indices = npt.NDArray[np.int64]

FLAT = 1e-12
"""Volumes under this share of the pair's size cubed count as zero."""
PAIRS_AT_ONCE = 1 << 19
"""Pairs of triangles looked at in one go, to bound the memory."""
CELLS_A_TRIANGLE = 12
"""Most grid cells a triangle on average; cells grow until it holds."""
_EDGES = ((0, 1), (1, 2), (2, 0))


def self_intersections(mesh: PolyMesh) -> IntArray:
    """Pairs of faces that pass through each other, (k, 2) int32, lower face first, in order."""
    triangles = mesh.triangles()
    face_of = np.repeat(np.arange(mesh.face_count, dtype=np.int64), np.maximum(mesh.face_sizes.astype(np.int64) - 2, 0))
    sound = np.isfinite(mesh.positions).all(axis=1)[triangles].all(axis=1)
    triangles, face_of = triangles[sound], face_of[sound]
    corners = _rows_of_corners(mesh.positions[triangles])
    found = [np.zeros((0, 2), dtype=np.int64)]
    for first, second in _close_pairs(corners):
        apart = face_of[first] != face_of[second]
        first, second = first[apart], second[apart]
        cross = _cross(corners.take(first, axis=2), corners.take(second, axis=2))
        found.append(np.column_stack([face_of[first[cross]], face_of[second[cross]]]))
    pairs = np.sort(np.concatenate(found), axis=1)
    return np.unique(pairs, axis=0).astype(np.int32)


def triangles_cross(first: FloatArray, second: FloatArray) -> BoolArray:
    """Whether pairs of triangles pass through each other, (n,) bool.

    first, second : (n, 3, 3) float64
    Two triangles in different planes cross where an edge of one pierces the other (the signs of five volumes
    decide); in one plane they cross where no line along an edge parts them.
    """
    return _cross(_rows_of_corners(first), _rows_of_corners(second))


def _rows_of_corners(corners: FloatArray) -> FloatArray:
    """(n, 3, 3) corners of triangles as vectors in rows, (3, 3, n): axis, corner, triangle."""
    return np.ascontiguousarray(corners.transpose(2, 1, 0))


def _cross(first: FloatArray, second: FloatArray) -> BoolArray:
    """Whether pairs of triangles in rows pass through each other, (n,) bool; most are told by lying beside the other's plane."""
    low, high = np.minimum(first.min(axis=1), second.min(axis=1)), np.maximum(first.max(axis=1), second.max(axis=1))
    size, origin = np.maximum((high - low).max(axis=0), 1e-300), first[:, :1]
    first, second = (first - origin) / size, (second - origin) / size
    above_first = _heights(first, second)
    near = np.flatnonzero(~((above_first > 0.0).all(axis=0) | (above_first < 0.0).all(axis=0)))
    first, second, above_first = (rows.take(near, axis=-1) for rows in (first, second, above_first))
    above_second = _heights(second, first)
    found = _pierced(first, second, above_first) | _pierced(second, first, above_second)
    flat = np.flatnonzero(~above_first.any(axis=0) & ~above_second.any(axis=0))
    found[flat] = _overlap_in_plane(first.take(flat, axis=2), second.take(flat, axis=2))
    crossing = np.zeros(len(size), dtype=np.bool_)
    crossing[near] = found
    return crossing


def _normals(triangles: FloatArray) -> FloatArray:
    return crosses(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])


def _heights(plane: FloatArray, other: FloatArray) -> FloatArray:
    """Six volumes of the other triangle's corners over a plane, (3, n) float64; zero where next to nothing."""
    heights = dots(other - plane[:, :1], _normals(plane)[:, None])
    return np.where(np.abs(heights) <= FLAT, 0.0, heights)


def _pierced(triangle: FloatArray, other: FloatArray, heights: FloatArray) -> BoolArray:
    """Whether an edge of the other triangle runs through this one, (n,) bool."""
    pierced = np.zeros(heights.shape[1], dtype=np.bool_)
    for start, stop in _EDGES:
        rows = np.flatnonzero(heights[start] * heights[stop] < 0.0)
        if not len(rows):
            continue
        from_point = other[:, start].take(rows, axis=1)
        along = other[:, stop].take(rows, axis=1) - from_point
        arms = triangle.take(rows, axis=2) - from_point[:, None]
        volumes = np.stack([dots(along, crosses(arms[:, i], arms[:, j])) for i, j in _EDGES])
        volumes = np.where(np.abs(volumes) <= FLAT, 0.0, volumes)
        pierced[rows] |= (volumes >= 0).all(axis=0) | (volumes <= 0).all(axis=0)
    return pierced


def _overlap_in_plane(first: FloatArray, second: FloatArray) -> BoolArray:
    """Whether triangles in one plane share more than a line, (n,) bool; a triangle without area shares nothing."""
    normal = _normals(first)
    overlap = (np.abs(normal).max(axis=0) > FLAT) & (np.abs(_normals(second)).max(axis=0) > FLAT)
    for triangle in (first, second):
        for start, stop in _EDGES:
            way = crosses(normal, triangle[:, stop] - triangle[:, start])
            mine, others = dots(first, way[:, None]), dots(second, way[:, None])
            margin = FLAT * np.maximum(np.abs(way).max(axis=0), 1e-300)
            overlap &= (mine.max(axis=0) > others.min(axis=0) + margin) & (others.max(axis=0) > mine.min(axis=0) + margin)
    return np.asarray(overlap, dtype=np.bool_)


def _close_pairs(corners: FloatArray) -> Iterator[tuple[Indices, Indices]]:
    """Pairs of triangles whose boxes meet, each pair once, in parts of bounded size.

    corners : (3, 3, n) float64, in rows
    A pair is told in the one grid cell that holds the low corner of what its boxes share.
    """
    if corners.shape[2] < 2:
        return
    low, high = corners.min(axis=1), corners.max(axis=1)
    cell_low, cell_high = _cells(low, high)
    spread = cell_high - cell_low + 1
    counts = spread.prod(axis=0)
    owner = np.repeat(np.arange(len(counts)), counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    wide, deep = (spread[1] * spread[2])[owner], spread[2][owner]
    steps = np.stack([place // wide, place % wide // deep, place % deep])
    extent = tuple(int(number) for number in cell_high.max(axis=1) + 1)
    keys = np.ravel_multi_index(tuple(cell_low[:, owner] + steps), extent)
    order = np.argsort(keys, kind="stable")
    owner, keys = owner[order], keys[order]
    last = np.searchsorted(keys, keys, side="right")
    partners = last - np.arange(len(keys)) - 1
    total = np.concatenate([[0], np.cumsum(partners)])
    start = 0
    while start < len(keys):
        stop = max(start + 1, int(np.searchsorted(total, total[start] + PAIRS_AT_ONCE, side="right")) - 1)
        number = partners[start:stop]
        here = np.repeat(np.arange(start, stop), number)
        there = here + 1 + np.arange(len(here)) - np.repeat(np.cumsum(number) - number, number)
        first, second = owner[here], owner[there]
        meet = ((low[:, first] <= high[:, second]) & (low[:, second] <= high[:, first])).all(axis=0)
        first, second, key = first[meet], second[meet], keys[here[meet]]
        told = np.maximum(cell_low[:, first], cell_low[:, second])
        once = np.ravel_multi_index(tuple(told), extent) == key
        yield first[once], second[once]
        start = stop


def _cells(low: FloatArray, high: FloatArray) -> tuple[Indices, Indices]:
    """Lowest and highest grid cell of every box, (3, n) int64; cells as large as most boxes, or larger where some are huge."""
    bottom, reach = low.min(axis=1), (high - low).max(axis=0)
    whole = float((high.max(axis=1) - bottom).max())
    size = max(float(np.median(reach)), 1e-5 * whole, 1e-300)
    while True:
        cell_low = np.floor((low - bottom[:, None]) / size).astype(np.int64)
        cell_high = np.floor((high - bottom[:, None]) / size).astype(np.int64)
        if (cell_high - cell_low + 1).prod(axis=0).sum() <= CELLS_A_TRIANGLE * low.shape[1]:
            return cell_low, cell_high
        size *= 1.5
