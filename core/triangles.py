"""Triangles of a target: polygons split into them, the way to the nearest point of one, its normal."""

from __future__ import annotations

import numpy as np

from .polymesh import FloatArray, IntArray
from .rows import crosses, dots, rows_of, unit_rows

SLIVER = 1e-10
"""A triangle whose squared sine is under this is looked at as its three edges: its inside cannot be told from them."""
_BATCH = 1 << 15


def split_quads(positions: FloatArray, quads: IntArray) -> IntArray:
    """Every quad as two triangles that look the same way, (2 F, 3) int32, in the quads' order.

    positions : (V, 3) float64
    quads : (F, 4) int32
    A quad is split from its first to its third corner, or where it is folded along that line from its second to its fourth.
    """
    triangles = np.empty((len(quads), 2, 3), dtype=np.int32)
    triangles[:, 0], triangles[:, 1] = quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]
    for start in range(0, len(quads), _BATCH):
        part = quads[start : start + _BATCH]
        first, second, third, fourth = (rows_of(positions[part[:, corner]]) for corner in range(4))
        line = third - first
        folded = dots(crosses(second - first, line), crosses(line, fourth - first)) < 0.0
        turned = start + np.flatnonzero(folded)
        triangles[turned, 0], triangles[turned, 1] = quads[turned][:, [0, 1, 3]], quads[turned][:, [1, 2, 3]]
    return triangles.reshape(-1, 3)


def ways_to_triangles(points: FloatArray, corners: FloatArray) -> FloatArray:
    """The way from each point to the nearest point in a triangle of its own, in rows, (3, n) float64.

    points : (n, 3) float64
    corners : (n, 3, 3) float64, corners of every point's triangle
    Source: the regions of a triangle, Ericson, "Real-Time Collision Detection", 2004, section 5.1.5 (from memory).
    """
    third, second, first = (corners[:, corner].T for corner in (2, 1, 0))
    one, two, way = np.empty((3, 3, len(points)))
    np.subtract(second, first, out=one)
    np.subtract(third, first, out=two)
    np.subtract(first, points.T, out=way)
    across = np.stack([dots(one, one), dots(one, two), dots(two, two)])
    along_first, along_second = -dots(way, one), -dots(way, two)
    share_one, share_two = across[2] * along_first - across[1] * along_second, across[0] * along_second - across[1] * along_first
    both = across[0] * across[2]
    area = both - across[1] * across[1]
    within = (np.minimum(share_one, share_two) >= 0.0) & (share_one + share_two <= area) & (area > SLIVER * both)
    beside = np.flatnonzero(~within)
    area[beside] = 1.0
    share_one /= area
    share_two /= area
    if len(beside):
        share_one[beside], share_two[beside] = _on_edges(across[:, beside], along_first[beside], along_second[beside])
    one *= share_one
    two *= share_two
    way += one
    way += two
    return np.asarray(way)


def _on_edges(across: FloatArray, along_first: FloatArray, along_second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shares of a triangle's two sides at the nearest point of its outline, (n,) and (n,) float64.

    across : (3, n) float64, scalar products of the sides: first with itself, first with second, second with itself
    along_first, along_second : (n,) float64, scalar products of the way from the corner with the sides
    """
    slanted = across[0] - 2.0 * across[1] + across[2]
    zero = np.zeros(across.shape[1])
    shares = [_clipped(along_first, across[0]), _clipped(along_second, across[2]),
              _clipped(along_second - along_first + across[0] - across[1], slanted)]
    firsts, seconds = np.stack([shares[0], zero, 1.0 - shares[2]]), np.stack([zero, shares[1], shares[2]])
    # squared distance, but for the part that all three have in common
    squared = (firsts * (firsts * across[0] - 2.0 * along_first) + seconds * (seconds * across[2] - 2.0 * along_second)
               + 2.0 * firsts * seconds * across[1])
    best, every = np.argmin(squared, axis=0), np.arange(across.shape[1])
    return firsts[best, every], seconds[best, every]


def _clipped(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.clip(part / np.where(whole > 0.0, whole, 1.0), 0.0, 1.0)


def triangle_normals(corners: FloatArray) -> FloatArray:
    """Unit normals of (n, 3, 3) triangles, (n, 3) float64; zero for one without area."""
    origin = rows_of(corners[:, 0])
    return unit_rows(crosses(rows_of(corners[:, 1]) - origin, rows_of(corners[:, 2]) - origin)).T
