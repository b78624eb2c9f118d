"""Where a patch's inner vertices lie: a harmonic start, quads made square without folds (patch_descent.py), then onto the target.

The start blends the border: every inner vertex is the mean of its neighbours (Tutte 1963, Floater 2003). On a border that is not convex
such a blend may fold, so descent follows.
"""

from __future__ import annotations

import numpy as np

from .patch_descent import badness, descend, folded
from .patch_laplacian import PatchLaplacian
from .patch_weave import Weave
from .polymesh import FloatArray
from .surface import Surface

STEADY_NORMALS = 0.985
"""Cosine between old and new normals (10 degrees) from which a further descent would change little."""
SKETCH_TRIES = 2
"""Rounds of ever harder barriers against folds for a sketch."""
DESCENT_ROUNDS = 120
"""Most steps of descent; smooth borders need some 20 (measured)."""
SETTLE_ROUNDS = 6


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
    laplacian = PatchLaplacian(woven)
    start = laplacian.harmonic((border - centre) / scale)
    wishes = None if border_flow is None else (border_flow - centre) / scale
    placed = _without_folds(woven, laplacian, start, border_normals, wishes) * scale + centre
    placed[: woven.loop_size] = border
    return placed if surface is None else settle_patch(woven, laplacian, placed, surface)


def sketch_badness(woven: Weave, border: FloatArray, border_normals: FloatArray | None, rounds: int) -> float:
    """Mean energy of a quad corner, each at most MOST_BADNESS, after a few steps of descent; 1 + EVENNESS for squares of one size.

    border, border_normals : as in shape_patch
    """
    laplacian = PatchLaplacian(woven)
    start = laplacian.harmonic((border - border.mean(axis=0)) / _mean_edge(border))
    normals = _first_normals(woven, laplacian, start, border_normals)
    sketched = start if woven.vertex_count == woven.loop_size else descend(woven, laplacian, start, normals, None, rounds, SKETCH_TRIES)
    return badness(woven, sketched, normals)


def _mean_edge(border: FloatArray) -> float:
    return float(np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1).mean())


def _without_folds(woven: Weave, laplacian: PatchLaplacian, start: FloatArray, border_normals: FloatArray | None,
                   wishes: FloatArray | None) -> FloatArray:
    """Square corners against the border's plane first where the border stands over one, then against the local normals."""
    normals = _first_normals(woven, laplacian, start, border_normals)
    positions = descend(woven, laplacian, start, normals, wishes, DESCENT_ROUNDS)
    if border_normals is None and _is_flat(start[: woven.loop_size], normals[0]):
        return positions
    for _ in range(2):
        before, normals = normals, vertex_normals(woven, laplacian, positions, border_normals)
        if float(np.einsum("ij,ij->i", before, normals).min()) > STEADY_NORMALS:
            break
        positions = descend(woven, laplacian, positions, normals, wishes, DESCENT_ROUNDS // 2)
    return positions


def _first_normals(woven: Weave, laplacian: PatchLaplacian, start: FloatArray, border_normals: FloatArray | None) -> FloatArray:
    plane = border_plane(start[: woven.loop_size]) if border_normals is None else None
    return vertex_normals(woven, laplacian, start, border_normals) if plane is None else np.broadcast_to(plane, start.shape)


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


def vertex_normals(woven: Weave, laplacian: PatchLaplacian, positions: FloatArray, border_normals: FloatArray | None) -> FloatArray:
    """Smooth unit normals at all vertices, (V, 3): given border normals blended inwards, else the quads' own, smoothed."""
    if border_normals is not None:
        blended = laplacian.harmonic(border_normals)
        return blended / np.maximum(np.linalg.norm(blended, axis=1, keepdims=True), 1e-12)
    quads = positions[woven.quads]
    area = 0.5 * np.cross(quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1])
    sums = [np.bincount(woven.quads.ravel(), np.repeat(area[:, axis], 4), woven.vertex_count) for axis in range(3)]
    normals: FloatArray = np.stack(sums, axis=1).astype(np.float64)
    for _ in range(4 + int(np.sqrt(woven.vertex_count) / 4)):
        normals = 0.5 * normals + 0.5 * laplacian.neighbour_sum(normals) / laplacian.valence
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)


def settle_patch(woven: Weave, laplacian: PatchLaplacian, positions: FloatArray, surface: Surface) -> FloatArray:
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
        relaxed = descend(woven, laplacian, (landed - centre) / scale, hit.normals, None, rounds=12) * scale + centre
        relaxed[:size] = positions[:size]
        hit = surface.closest(relaxed)
        relaxed[size:] = hit.positions[size:]
        placed = _without_new_folds(woven, placed, relaxed, hit.normals)
    return placed


def _without_new_folds(woven: Weave, before: FloatArray, after: FloatArray, normals: FloatArray) -> FloatArray:
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
