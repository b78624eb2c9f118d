"""Spread a trunk's rows round a socket evenly over the skin before they settle, where they were laid unevenly.

Where a branch leaves a trunk's side the trunk's axis need not see the skin squarely: rings that are cast from a chest's axis run along
the top of a shoulder instead of across it, so that some rows there are ten times as long as wide and others cross. A membrane that
hangs in the rows farther out and lies on the skin has neither.

Source of the membrane: every point at the mean of its neighbours, by Jacobi's iteration, each step brought back to the skin. Free
of the skin it would cut through the flesh of a bend, and land on its other side.
"""

from __future__ import annotations

import numpy as np

from .adjacency import Adjacency, edge_distances
from .polymesh import BoolArray, FloatArray, IntArray
from .surface import Surface

LONGEST_QUAD = 6.0
"""A quad so many times as long as wide tells of rows that run along the skin (measured: round human shoulders 11 to 20, round thumbs
at most 4). Rows laid more evenly stay where their limb's bends want them."""
COLLAR_REACH = 1.5
"""Rows round a hole that are spread, as a share of the edges along one side of a square hole of its count: what is uneven at a human
shoulder reaches from its hole to the root of the neck (tried: at half of it folds stay beyond the collar)."""
PASSES = 2
"""Means taken for every row squared that the spreading reaches: a change goes as far as the root of the passes."""


def spread_collar(positions: FloatArray, quads: IntArray, adjacency: Adjacency, hole: IntArray, may_move: BoolArray,
                  surface: Surface) -> FloatArray:
    """Positions with the rows round a socket's hole spread over the skin, (V, 3) float64; the same where they lie evenly already.

    positions : (V, 3) float64
    quads : (F, 4) int32
    hole : (n,) int32, the ring between trunk and branch
    may_move : (V,) bool, vertices that need not stay
    """
    reach = max(1, round(COLLAR_REACH * len(hole) / 4))
    at_hole = np.zeros(len(positions), dtype=np.bool_)
    at_hole[hole] = True
    collar = (edge_distances(adjacency.edge_verts, at_hole, reach) <= reach) & may_move
    if not (_lengthiness(positions[quads[collar[quads].any(axis=1)]]) > LONGEST_QUAD).any():
        return positions
    return _spread(positions, adjacency, np.flatnonzero(collar), surface, PASSES * (reach + 1) ** 2)


def _lengthiness(corners: FloatArray) -> FloatArray:
    """How many times as long as wide quads are, (F,) float64; corners : (F, 4, 3)."""
    edges = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    sides = np.sort(edges[:, :2] + edges[:, 2:], axis=1)
    return np.asarray(sides[:, 1] / np.maximum(sides[:, 0], 1e-300), dtype=np.float64)


def _spread(positions: FloatArray, adjacency: Adjacency, inside: IntArray, surface: Surface, passes: int) -> FloatArray:
    """Some vertices as a membrane on the skin, held by their surroundings, (V, 3) float64."""
    ends = np.concatenate([adjacency.edge_verts, adjacency.edge_verts[:, ::-1]])
    ends = ends[np.isin(ends[:, 0], inside)]
    neighbours = ends[np.argsort(ends[:, 0], kind="stable"), 1]
    count = adjacency.valence[inside]
    starts = np.concatenate(([0], np.cumsum(count)[:-1]))
    moved = positions.copy()
    for _ in range(passes):
        moved[inside] = surface.closest(np.add.reduceat(moved[neighbours], starts, axis=0) / count[:, None]).positions
    return moved
