"""Better the worst faces of a settled cage: move their corners along the skin to where the worst face round each is better shaped.

What pulls a whole mesh into shape weighs its faces against each other, so that in narrow places, as the clefts of digits that are grown
together, a few are left folded or nearly flat. Those few are looked at one corner at a time.

Source: Freitag, Ollivier-Gooch, "Tetrahedral Mesh Improvement Using Swapping and Smoothing", Int. J. Numer. Methods Eng. 40, 1997, which
smooths by the worst element round a vertex; here places are tried, since the skin is known by its nearest points alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import unit
from .polymesh import BoolArray, FloatArray, IntArray
from .quality import scaled_jacobian
from .surface import Surface

POOR = 0.3
"""Faces under this scaled Jacobian are bettered: their corners are within 18 degrees of flat."""
REACHES = (0.3, 0.1, 0.03)
"""How far places are tried from a vertex, shares of the mean edge of its quads; a nearer one where no vertex gains by the one before."""
WAYS = 8
"""Places that are tried round a vertex, besides the middle of its quads' corners: that leads out of a fold where every small move only
folds another face."""
MOST_FACES = 200
"""Faces that are looked at in a round, the worst: where a mesh has more of them its rows are wrong, not their corners."""
ROUNDS = 30
LEAST_GAIN = 1e-3
"""Least rise of the worst scaled Jacobian round a vertex that is worth a move."""
SAME_SKIN = 0.5
"""Least cosine between the skin's normals at a vertex and at a place that it may move to: none on the far side of a cleft."""


@dataclass(frozen=True)
class Corners:
    """What the worst faces need to know of a mesh.

    quads : (F, 4) int32
    faces : (most, V) quads at every vertex, padded with F
    may_move : (V,) bool
    turns : (V,) float64, -1 where the skin is wound against the cage, else 1
    """

    quads: IntArray
    faces: IntArray
    may_move: BoolArray
    turns: FloatArray


@dataclass(frozen=True)
class Bettered:
    """Positions and normals of all vertices, (V, 3) float64."""

    positions: FloatArray
    normals: FloatArray


def better_worst_faces(positions: FloatArray, normals: FloatArray, corners: Corners, surface: Surface) -> Bettered:
    """Move corners of poor faces along the skin, as long as the worst face round one of them gains.

    positions, normals : (V, 3) float64, on the skin, and the skin's normals turned the cage's way
    """
    points, ups = positions.copy(), normals.copy()
    size = 0
    for turn in range(ROUNDS):
        shapes = face_shapes(points, ups, corners.quads)
        worst = np.argsort(shapes)[:MOST_FACES]
        chosen = np.unique(corners.quads[worst[shapes[worst] < POOR]])
        chosen = chosen[corners.may_move[chosen]]
        if not len(chosen):
            break
        reach = REACHES[size] * _mean_edges(points, chosen, corners)
        places, over = _places_round(points, ups, chosen, reach, 0.5 * turn, corners, surface)
        if not _moved(points, ups, chosen, corners, places, over):
            size += 1
            if size == len(REACHES):
                break
    return Bettered(points, ups)


def face_shapes(positions: FloatArray, normals: FloatArray, quads: IntArray) -> FloatArray:
    """Scaled Jacobians of quads, (F,) float64; at most 0 for one that looks against its corners' normals."""
    return _shapes(positions[quads], normals[quads].sum(axis=1))


def _shapes(corners: FloatArray, ups: FloatArray) -> FloatArray:
    """corners : (..., 4, 3) float64; ups : (..., 3) float64, the side that the quads must look to."""
    shape = scaled_jacobian(corners.reshape(-1, 4, 3)).reshape(corners.shape[:-2])
    areas = np.cross(corners[..., 2, :] - corners[..., 0, :], corners[..., 3, :] - corners[..., 1, :])
    return np.where(np.sum(areas * ups, axis=-1) > 0.0, shape, np.minimum(shape, -np.abs(shape)))


def _places_round(points: FloatArray, ups: FloatArray, chosen: IntArray, reach: FloatArray, turn: float, corners: Corners,
                  surface: Surface) -> tuple[FloatArray, FloatArray]:
    """Places on the skin round some vertices, (n, WAYS + 1, 3) float64, and the skin's normals there; of no use is the vertex's own."""
    own, up = points[chosen], unit(ups[chosen])
    across = unit(np.cross(up, np.eye(3)[np.argmin(np.abs(up), axis=1)]))
    angles = 2.0 * np.pi * (np.arange(WAYS) + turn) / WAYS
    ways = np.cos(angles)[None, :, None] * across[:, None] + np.sin(angles)[None, :, None] * np.cross(up, across)[:, None]
    asked = np.concatenate([own[:, None] + reach[:, None, None] * ways, _middles(points, chosen, corners)[:, None]], axis=1)
    found = surface.closest(asked.reshape(-1, 3))
    places, over = found.positions.reshape(asked.shape), found.normals.reshape(asked.shape) * corners.turns[chosen][:, None, None]
    off = found.distances.reshape(asked.shape[:2])
    useful = (np.einsum("nki,ni->nk", over, up) > SAME_SKIN) & (off < np.linalg.norm(asked - own[:, None], axis=2))
    return np.where(useful[..., None], places, own[:, None]), np.where(useful[..., None], over, ups[chosen][:, None])


def _middles(points: FloatArray, chosen: IntArray, corners: Corners) -> FloatArray:
    """Middles of the other corners of the quads round some vertices, (n, 3) float64."""
    faces = corners.faces[:, chosen]
    known = faces < len(corners.quads)
    placed = points[corners.quads[np.where(known, faces, 0)]].sum(axis=2) - points[chosen]
    return np.asarray((known[..., None] * placed).sum(axis=0) / (3.0 * known.sum(axis=0))[:, None], dtype=np.float64)


def _mean_edges(points: FloatArray, chosen: IntArray, corners: Corners) -> FloatArray:
    """Mean edge of the quads round some vertices, (n,) float64; of the shortest there may be nothing left."""
    faces = corners.faces[:, chosen]
    known = faces < len(corners.quads)
    placed = points[corners.quads[np.where(known, faces, 0)]]
    edges = np.linalg.norm(placed - np.roll(placed, 1, axis=2), axis=3).mean(axis=2)
    return np.asarray(np.where(known, edges, 0.0).sum(axis=0) / known.sum(axis=0), dtype=np.float64)


def _moved(points: FloatArray, ups: FloatArray, chosen: IntArray, corners: Corners, places: FloatArray, over: FloatArray) -> bool:
    """Move every vertex in turn to the best of its places, in the arrays; returns whether any has gained."""
    gained = False
    for order, vertex in enumerate(chosen.tolist()):
        around = corners.faces[:, vertex]
        quads = corners.quads[around[around < len(corners.quads)]]
        tried = np.concatenate([points[vertex][None], places[order]])
        at_vertex = (quads == vertex)[None, :, :, None]
        placed = np.where(at_vertex, tried[:, None, None], points[quads][None])
        worst = _shapes(placed, np.broadcast_to(ups[quads].sum(axis=1), (len(tried), len(quads), 3))).min(axis=1)
        best = int(np.argmax(worst))
        if worst[best] > worst[0] + LEAST_GAIN:
            points[vertex], ups[vertex], gained = tried[best], over[order, best - 1], True
    return gained
