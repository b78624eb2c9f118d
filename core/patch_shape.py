"""Where a patch's inner vertices lie: a harmonic start, quads made square without folds, then onto the target.

The start blends the border (every inner vertex the mean of its neighbours; Tutte 1963, Floater 2003). On a border that is not convex such
a blend may fold, so the second step minimises, over all quad corners with edges a and b and the local normal n,

    (|a|^2 + |b|^2) / (2 chi(J)) + evenness (chi(J) / mean + mean / chi(J)) / 2,    J = n . (a x b)

with chi(J) = (J + sqrt(J^2 + e^2)) / 2, which stays finite on folded corners and grows into a barrier as e shrinks (Garanzha, Kaporin,
Kudryavtseva, Protais, Ray, Sokolov, "Foldover-free maps in 50 lines of code", 2021; the shape term is Winslow's). Descent by L-BFGS.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .patch_weave import Weave, neighbour_table
from .polymesh import BoolArray, FloatArray, IntArray
from .surface import Surface

EVENNESS = 0.3
"""Weight of even quad sizes beside square corners (tried: 0 lets quads at 3-poles swell, 1 shears quads at the border)."""
FLOW = 2.0
"""Weight of the wish that border quads run on where the faces outside come from (tried: 0.6 goes a sixth of the way, 2 two fifths)."""
HARMONIC_TOLERANCE = 1e-5
ROUGH_TOLERANCE = 0.15
"""Relative residuals of the two linear solves."""
LARGE_PATCH = 800
"""Inner vertices from which descent measures steps by the Laplacian (measured: below, plain steps are as fast)."""
MOST_BADNESS = 10.0
"""Energy of a corner beyond which it is just bad (15 degrees off a straight angle: 4; folded: no end)."""
LEAST_GAIN = 2e-5
LEAST_GAIN_MEASURED = 1e-4
"""Relative gain of a step at which descent stops, plain and measured by the Laplacian (whose steps reach further)."""
STEADY_NORMALS = 0.985
"""Cosine between old and new normals (10 degrees) from which a further descent would change little."""
UNFOLD_TRIES = 12
SKETCH_TRIES = 2
"""Rounds of ever harder barriers against folds, for a shape and for a sketch."""
DESCENT_ROUNDS = 120
"""Most steps of descent; smooth borders need some 20 (measured)."""
SETTLE_ROUNDS = 6


@dataclass(frozen=True)
class _Corners:
    """All quad corners: the vertex, the next and the previous one round the quad, each (4F,) int."""

    at: IntArray
    following: IntArray
    previous: IntArray


def shape_patch(woven: Weave, border: FloatArray, *, border_normals: FloatArray | None = None, border_flow: FloatArray | None = None,
                surface: Surface | None = None) -> FloatArray:
    """Place the inner vertices of a patch.

    woven : the quads
    border : (loop_size, 3) float64, positions that stay as they are
    border_normals : (loop_size, 3) float64, outward normals along the border, or None
    border_flow : (loop_size, 3) float64, where the first inner vertex behind a border vertex would lie; NaN where there is no wish; or None
    surface : target to settle on, or None
    Returns (V, 3) float64, the border first.
    """
    if woven.vertex_count == woven.loop_size:
        return border.copy()
    centre, scale = border.mean(axis=0), _mean_edge(border)
    neighbours = neighbour_table(woven)
    start = harmonic_blend(woven, neighbours, (border - centre) / scale)
    wishes = None if border_flow is None else (border_flow - centre) / scale
    placed = _without_folds(woven, neighbours, start, border_normals, wishes) * scale + centre
    placed[: woven.loop_size] = border
    return placed if surface is None else settle_patch(woven, neighbours, placed, surface)


def sketch_badness(woven: Weave, border: FloatArray, border_normals: FloatArray | None, rounds: int) -> float:
    """Mean energy of a quad corner, each at most MOST_BADNESS, after a few steps of descent; 1 + EVENNESS for squares of one size.

    border, border_normals : as in shape_patch
    """
    neighbours = neighbour_table(woven)
    start = harmonic_blend(woven, neighbours, (border - border.mean(axis=0)) / _mean_edge(border))
    normals = _first_normals(woven, neighbours, start, border_normals)
    sketched = start if woven.vertex_count == woven.loop_size else descend(woven, start, normals, None, rounds, SKETCH_TRIES)
    return badness(woven, sketched.T, normals)


def _mean_edge(border: FloatArray) -> float:
    return float(np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1).mean())


def _neighbour_sum(table: IntArray, values: FloatArray) -> FloatArray:
    padded = np.vstack([values, np.zeros((1, values.shape[1]))])
    total = padded[table[:, 0]]
    for column in range(1, table.shape[1]):
        total += padded[table[:, column]]
    return total


def harmonic_blend(woven: Weave, neighbours: IntArray, border: FloatArray) -> FloatArray:
    """Values at all vertices, every inner one the mean of its neighbours, by conjugate gradients.

    border : (loop_size, k) float64
    Returns (V, k) float64.
    """
    size = woven.loop_size
    if size == woven.vertex_count:
        return border.copy()
    laplacian = _Laplacian(woven, neighbours)
    values = np.zeros((woven.vertex_count, border.shape[1]))
    values[:size] = border
    right = _neighbour_sum(laplacian.table, values)
    start = np.broadcast_to(border.mean(axis=0), right.shape)
    values[size:] = _conjugate_gradients(laplacian.apply, right, start, 1 / laplacian.valence, HARMONIC_TOLERANCE)
    return values


class _Laplacian:
    """Valence times value less the neighbours' sum, at the inner vertices, the border at zero."""

    def __init__(self, woven: Weave, neighbours: IntArray) -> None:
        self.size = woven.loop_size
        self.count = woven.vertex_count
        self.table = neighbours[self.size:]
        self.valence = (self.table < self.count).sum(axis=1).astype(np.float64)[:, None]

    def apply(self, x: FloatArray) -> FloatArray:
        """The Laplacian of (inner, k) values."""
        full = np.zeros((self.count, x.shape[1]))
        full[self.size:] = x
        return np.asarray(self.valence * x - _neighbour_sum(self.table, full))

    def apply_flat(self, flat: FloatArray) -> FloatArray:
        """The same for coordinates one after the other, (3 * inner,)."""
        return self.apply(flat.reshape(3, -1).T).T.ravel()

    def solve_flat(self, flat: FloatArray) -> FloatArray:
        """Its rough inverse, (3 * inner,)."""
        right = np.ascontiguousarray(flat.reshape(3, -1).T)
        return _conjugate_gradients(self.apply, right, np.zeros_like(right), 1 / self.valence, ROUGH_TOLERANCE).T.ravel()


