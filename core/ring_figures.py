"""Figures of many rings at once: length, middle, area vector, limb."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .picked import picked
from .polymesh import VERTEX_LIMB, BoolArray, FloatArray, IntArray, PolyMesh

BLOCK = 1 << 16
"""Points that are measured at a time: few enough to stay in the processor's near memory."""


def chain_sum(values: FloatArray, offsets: IntArray) -> FloatArray:
    """Sum of the values of every chain; no chain may be empty.

    values : (K,) or (K, d) float
    offsets : (M + 1,) int
    Returns (M,) or (M, d) float64.
    """
    if len(offsets) == 1:
        return np.zeros((0, *values.shape[1:]))
    return np.asarray(np.add.reduceat(values, offsets[:-1], axis=0))


def measure_polygons(positions: FloatArray, vertices: IntArray, offsets: IntArray,
                     closed: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Length (M,), mean point (M, 3) and twice the area vector (M, 3) of many polygons.

    positions : (V, 3) float64
    vertices : (K,) int, points of the polygons one after the other; or (2, K), of whose two positions each is the middle
    offsets : (M + 1,) int, polygon i owns the points offsets[i] to offsets[i + 1]; none is empty
    closed : (M,) bool, whether the last point leads back to the first
    """
    count = len(offsets) - 1
    lengths, centres, areas = np.zeros(count), np.zeros((count, 3)), np.zeros((count, 3))
    # One axis at a time: several times faster than rows of three.
    axes = np.ascontiguousarray(positions.T)
    for first, last in _blocks(offsets):
        chosen = vertices[..., offsets[first] : offsets[last]]
        points = picked(axes, chosen, axis=1) if chosen.ndim == 1 else _middles(axes, *chosen)
        part = slice(first, last)
        lengths[part], centres[part], areas[part] = _figures(points, offsets[first : last + 1] - offsets[first], closed[part])
    return lengths, centres, areas


def _middles(axes: FloatArray, one: IntArray, other: IntArray) -> FloatArray:
    points = picked(axes, one, axis=1)
    points += picked(axes, other, axis=1)
    points *= 0.5
    return points


def _blocks(offsets: IntArray) -> Iterator[tuple[int, int]]:
    """Runs of whole polygons, from the first to before the last, with about BLOCK points each."""
    first, count = 0, len(offsets) - 1
    while first < count:
        last = max(first + 1, int(np.searchsorted(offsets, offsets[first] + BLOCK, side="right")) - 1)
        yield first, last
        first = last


def _figures(points: FloatArray, offsets: IntArray, closed: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lengths (m,), middles (m, 3) and twice the area vectors (m, 3) of polygons through points (3, k)."""
    starts, ends = offsets[:-1], offsets[1:] - 1
    counts = np.diff(offsets)
    centres = np.add.reduceat(points, starts, axis=1) / counts
    points -= np.repeat(centres, counts, axis=1)
    steps = np.empty_like(points)
    np.subtract(points[:, 1:], points[:, :-1], out=steps[:, :-1])
    steps[:, ends] = points.take(starts, axis=1) - points.take(ends, axis=1)
    steps[:, ends[~closed]] = 0.0
    (x, y, z), (u, v, w) = points, steps
    squares = u * u
    squares += v * v
    squares += w * w
    lengths = np.add.reduceat(np.sqrt(squares, out=squares), starts)
    # A point times the next one is the point times the step to it.
    areas = [np.add.reduceat(part, starts) for part in (y * w - z * v, z * u - x * w, x * v - y * u)]
    return lengths, centres.T, np.column_stack(areas)


def common_limb(mesh: PolyMesh, vertices: IntArray, offsets: IntArray) -> IntArray:
    """Limb that all vertices of every chain carry, (M,) int32; -1 where they differ or carry none.

    vertices : (K,) or (K, d) int, chains one after the other
    """
    limb = mesh.attributes.get(VERTEX_LIMB)
    if limb is None or len(offsets) == 1:
        return np.full(len(offsets) - 1, -1, dtype=np.int32)
    carried = limb[vertices].reshape(len(vertices), -1).astype(np.int32)
    low = np.minimum.reduceat(carried.min(axis=1), offsets[:-1])
    high = np.maximum.reduceat(carried.max(axis=1), offsets[:-1])
    return np.where(low == high, low, -1).astype(np.int32)
