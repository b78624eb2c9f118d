"""Quads for one polygon with an even number of corners: without inner vertices, as a grid, or as a grid in an inset ring.

Corners are numbered 0 to n - 1 counter-clockwise seen from outside, inner vertices from n on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .errors import MeshError
from .polymesh import FloatArray, IntArray

LARGEST_EXACT = 28
"""Corners up to which the split without inner vertices is searched whole; a larger polygon is halved first."""

INSET_SHARE = 0.35
"""How far an inset ring lies from the corners toward the middle."""

CONCAVE_COST = 50.0
FOLDED_COST = 5000.0
"""Costs of a quad with a reflex corner and of a folded one; a well-shaped quad costs about 1."""


@dataclass(frozen=True)
class PolygonFilling:
    """Quads that fill one polygon.

    quads : (q, 4) int32, corners and inner vertices, counter-clockwise seen from outside
    weights : (k, n) float64, every inner vertex as a mix of the corners; rows add up to 1
    quality : least scaled Jacobian of the quads against the polygon's own side, -1 to 1
    """

    quads: IntArray
    weights: FloatArray
    quality: float


def polygon_fillings(points: npt.ArrayLike) -> list[PolygonFilling]:
    """Ways to fill a polygon with quads, best shape first; equal shape: fewer inner vertices first.

    points : (n, 3) float, n even and at least 4; convex or not, planar or not
    Raises MeshError for an odd count.
    """
    ring = np.asarray(points, dtype=np.float64)
    if len(ring) < 4 or len(ring) % 2:
        raise MeshError(f"A polygon of {len(ring)} corners has no filling with quads alone: its count must be even and at least 4.")
    fillings = [plain_filling(ring)]
    if len(ring) >= 6:
        fillings += [grid_filling(ring), inset_filling(ring)]
    return sorted(fillings, key=lambda filling: (-round(filling.quality, 6), len(filling.weights)))


def plain_filling(points: FloatArray) -> PolygonFilling:
    """The best split into n / 2 - 1 quads without inner vertices.

    points : (n, 3) float64, n even
    Method: dynamic programming over runs of corners (as for triangulations: Klincsek 1980), with quads.
    """
    corners = np.arange(len(points))
    quads: list[tuple[int, int, int, int]] = []
    waiting = [corners]
    while waiting:
        part = waiting.pop()
        if len(part) > LARGEST_EXACT:
            waiting += _halves(points, part)
        else:
            quads += [tuple(int(part[corner]) for corner in quad) for quad in _best_split(points[part])]  # type: ignore[misc]
    result = np.array(quads, dtype=np.int32)
    return PolygonFilling(result, np.zeros((0, len(points))), _quality(points, result, area_vector(points)))


def grid_filling(points: FloatArray) -> PolygonFilling:
    """The best a by b grid over all a + b = n / 2 and all first corners.

    points : (n, 3) float64, n even and at least 6
    Method: transfinite interpolation of the four sides (Gordon and Hall 1973).
    """
    count = len(points)
    normal = area_vector(points)
    best: PolygonFilling | None = None
    for across in range(1, count // 4 + 1):
        for first in range(count // (2 if 4 * across == count else 1)):
            quads, weights = _grid(count, across, first)
            quality = _quality(np.concatenate([points, weights @ points]), quads, normal)
            if best is None or quality > best.quality + 1e-9:
                best = PolygonFilling(quads, weights, quality)
    if best is None:
        raise MeshError(f"A polygon of {count} corners is too small for a grid.")
    return best


def inset_filling(points: FloatArray) -> PolygonFilling:
    """A ring of quads along the sides and the best grid inside: all poles lie off the polygon's own corners."""
    count = len(points)
    inset = (1.0 - INSET_SHARE) * np.eye(count) + INSET_SHARE / count
    inner = grid_filling(inset @ points)
    corner = np.arange(count, dtype=np.int32)
    following = np.roll(corner, -1)
    ring = np.column_stack([corner, following, following + count, corner + count])
    weights = np.concatenate([inset, inner.weights @ inset])
    quads = np.concatenate([ring, inner.quads + count]).astype(np.int32)
    return PolygonFilling(quads, weights, _quality(np.concatenate([points, weights @ points]), quads, area_vector(points)))


def area_vector(points: FloatArray) -> FloatArray:
    """Twice the area vector of a polygon (n, 3); it looks outward."""
    local = points - points.mean(axis=0)
    return np.asarray(np.cross(local, np.roll(local, -1, axis=0)).sum(axis=0))


def quad_qualities(corners: FloatArray, outward: FloatArray) -> FloatArray:
    """Least scaled Jacobian of quads (q, 4, 3) seen from outside, (q,) float64, negative where a corner is reflex.

    outward : (3,) float, the side that is outside; a quad that looks the other way counts as folded, at most -1e-9
    Source: Knupp 2000.
    """
    edges = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(edges, axis=2, keepdims=True)
    unit = np.divide(edges, length, out=np.zeros_like(edges), where=length > 0)
    normal = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, size, out=np.zeros_like(normal), where=size > 0)
    sines = np.einsum("qij,qj->qi", np.cross(np.roll(unit, 1, axis=1), unit), normal)
    return np.where(normal @ outward > 0, sines.min(axis=1), np.minimum(-np.abs(sines).max(axis=1), -1e-9))