def _conjugate_gradients(apply: Callable[[FloatArray], FloatArray], right: FloatArray, x: FloatArray,
                         inverse_diagonal: FloatArray, tolerance: float) -> FloatArray:
    residual = right - apply(x)
    direction = preconditioned = inverse_diagonal * residual
    product = np.sum(residual * preconditioned, axis=0)
    goal = tolerance**2 * np.maximum(np.sum(right * inverse_diagonal * right, axis=0), 1e-30)
    for _ in range(400):
        if np.all(product <= goal):
            break
        applied = apply(direction)
        step = product / np.maximum(np.sum(direction * applied, axis=0), 1e-300)
        x = x + step * direction
        residual = residual - step * applied
        preconditioned = inverse_diagonal * residual
        following = np.sum(residual * preconditioned, axis=0)
        direction = preconditioned + following / np.maximum(product, 1e-300) * direction
        product = following
    return x


def _without_folds(woven: Weave, neighbours: IntArray, start: FloatArray, border_normals: FloatArray | None,
                   wishes: FloatArray | None) -> FloatArray:
    """Square corners against the border's plane first where the border stands over one, then against the local normals."""
    normals = _first_normals(woven, neighbours, start, border_normals)
    positions = descend(woven, start, normals, wishes, DESCENT_ROUNDS)
    if border_normals is None and _is_flat(start[: woven.loop_size], normals[0]):
        return positions
    for _ in range(2):
        before, normals = normals, vertex_normals(woven, neighbours, positions, border_normals)
        if float(np.einsum("ij,ij->i", before, normals).min()) > STEADY_NORMALS:
            break
        positions = descend(woven, positions, normals, wishes, DESCENT_ROUNDS // 2)
    return positions


def _first_normals(woven: Weave, neighbours: IntArray, start: FloatArray, border_normals: FloatArray | None) -> FloatArray:
    plane = border_plane(start[: woven.loop_size]) if border_normals is None else None
    return vertex_normals(woven, neighbours, start, border_normals) if plane is None else np.broadcast_to(plane, start.shape)


def _is_flat(border: FloatArray, normal: FloatArray) -> bool:
    height = border @ normal
    return bool(np.ptp(height) < 1e-3)  # of a mean edge


def border_plane(border: FloatArray) -> FloatArray | None:
    """Unit normal of the plane over which the border is a simple curve, or None where its shadow crosses itself.

    The plane is the one across the border's area vector.
    """
    centred = border - border.mean(axis=0)
    area = 0.5 * np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    length = float(np.linalg.norm(area))
    if length < 1e-9:
        return None
    normal = area / length
    return None if crosses_itself(project_to_plane(border, normal)) else normal


def project_to_plane(points: FloatArray, normal: FloatArray) -> FloatArray:
    """Coordinates in a right-handed frame across a unit normal, (n, 2)."""
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    first = np.cross(helper, normal)
    first /= np.linalg.norm(first)
    return np.stack([points @ first, points @ np.cross(normal, first)], axis=1)


def crosses_itself(polygon: FloatArray) -> bool:
    """Whether two edges of a closed polygon, (n, 2), that share no vertex meet."""
    start, end = polygon, np.roll(polygon, -1, axis=0)
    count = len(polygon)

    def side(points: FloatArray) -> FloatArray:
        along, offset = (end - start)[:, None], points[None] - start[:, None]
        return np.asarray(along[..., 0] * offset[..., 1] - along[..., 1] * offset[..., 0])

    to_start, to_end = side(start), side(end)
    split = to_start * to_end <= 0
    gap = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    apart = (gap > 1) & (gap < count - 1)
    return bool(np.any(split & split.T & apart))


def vertex_normals(woven: Weave, neighbours: IntArray, positions: FloatArray, border_normals: FloatArray | None) -> FloatArray:
    """Smooth unit normals at all vertices, (V, 3): given border normals blended inwards, else the quads' own, smoothed."""
    if border_normals is not None:
        blended = harmonic_blend(woven, neighbours, border_normals)
        return blended / np.maximum(np.linalg.norm(blended, axis=1, keepdims=True), 1e-12)
    quads = positions[woven.quads]
    area = 0.5 * np.cross(quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1])
    sums = [np.bincount(woven.quads.ravel(), np.repeat(area[:, axis], 4), woven.vertex_count) for axis in range(3)]
    normals: FloatArray = np.stack(sums, axis=1).astype(np.float64)
    valence = (neighbours < woven.vertex_count).sum(axis=1)[:, None]
    for _ in range(4 + int(np.sqrt(woven.vertex_count) / 4)):
        normals = 0.5 * normals + 0.5 * _neighbour_sum(neighbours, normals) / valence
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)


