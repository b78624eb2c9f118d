"""A deviation map as colours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .deviation import DeviationMap
from .polymesh import FloatArray, IntArray

TOP_PERCENTILE = 99.0
"""Distances from here on share the last colour, so that one bad place does not pale all others."""
STOPS = np.array([[0.93, 0.93, 0.88], [0.34, 0.71, 0.91], [0.00, 0.30, 0.58], [0.12, 0.02, 0.20]])
"""From light to dark, so that it reads without colours too."""


@dataclass(frozen=True)
class Heat:
    """A deviation map ready to be drawn.

    positions : (n, 3) float64
    triangles : (t, 3) int32
    colours : (n, 4) float64
    percent : distance of the last colour, per cent of the target's diagonal
    """

    positions: FloatArray
    triangles: IntArray
    colours: FloatArray
    percent: float


def heat_of(deviation: DeviationMap, diagonal: float) -> Heat:
    """The colours of a deviation map.

    diagonal : of the target's bounding box
    """
    top = float(np.percentile(deviation.distances, TOP_PERCENTILE)) if len(deviation.distances) else 0.0
    return Heat(deviation.positions, deviation.triangles, heat_colours(deviation.distances, top), 100 * top / diagonal)


def heat_colours(distances: FloatArray, top: float) -> FloatArray:
    """Opaque colours from light to dark, (n, 4) float64.

    distances : (n,) float64
    top : where the last colour begins
    """
    share = np.clip(distances / top, 0, 1) if top > 0 else np.zeros(len(distances))
    channels = [np.interp(share, np.linspace(0, 1, len(STOPS)), STOPS[:, channel]) for channel in range(3)]
    return np.column_stack([*channels, np.ones(len(distances))])
