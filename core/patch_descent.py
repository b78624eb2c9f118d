"""Square quads without folds: the energy of a patch's quad corners, and the descent on it.

Over all quad corners with edges a and b and the local normal n the energy is

    (|a|^2 + |b|^2) / (2 chi(J)) + evenness (chi(J) / mean + mean / chi(J)) / 2,    J = n . (a x b)

with chi(J) = (J + sqrt(J^2 + e^2)) / 2, which stays finite on folded corners and grows into a barrier as e shrinks (Garanzha, Kaporin,
Kudryavtseva, Protais, Ray, Sokolov, "Foldover-free maps in 50 lines of code", 2021; the shape term is Winslow's). Descent by L-BFGS, steps
measured by the Laplacian (Kovalsky, Galun, Lipman, "Accelerated quadratic proxy for geometric optimization", 2016).

Coordinates come here as (3, V): three long rows are quicker than many short ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .patch_laplacian import PatchLaplacian
from .patch_weave import Weave
from .polymesh import BoolArray, FloatArray, IntArray

EVENNESS = 0.3
"""Weight of even quad sizes beside square corners (tried: 0 lets quads at 3-poles swell, 1 shears quads at the border)."""
FLOW = 2.0
"""Weight of the wish that border quads run on where the faces outside come from (tried: 0.6 goes a sixth of the way, 2 two fifths)."""
MOST_BADNESS = 10.0
"""Energy of a corner beyond which it is just bad (15 degrees off a straight angle: 4; folded: no end)."""
LEAST_GAIN = 1e-4
"""Relative gain of a step at which descent stops."""
QUADS_AT_ONCE = 1000
"""Quads of a batch, so that its arrays stay in the processor's cache (measured: 5,000 quads at once take four times as long)."""
UNFOLD_TRIES = 12
"""Rounds of ever harder barriers against folds."""


@dataclass(frozen=True)
class QuadCorners:
    """The four corners of some quads, and the normals that they are judged by.

    around : (6, F) int32, vertices of every quad from the last one round to the first again
    across : (3, 4, F) float64, unit normals at the corners
    free : (4, F) float64, 1 at corners that an inner vertex takes part in, 0 where the border alone makes the angle
    """

    around: IntArray
    across: FloatArray
    free: FloatArray


def quad_corners(woven: Weave, normals: FloatArray) -> list[QuadCorners]:
    """The corners of a patch's quads, in batches; normals (V, 3) at its vertices."""
    rows = np.ascontiguousarray(normals.T)
    batches = []
    for first in range(0, len(woven.quads), QUADS_AT_ONCE):
        around = np.ascontiguousarray(woven.quads[first : first + QUADS_AT_ONCE].T[[3, 0, 1, 2, 3, 0]])
        inner = around >= woven.loop_size
        batches.append(QuadCorners(around, rows[:, around[1:5]], (inner[:4] | inner[1:5] | inner[2:]).astype(np.float64)))
    return batches


def folded(woven: Weave, positions: FloatArray, normals: FloatArray) -> BoolArray:
    """Whether every quad has a corner that turns against the normals, (F,) bool; corners of three border vertices do not count.

    positions, normals : (V, 3) float64
    """
    rows = np.ascontiguousarray(positions.T)
    return np.concatenate([np.any((_areas(batch, rows) <= 0) & (batch.free > 0), axis=0) for batch in quad_corners(woven, normals)])


def badness(woven: Weave, positions: FloatArray, normals: FloatArray) -> float:
    """Mean energy of all quad corners, each at most MOST_BADNESS; positions, normals (V, 3)."""
    rows = np.ascontiguousarray(positions.T)
    batches = quad_corners(woven, normals)
    area = np.hstack([_areas(batch, rows) for batch in batches])
    squares = np.hstack([_squares(_edges(batch, rows)) for batch in batches])
    mean = max(float(area.mean()), 0.05)
    chi = np.maximum(area, 1e-3)
    costs = 0.5 * squares / chi + 0.5 * EVENNESS * (chi / mean + mean / chi)
    return float(np.minimum(costs, MOST_BADNESS).mean())


