"""Colours of a deviation map run from light to dark."""

from __future__ import annotations

import numpy as np

from ringwright.core.deviation import DeviationMap
from ringwright.core.heat import heat_colours, heat_of


def test_colours_darken_with_the_distance() -> None:
    light = heat_colours(np.linspace(0, 2, 50), 1.0) @ [0.21, 0.72, 0.07, 0.0]
    assert np.all(np.diff(light[:25]) < 0)
    assert np.ptp(light[26:]) == 0
    assert heat_colours(np.zeros(3), 0.0).shape == (3, 4)


def test_the_last_colour_stands_for_the_last_per_cent() -> None:
    distances = np.concatenate([np.full(990, 0.1), np.full(10, 5.0)])
    heat = heat_of(DeviationMap(np.zeros((1000, 3)), np.zeros((0, 3), dtype=np.int32), distances), 10.0)
    assert abs(heat.percent - 1.0) < 0.6