def _quality(points: FloatArray, quads: IntArray, outward: FloatArray) -> float:
    return float(quad_qualities(points[quads], outward).min())


def _quad_costs(corners: FloatArray, outward: FloatArray) -> FloatArray:
    """Cost of quads: near 1 for square ones, steep for flat corners, a wall before reflex and folded ones."""
    quality = quad_qualities(corners, outward)
    looks_out = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]) @ outward > 0
    edges = np.roll(corners, -1, axis=1) - corners
    turns = np.cross(np.roll(edges, 1, axis=1), edges) @ outward
    crossed = ~looks_out | (np.count_nonzero(turns < 0, axis=1) > 1)
    return np.asarray(1.0 / np.maximum(quality, 0.02) + CONCAVE_COST * (quality <= 0) + FOLDED_COST * crossed)


@lru_cache(maxsize=16)
def _runs(count: int) -> IntArray:
    """All quads (i, a, b, j) between whose corners even runs remain, sorted by the run i to j."""
    i, a, b, j = np.meshgrid(*(np.arange(count),) * 4, indexing="ij", sparse=True)
    allowed = (i < a) & (a < b) & (b < j) & ((a - i) % 2 == 1) & ((b - a) % 2 == 1) & ((j - b) % 2 == 1)
    quads = np.argwhere(allowed).astype(np.int32)
    return quads[np.lexsort((quads[:, 0], quads[:, 3] - quads[:, 0]))]


def _best_split(points: FloatArray) -> list[tuple[int, int, int, int]]:
    count = len(points)
    quads = _runs(count)
    own = _quad_costs(points[quads], area_vector(points))
    total = np.zeros((count, count))
    choice = np.full((count, count), -1, dtype=np.int64)
    span = quads[:, 3] - quads[:, 0]
    for length in range(3, count, 2):
        at = np.flatnonzero(span == length)
        i, a, b, j = quads[at].T
        cost = own[at] + total[i, a] + total[a, b] + total[b, j]
        order = np.lexsort((cost, i))
        first = np.flatnonzero(np.diff(i[order], prepend=-1))
        picked = order[first]
        total[i[picked], j[picked]] = cost[picked]
        choice[i[picked], j[picked]] = at[picked]
    chosen: list[tuple[int, int, int, int]] = []
    waiting = [(0, count - 1)]
    while waiting:
        start, end = waiting.pop()
        if end - start < 3:
            continue
        quad = quads[choice[start, end]].tolist()
        chosen.append((quad[0], quad[1], quad[2], quad[3]))
        waiting += [(quad[0], quad[1]), (quad[1], quad[2]), (quad[2], quad[3])]
    return chosen


def _halves(points: FloatArray, part: npt.NDArray[np.int64]) -> list[npt.NDArray[np.int64]]:
    """A large polygon cut along its shortest chord that leaves at least a quarter on either side."""
    count = len(part)
    first, second = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    span = second - first
    allowed = (span % 2 == 1) & (span >= count // 4) & (span <= count - count // 4)
    length = np.linalg.norm(points[part][:, None] - points[part][None], axis=2)
    cut = int(np.argmin(np.where(allowed, length, np.inf)))
    start, end = divmod(cut, count)
    return [part[start : end + 1], np.concatenate([part[end:], part[: start + 1]])]


@lru_cache(maxsize=512)
def _grid(count: int, across: int, first: int) -> tuple[IntArray, FloatArray]:
    """Quads and inner weights of a grid ``across`` by count / 2 - across whose first corner is ``first``."""
    along = count // 2 - across
    number = np.full((along + 1, across + 1), -1, dtype=np.int64)
    border = [(i, 0) for i in range(along)] + [(along, j) for j in range(across)]
    border += [(along - i, across) for i in range(along)] + [(0, across - j) for j in range(across)]
    for place, (i, j) in enumerate(border):
        number[i, j] = (first + place) % count
    inner = np.argwhere(number < 0)
    number[number < 0] = count + np.arange(len(inner))
    weights = np.zeros((len(inner), count))
    for row, (i, j) in enumerate(inner.tolist()):
        u, v = i / along, j / across
        for border_place, share in (((i, 0), 1 - v), ((i, across), v), ((0, j), 1 - u), ((along, j), u),
                                    ((0, 0), -(1 - u) * (1 - v)), ((along, 0), -u * (1 - v)), ((0, across), -(1 - u) * v),
                                    ((along, across), -u * v)):
            weights[row, number[border_place]] += share
    quads = np.stack([number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]], axis=-1).reshape(-1, 4)
    return quads.astype(np.int32), weights