def descend(woven: Weave, laplacian: PatchLaplacian, positions: FloatArray, normals: FloatArray, wishes: FloatArray | None, rounds: int,
            tries: int = UNFOLD_TRIES) -> FloatArray:
    """Move the inner vertices downhill on the energy of this module, folded corners first.

    positions, normals : (V, 3); the border's edges are about 1 long
    wishes : (loop_size, 3) places of the first inner vertices, NaN where none, or None
    rounds : most steps of descent at one softness
    tries : softnesses that are tried until no corner is folded
    Returns (V, 3) float64.
    """
    batches = quad_corners(woven, normals)
    pulls = _flow_pulls(woven, wishes)
    size, count = woven.loop_size, woven.vertex_count - woven.loop_size
    current = np.ascontiguousarray(positions.T)
    for _ in range(tries):
        areas = np.concatenate([_areas(batch, current)[batch.free > 0] for batch in batches])
        mean, softness, is_last = barrier(areas)

        def energy(flat: FloatArray, softness: float = softness, mean: float = mean) -> tuple[float, FloatArray]:
            current[:, size:] = flat.reshape(3, count)
            value, gradient = 0.0, np.zeros_like(current)
            for batch in batches:
                value += _add_energy(batch, current, softness, mean, gradient)
            if pulls is not None:
                value += _pull_energy(pulls, current, gradient)
            return value, gradient[:, size:].ravel()

        _, flat = lbfgs(energy, current[:, size:].ravel(), rounds, laplacian)
        current[:, size:] = flat.reshape(3, count)
        if is_last:
            break
    return np.ascontiguousarray(current.T)


def barrier(areas: FloatArray) -> tuple[float, float, bool]:
    """The mean area that corners strive for, how soft the barrier against folds is, and whether it needs no harder one after.

    areas : twice the area that every corner spans
    """
    mean, worst = max(float(areas.mean()), 0.05), float(areas.min())
    if worst > 1e-2 * mean:
        return mean, 1e-3 * mean, True
    return mean, float(np.sqrt((1e-2 * mean) ** 2 + 0.04 * min(worst, 0.0) ** 2)), False


def kept_positive(area: FloatArray, softness: float) -> tuple[FloatArray, FloatArray]:
    """chi(J) of this module's energy, and the root in it, for areas J; arrays of their shape."""
    root = np.sqrt(area * area + softness * softness)
    # the plain sum loses all digits far below zero
    return np.where(area >= 0, 0.5 * (area + root), 0.5 * softness**2 / np.maximum(root - area, 1e-300)), root


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products along the first axis; several times as fast as numpy's."""
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _edges(corners: QuadCorners, positions: FloatArray) -> FloatArray:
    """Edges of every quad from the one that ends at its first vertex round to the last, (3, 5, F): before and after every corner."""
    around = np.take(positions, corners.around, axis=1)
    return np.asarray(around[:, 1:] - around[:, :-1])


def _areas(corners: QuadCorners, positions: FloatArray) -> FloatArray:
    """Twice the area that the two edges of every corner span against its normal, (4, F)."""
    edges = _edges(corners, positions)
    return _dot(_cross(edges[:, :4], edges[:, 1:]), corners.across)


def _squares(edges: FloatArray) -> FloatArray:
    """Sum of the squared lengths of the two edges of every corner, (4, F)."""
    squared = _dot(edges, edges)
    return np.asarray(squared[:4] + squared[1:])


def _add_energy(corners: QuadCorners, positions: FloatArray, softness: float, mean: float, gradient: FloatArray) -> float:
    """Energy of the free corners; its gradient is added to ``gradient``, (3, V)."""
    edges = _edges(corners, positions)
    before, after = edges[:, :4], edges[:, 1:]
    by_after = _cross(corners.across, before)  # how the area grows with the edge after the corner
    area = _dot(by_after, after)
    chi, root = kept_positive(area, softness)
    stretch = corners.free / chi
    shape = 0.5 * stretch * (_squares(edges) + EVENNESS * mean)
    size = (0.5 * EVENNESS / mean) * corners.free * chi
    by_area = (size - shape) / root
    to_after = stretch * after + by_area * by_after
    to_before = stretch * before + by_area * _cross(after, corners.across)
    _add_to_vertices(corners, to_before, to_after, gradient)
    return float(np.sum(shape) + np.sum(size))


def _add_to_vertices(corners: QuadCorners, to_before: FloatArray, to_after: FloatArray, gradient: FloatArray) -> None:
    """Add the gradient by the edges before and after every corner to the gradient by vertices."""
    last = to_after[:, 3:] + to_before[:, :1]
    by_edge = np.concatenate([last, to_after[:, :3] + to_before[:, 1:], last], axis=1)
    by_corner = (by_edge[:, :4] - by_edge[:, 1:]).reshape(3, -1)
    at = corners.around[1:5].ravel()
    for row, along in zip(gradient, by_corner, strict=True):
        row += np.bincount(at, along, len(row))