def quad_corners(quads: IntArray) -> _Corners:
    """All corners of the quads."""
    return _Corners(quads.ravel(), np.roll(quads, -1, axis=1).ravel(), np.roll(quads, 1, axis=1).ravel())


def descend(woven: Weave, positions: FloatArray, normals: FloatArray, wishes: FloatArray | None, rounds: int,
            tries: int = UNFOLD_TRIES) -> FloatArray:
    """Move the inner vertices downhill on the energy of this module, folded corners first.

    positions, normals : (V, 3); the border's edges are about 1 long
    wishes : (loop_size, 3) places of the first inner vertices, NaN where none, or None
    rounds : most steps of descent at one softness
    tries : softnesses that are tried until no corner is folded
    """
    corners = free_corners(woven)
    pulls = _flow_pulls(woven, wishes)
    size, count = woven.loop_size, woven.vertex_count - woven.loop_size
    metric = _Laplacian(woven, neighbour_table(woven)) if count > LARGE_PATCH else None
    across = np.ascontiguousarray(normals.T[:, corners.at])
    current = np.ascontiguousarray(positions.T)
    for _ in range(tries):
        areas = _areas(corners, current, across)
        mean = max(float(areas.mean()), 0.05)
        worst = float(areas.min())
        softness = 1e-3 * mean if worst > 1e-2 * mean else float(np.sqrt((1e-2 * mean) ** 2 + 0.04 * min(worst, 0.0) ** 2))

        def energy(flat: FloatArray, softness: float = softness, mean: float = mean) -> tuple[float, FloatArray]:
            current[:, size:] = flat.reshape(3, count)
            value, gradient = _corner_energy(corners, current, across, softness, mean)
            if pulls is not None:
                value += _pull_energy(pulls, current, gradient)
            return value, gradient[:, size:].ravel()

        _, flat = lbfgs(energy, current[:, size:].ravel(), rounds, metric)
        current[:, size:] = flat.reshape(3, count)
        if worst > 1e-2 * mean:
            break
    return np.ascontiguousarray(current.T)


