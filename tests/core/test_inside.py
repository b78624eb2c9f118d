"""Inside or outside by what rays cross, against the exact answer for a ball, however its faces are wound and where it is open."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.inside import inside_by_crossings
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, open_below, sphere

BALL = sphere(1.0, 4)
POINTS = np.random.default_rng(2).uniform(-1.3, 1.3, (400, 3))
CLEAR = np.abs(np.linalg.norm(POINTS, axis=1) - 1) > 0.02
"""Points that are not too near the skin to tell: the ball's faces cut off some of it."""


def answer(shape: Shape, points: np.ndarray) -> np.ndarray:
    surface = ReferenceSurface(*shape)
    return inside_by_crossings(surface.cast, points, surface.diagonal)


@pytest.mark.parametrize("flipped", [False, True])
def test_a_ball_wound_either_way(flipped: bool) -> None:
    shape = Shape(BALL.positions, BALL.triangles[:, ::-1] if flipped else BALL.triangles)
    assert np.array_equal(answer(shape, POINTS[CLEAR]), np.linalg.norm(POINTS[CLEAR], axis=1) < 1)


def test_a_ball_open_below() -> None:
    deep = POINTS[CLEAR & (POINTS[:, 2] > -0.3)]
    assert np.array_equal(answer(open_below(BALL, 2, -0.8), deep), np.linalg.norm(deep, axis=1) < 1)


def test_two_balls_that_overlap() -> None:
    shift = np.array([0.5, 0.0, 0.0])
    both = Shape(np.concatenate([BALL.positions, BALL.positions + shift]),
                 np.concatenate([BALL.triangles, BALL.triangles + len(BALL.positions)]))
    clear = CLEAR & (np.abs(np.linalg.norm(POINTS - shift, axis=1) - 1) > 0.02)
    expected = (np.linalg.norm(POINTS, axis=1) < 1) | (np.linalg.norm(POINTS - shift, axis=1) < 1)
    assert np.array_equal(answer(both, POINTS[clear]), expected[clear])


def test_no_points() -> None:
    assert answer(BALL, np.zeros((0, 3))).shape == (0,)
