"""Corners of a border by its turning angle."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.patch_corners import corners_from_faces, find_corners, find_inward_corners, inward_corners_from_faces, turning_angles
from support.borders import ellipse_border, polygon_border, regular_corners


@pytest.mark.parametrize("sides", [3, 4, 5, 6])
@pytest.mark.parametrize("each", [1, 2, 5, 20])
def test_corners_of_regular_polygons_are_found(sides: int, each: int) -> None:
    border = polygon_border(regular_corners(sides), (each,) * sides)
    assert find_corners(border) == tuple(range(0, sides * each, each))


@pytest.mark.parametrize(("edges", "aspect"), [(8, 1.0), (12, 1.0), (16, 1.0), (16, 1.5), (40, 1.5), (100, 1.5), (256, 1.0), (256, 1.5)])
def test_round_borders_have_none(edges: int, aspect: float) -> None:
    assert find_corners(ellipse_border(edges, aspect)) == ()


def test_noise_on_a_circle_makes_no_corner_and_hides_none_of_a_square() -> None:
    random = np.random.default_rng(7)
    for _ in range(20):
        circle = ellipse_border(64) + random.normal(0, 0.006, (64, 3))  # an edge is 0.098 long
        assert find_corners(circle) == ()
        square = polygon_border(regular_corners(4), (10,) * 4) + random.normal(0, 0.006, (40, 3))
        assert find_corners(square) == (0, 10, 20, 30)


def test_a_rounded_corner_of_three_small_turns_is_none() -> None:
    """90 degrees over three vertices: one quad at any of them would be 150 degrees wide."""
    turn = np.radians([0, 30, 60, 90])
    arc = 0.5 * np.column_stack([np.sin(turn), 1 - np.cos(turn)])
    corners = np.concatenate([np.array([[1.5, -2.0]]) + arc, [[2.0, 2.0], [-2.0, 2.0], [-2.0, -2.0]]])
    border = polygon_border(corners, (1, 1, 1, 8, 8, 8, 8))
    found = find_corners(border)
    assert len(found) == 3 and all(np.abs(border[vertex, :2]).min() == 2 for vertex in found)


def test_turns_sum_to_a_whole_turn_and_mirror_with_the_normals() -> None:
    border = polygon_border([(0, 0), (2, 0), (2, 1), (1, 1), (1, 2), (0, 2)], (2, 1, 1, 1, 1, 2))
    turns = turning_angles(border)
    assert turns.sum() == pytest.approx(2 * np.pi)
    assert turns.min() == pytest.approx(-np.pi / 2)
    np.testing.assert_allclose(turning_angles(border, 1, np.broadcast_to([0, 0, -1.0], border.shape)), -turns)


def test_inward_corner_of_an_l_shape() -> None:
    border = polygon_border([(0, 0), (2, 0), (2, 1), (1, 1), (1, 2), (0, 2)], (8, 4, 4, 4, 4, 8))
    assert find_inward_corners(border) == (16,)
    assert find_corners(border) == (0, 8, 12, 20, 24)


def test_two_corners_may_be_neighbours() -> None:
    border = polygon_border([(0, 0), (6, 0), (6, 1), (0, 1)], (12, 1, 12, 1))
    assert find_corners(border) == (0, 12, 13, 25)


def test_a_lone_corner_must_be_sharp() -> None:
    circle = ellipse_border(32)
    drop, blunt = circle.copy(), circle.copy()
    drop[0] += [0.5, 0, 0]
    blunt[0] += [0.06, 0, 0]
    assert find_corners(drop) == (0,)
    assert find_corners(blunt) == ()


def test_corners_where_three_faces_meet_outside_and_inward_ones_where_one_does() -> None:
    assert corners_from_faces(np.array([2, 3, 2, 4, 1])) == (1, 3)
    assert inward_corners_from_faces(np.array([2, 3, 2, 4, 1])) == (4,)