def badness(woven: Weave, positions: FloatArray, normals: FloatArray) -> float:
    """Mean energy of all quad corners, each at most MOST_BADNESS; positions (3, V), normals (V, 3)."""
    corners = quad_corners(woven.quads)
    area, lengths = _areas_and_lengths(corners, positions, np.ascontiguousarray(normals.T[:, corners.at]))
    mean = max(float(area.mean()), 0.05)
    chi = np.maximum(area, 1e-3)
    return float(np.minimum(0.5 * lengths / chi + 0.5 * EVENNESS * (chi / mean + mean / chi), MOST_BADNESS).mean())


def free_corners(woven: Weave) -> _Corners:
    """Quad corners that an inner vertex takes part in."""
    corners = quad_corners(woven.quads)
    free = (corners.at >= woven.loop_size) | (corners.following >= woven.loop_size) | (corners.previous >= woven.loop_size)
    return _Corners(corners.at[free], corners.following[free], corners.previous[free])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products of (3, n) columns; several times as fast as numpy's."""
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _areas_and_lengths(corners: _Corners, positions: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
    here = positions[:, corners.at]
    first, second = positions[:, corners.following] - here, positions[:, corners.previous] - here
    return _dot(_cross(first, second), across), _dot(first, first) + _dot(second, second)


def _areas(corners: _Corners, positions: FloatArray, across: FloatArray) -> FloatArray:
    here = positions[:, corners.at]
    return _dot(_cross(positions[:, corners.following] - here, positions[:, corners.previous] - here), across)


def _corner_energy(corners: _Corners, positions: FloatArray, across: FloatArray, softness: float, mean: float) -> tuple[float, FloatArray]:
    """Energy and its gradient, (3, V), of (3, V) positions with the normals across (3, corners)."""
    here = positions[:, corners.at]
    first, second = positions[:, corners.following] - here, positions[:, corners.previous] - here
    to_first, to_second = _cross(second, across), _cross(across, first)
    area = _dot(first, to_first)
    root = np.sqrt(area * area + softness * softness)
    # the plain sum loses all digits far below zero
    chi = np.where(area >= 0, 0.5 * (area + root), 0.5 * softness**2 / np.maximum(root - area, 1e-300))
    lengths = _dot(first, first) + _dot(second, second)
    value = float(np.sum(0.5 * lengths / chi + 0.5 * EVENNESS * (chi / mean + mean / chi)))
    by_area = (-0.5 * lengths / chi**2 + 0.5 * EVENNESS * (1 / mean - mean / chi**2)) * chi / root
    by_first = first / chi + by_area * to_first
    by_second = second / chi + by_area * to_second
    count = positions.shape[1]
    gradient = np.stack([np.bincount(corners.following, by_first[axis], count) + np.bincount(corners.previous, by_second[axis], count)
                         - np.bincount(corners.at, by_first[axis] + by_second[axis], count) for axis in range(3)])
    return value, gradient


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


def lbfgs(energy: Callable[[FloatArray], tuple[float, FloatArray]], start: FloatArray, rounds: int, metric: _Laplacian | None = None,
          memory: int = 8) -> tuple[float, FloatArray]:
    """Minimise a smooth function by limited-memory BFGS with halved steps (Liu, Nocedal 1989; Armijo's rule).

    energy : function of (n,) float64 giving its value and gradient
    metric : Laplacian that stands in for the curvature before any is known (Kovalsky, Galun, Lipman 2016), or None: the identity
    Returns the lowest value and its point, (n,) float64.
    """
    point = start
    value, gradient = energy(point)
    steps: list[FloatArray] = []
    changes: list[FloatArray] = []
    for _ in range(rounds):
        direction = _two_loops(gradient, steps, changes, metric)
        slope = float(gradient @ direction)
        if slope >= 0:
            steps, changes, direction, slope = [], [], -gradient, -float(gradient @ gradient)
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
        if float(step @ change) > 1e-12:
            steps, changes = [*steps, step][-memory:], [*changes, change][-memory:]
        gain = value - new_value
        point, value, gradient = moved, new_value, new_gradient
        if gain < (LEAST_GAIN if metric is None else LEAST_GAIN_MEASURED) * abs(value):
            break
    return value, point


def _two_loops(gradient: FloatArray, steps: list[FloatArray], changes: list[FloatArray], metric: _Laplacian | None) -> FloatArray:
    direction = -gradient
    shares = []
    for step, change in zip(reversed(steps), reversed(changes), strict=True):
        share = float(step @ direction) / float(step @ change)
        direction = direction - share * change
        shares.append(share)
    if metric is not None:
        direction = metric.solve_flat(direction)
        if steps:
            direction = direction * (float(steps[-1] @ metric.apply_flat(steps[-1])) / float(steps[-1] @ changes[-1]))
    elif steps:
        direction = direction * (float(steps[-1] @ changes[-1]) / float(changes[-1] @ changes[-1]))
    for step, change, share in zip(steps, changes, reversed(shares), strict=True):
        direction = direction + (share - float(change @ direction) / float(step @ change)) * step
    return direction


def folded(woven: Weave, positions: FloatArray, normals: FloatArray) -> BoolArray:
    """Whether every quad has a corner that turns against the normals, (F,) bool; corners of three border vertices do not count."""
    corners = quad_corners(woven.quads)
    free = (corners.at >= woven.loop_size) | (corners.following >= woven.loop_size) | (corners.previous >= woven.loop_size)
    bad = _areas(corners, positions.T, normals.T[:, corners.at]) <= 0
    return np.any((bad & free).reshape(-1, 4), axis=1)


def settle_patch(woven: Weave, neighbours: IntArray, positions: FloatArray, surface: Surface) -> FloatArray:
    """Lay the inner vertices onto the target, relaxing along it; moves that fold a quad against the target's normals are taken back.

    positions : (V, 3) float64, target units; the border stays
    Returns (V, 3) float64.
    """
    size, scale = woven.loop_size, _mean_edge(positions[: woven.loop_size])
    centre = positions[:size].mean(axis=0)
    placed = positions.copy()
    for _ in range(SETTLE_ROUNDS):
        hit = surface.closest(placed)
        landed = placed.copy()
        landed[size:] = hit.positions[size:]
        relaxed = descend(woven, (landed - centre) / scale, hit.normals, None, rounds=12) * scale + centre
        relaxed[:size] = positions[:size]
        hit = surface.closest(relaxed)
        relaxed[size:] = hit.positions[size:]
        placed = _without_new_folds(woven, neighbours, placed, relaxed, hit.normals)
    return placed


def _without_new_folds(woven: Weave, neighbours: IntArray, before: FloatArray, after: FloatArray, normals: FloatArray) -> FloatArray:
    """Take the corners of newly folded quads back halfway, twice, then wholly."""
    allowed = folded(woven, before, normals)
    kept = after.copy()
    for share in (0.5, 0.5, 1.0):
        bad = folded(woven, kept, normals) & ~allowed
        if not bad.any():
            break
        back = np.zeros(woven.vertex_count, dtype=np.bool_)
        back[woven.quads[bad].ravel()] = True
        kept[back] += share * (before[back] - kept[back])
    return kept