def _flow_pulls(woven: Weave, wishes: FloatArray | None) -> tuple[IntArray, FloatArray] | None:
    """Inner vertices behind border vertices of two quads, and where they are wished to be."""
    if wishes is None:
        return None
    size = woven.loop_size
    start, end = woven.quads.ravel(), np.roll(woven.quads, -1, axis=1).ravel()
    inward = (start < size) & (end >= size)
    single = np.bincount(start[inward], minlength=size) == 1
    behind = np.full(size, -1, dtype=np.int32)
    behind[start[inward]] = end[inward]
    wished = np.flatnonzero(single & np.all(np.isfinite(wishes), axis=1))
    return (behind[wished], wishes[wished]) if len(wished) else None


def _pull_energy(pulls: tuple[IntArray, FloatArray], positions: FloatArray, gradient: FloatArray) -> float:
    at, wished = pulls
    apart = positions[:, at] - wished.T
    for axis in range(3):
        np.add.at(gradient[axis], at, 2 * FLOW * apart[axis])
    return float(FLOW * np.sum(apart * apart))


def lbfgs(energy: Callable[[FloatArray], tuple[float, FloatArray]], start: FloatArray, rounds: int, laplacian: PatchLaplacian | None = None,
          memory: int = 8) -> tuple[float, FloatArray]:
    """Minimise a smooth function by limited-memory BFGS with halved steps (Liu, Nocedal 1989; Armijo's rule).

    energy : function of (n,) float64 giving its value and gradient
    laplacian : stands in for the curvature before any is known, of coordinates one after the other; or None: the identity
    Returns the lowest value and its point, (n,) float64.
    """
    point = start
    value, gradient = energy(point)
    steps: list[FloatArray] = []
    changes: list[FloatArray] = []
    for _ in range(rounds):
        direction = _two_loops(gradient, steps, changes, laplacian)
        slope = _inner(gradient, direction)
        if slope >= 0:
            steps, changes, direction, slope = [], [], -gradient, -_inner(gradient, gradient)
        length = 1.0 if steps else min(1.0, 0.2 / max(float(np.abs(direction).max()), 1e-12))
        moved, new_value, new_gradient = point, value, gradient
        for _ in range(25):
            moved = point + length * direction
            new_value, new_gradient = energy(moved)
            if np.isfinite(new_value) and new_value <= value + 1e-4 * length * slope:
                break
            length *= 0.5
        else:
            break
        step, change = moved - point, new_gradient - gradient
        if _inner(step, change) > 1e-12:
            steps, changes = [*steps, step][-memory:], [*changes, change][-memory:]
        gain = value - new_value
        point, value, gradient = moved, new_value, new_gradient
        if gain < LEAST_GAIN * abs(value):
            break
    return value, point


def _two_loops(gradient: FloatArray, steps: list[FloatArray], changes: list[FloatArray], laplacian: PatchLaplacian | None) -> FloatArray:
    direction = -gradient
    shares = []
    for step, change in zip(reversed(steps), reversed(changes), strict=True):
        share = _inner(step, direction) / _inner(step, change)
        direction = direction - share * change
        shares.append(share)
    if laplacian is not None:
        direction = _solve_rows(laplacian, direction)
        if steps:
            direction = direction * (_inner(steps[-1], _apply_rows(laplacian, steps[-1])) / _inner(steps[-1], changes[-1]))
    elif steps:
        direction = direction * (_inner(steps[-1], changes[-1]) / _inner(changes[-1], changes[-1]))
    for step, change, share in zip(steps, changes, reversed(shares), strict=True):
        direction = direction + (share - _inner(change, direction) / _inner(step, change)) * step
    return direction


def _inner(one: FloatArray, other: FloatArray) -> float:
    """Inner product, without the threads that a library starts for long rows: starting takes longer than multiplying."""
    return float(np.einsum("i,i->", one, other))


def _solve_rows(laplacian: PatchLaplacian, rows: FloatArray) -> FloatArray:
    """The inverse Laplacian of coordinates one after the other, (3 * inner,)."""
    return laplacian.solve(rows.reshape(3, -1).T).T.ravel()


def _apply_rows(laplacian: PatchLaplacian, rows: FloatArray) -> FloatArray:
    """The Laplacian of coordinates one after the other, (3 * inner,)."""
    return laplacian.apply(rows.reshape(3, -1).T).T.ravel()
