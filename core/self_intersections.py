"""Where a mesh passes through itself: pairs of faces, found by a grid and an exact test of their triangles.

Faces that only touch, as at an edge or a corner that they share or at a seam that is not welded, do not count;
faces that lie in one plane count where they overlap. Polygons are split as ``PolyMesh.triangles`` splits them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh

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
    sound = np.isfinite(mesh.positions[triangles]).all(axis=(1, 2))
    triangles, face_of = triangles[sound], face_of[sound]
    corners = mesh.positions[triangles]
    found = [np.zeros((0, 2), dtype=np.int64)]
    for first, second in _close_pairs(corners):
        apart = face_of[first] != face_of[second]
        first, second = first[apart], second[apart]
        cross = triangles_cross(corners[first], corners[second])
        found.append(np.column_stack([face_of[first[cross]], face_of[second[cross]]]))
    pairs = np.sort(np.concatenate(found), axis=1)
    return np.unique(pairs, axis=0).astype(np.int32)


def triangles_cross(first: FloatArray, second: FloatArray) -> BoolArray:
    """Whether pairs of triangles pass through each other, (n,) bool.

    first, second : (n, 3, 3) float64
    Two triangles in different planes cross where an edge of one pierces the other (the signs of five volumes
    decide); in one plane they cross where no line along an edge parts them.
    """
    size = np.maximum(np.ptp(np.concatenate([first, second], axis=1), axis=1).max(axis=1), 1e-300)
    origin = first[:, :1].copy()
    first, second = (first - origin) / size[:, None, None], (second - origin) / size[:, None, None]
    above_first, above_second = _heights(first, second), _heights(second, first)
    crosses = _pierced(first, second, above_first) | _pierced(second, first, above_second)
    flat = np.flatnonzero((above_first == 0).all(axis=1) & (above_second == 0).all(axis=1))
    crosses[flat] = _overlap_in_plane(first[flat], second[flat])
    return np.asarray(crosses, dtype=np.bool_)


def _heights(plane: FloatArray, other: FloatArray) -> FloatArray:
    """Six volumes of the other triangle's corners over a plane, (n, 3) float64; zero where next to nothing."""
    normal = np.cross(plane[:, 1] - plane[:, 0], plane[:, 2] - plane[:, 0])
    heights = np.einsum("nki,ni->nk", other - plane[:, :1], normal)
    return np.where(np.abs(heights) <= FLAT, 0.0, heights)


def _pierced(triangle: FloatArray, other: FloatArray, heights: FloatArray) -> BoolArray:
    """Whether an edge of the other triangle runs through this one, (n,) bool."""
    pierced = np.zeros(len(triangle), dtype=np.bool_)
    for start, stop in _EDGES:
        rows = np.flatnonzero(heights[:, start] * heights[:, stop] < 0.0)
        if not len(rows):
            continue
        from_point, along = other[rows, start], other[rows, stop] - other[rows, start]
        arms = triangle[rows] - from_point[:, None]
        volumes = np.stack([np.einsum("ni,ni->n", along, np.cross(arms[:, i], arms[:, j])) for i, j in _EDGES])
        volumes = np.where(np.abs(volumes) <= FLAT, 0.0, volumes)
        pierced[rows] |= (volumes >= 0).all(axis=0) | (volumes <= 0).all(axis=0)
    return pierced


def _overlap_in_plane(first: FloatArray, second: FloatArray) -> BoolArray:
    """Whether triangles in one plane share more than a line, (n,) bool; a triangle without area shares nothing."""
    normal = np.cross(first[:, 1] - first[:, 0], first[:, 2] - first[:, 0])
    other_normal = np.cross(second[:, 1] - second[:, 0], second[:, 2] - second[:, 0])
    overlap = (np.abs(normal).max(axis=1, initial=0.0) > FLAT) & (np.abs(other_normal).max(axis=1, initial=0.0) > FLAT)
    for triangle in (first, second):
        for start, stop in _EDGES:
            way = np.cross(normal, triangle[:, stop] - triangle[:, start])
            mine, others = np.einsum("nki,ni->nk", first, way), np.einsum("nki,ni->nk", second, way)
            margin = FLAT * np.maximum(np.abs(way).max(axis=1, initial=0.0), 1e-300)
            overlap &= (mine.max(axis=1) > others.min(axis=1) + margin) & (others.max(axis=1) > mine.min(axis=1) + margin)
    return np.asarray(overlap, dtype=np.bool_)


def _close_pairs(corners: FloatArray) -> Iterator[tuple[Indices, Indices]]:
    """Pairs of triangles whose boxes meet, each pair once, in parts of bounded size.

    A pair is told in the one grid cell that holds the low corner of what its boxes share.
    """
    if len(corners) < 2:
        return
    low, high = corners.min(axis=1), corners.max(axis=1)
    cell_low, cell_high = _cells(low, high)
    spread = cell_high - cell_low + 1
    counts = spread.prod(axis=1)
    owner = np.repeat(np.arange(len(corners)), counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    wide, deep = spread[owner, 1] * spread[owner, 2], spread[owner, 2]
    steps = np.column_stack([place // wide, place % wide // deep, place % deep])
    extent = cell_high.max(axis=0) + 1
    keys = np.ravel_multi_index(tuple((cell_low[owner] + steps).T), tuple(int(number) for number in extent))
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
        meet = ((low[first] <= high[second]) & (low[second] <= high[first])).all(axis=1)
        first, second, key = first[meet], second[meet], keys[here[meet]]
        told = np.maximum(cell_low[first], cell_low[second])
        once = np.ravel_multi_index(tuple(told.T), tuple(int(number) for number in extent)) == key
        yield first[once], second[once]
        start = stop


def _cells(low: FloatArray, high: FloatArray) -> tuple[Indices, Indices]:
    """Lowest and highest grid cell of every box, (n, 3) int64; cells as large as most boxes, or larger where some are huge."""
    bottom, reach = low.min(axis=0), (high - low).max(axis=1)
    whole = float(np.ptp(np.concatenate([low, high]), axis=0).max())
    size = max(float(np.median(reach)), 1e-5 * whole, 1e-300)
    while True:
        cell_low = np.floor((low - bottom) / size).astype(np.int64)
        cell_high = np.floor((high - bottom) / size).astype(np.int64)
        if (cell_high - cell_low + 1).prod(axis=1).sum() <= CELLS_A_TRIANGLE * len(low):
            return cell_low, cell_high
        size *= 1.5
