"""Which open rings of a mesh a selection means."""

from __future__ import annotations

import numpy as np

from .adjacency import Adjacency
from .polymesh import BoolArray
from .rings import Rings

LEAST_SHARE = 0.5
"""A ring of which no one is chosen whole counts where at least this share of its vertices is chosen."""


def chosen_rings(rings: Rings, chosen: BoolArray) -> list[int]:
    """Rings whose vertices are all chosen; where there is none, those of which at least half is.

    chosen : (V,) bool
    """
    shares = [float(np.mean(chosen[rings.ring(index)])) for index in range(rings.count)]
    whole = [index for index, share in enumerate(shares) if share == 1.0]
    return whole or [index for index, share in enumerate(shares) if share >= LEAST_SHARE]


def covered_by_rings(rings: Rings, indices: list[int], chosen: BoolArray) -> bool:
    """Whether every chosen vertex lies on one of these rings."""
    rest = chosen.copy()
    for index in indices:
        rest[rings.ring(index)] = False
    return not bool(rest.any())


def kept_clear(adjacency: Adjacency, rings: Rings, indices: list[int], chosen: BoolArray) -> BoolArray:
    """What a selection names beside rings: its vertices off these rings, and the rings' vertices next to those, (V,) bool.

    indices : the rings that shall change
    chosen : (V,) bool
    """
    on_rings = np.zeros(len(chosen), dtype=np.bool_)
    for index in indices:
        on_rings[rings.ring(index)] = True
    beside = chosen & ~on_rings
    touched = np.zeros(len(chosen), dtype=np.bool_)
    for one, other in (adjacency.edge_verts.T, adjacency.edge_verts.T[::-1]):
        touched[one[beside[other]]] = True
    return np.asarray(beside | (on_rings & touched))
