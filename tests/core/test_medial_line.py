"""The middle line of a limb: from a place on the skin to the middle, along the limb, to where it opens; joints along it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from ringwright.core.medial_line import ball_middle, joints_along, march_from_tip
from support.creatures import tentacle_part
from support.reference_surface import ReferenceSurface
from support.shapes import capsule, hand, hand_chains, sphere


@pytest.fixture(scope="module")
def stick() -> ReferenceSurface:
    return ReferenceSurface(*capsule(radius=1.0, length=8.0))


def test_the_ball_in_a_sphere_is_the_sphere() -> None:
    ball = ReferenceSurface(*sphere(radius=2.0))
    assert np.linalg.norm(ball_middle(ball, np.array([1.2, -1.1, 1.3]))) < 0.05


@pytest.mark.parametrize("place", [(0.0, 0.0, 9.0), (0.3, 0.1, 8.95)])
def test_the_ball_at_a_dome_stands_in_its_middle(stick: ReferenceSurface, place: tuple[float, float, float]) -> None:
    assert np.linalg.norm(ball_middle(stick, np.array(place)) - [0, 0, 8]) < 0.15


def test_the_ball_at_a_tube_touches_its_axis(stick: ReferenceSurface) -> None:
    assert np.linalg.norm(ball_middle(stick, np.array([0.9, 0.2, 4.0]))[:2]) < 0.1


def test_a_tube_is_marched_along_its_axis(stick: ReferenceSurface) -> None:
    line = march_from_tip(stick, np.array([0.1, 0.0, 8.0]), np.array([0.0, 0.0, 1.0]), stops_at_trunk=False)
    assert not line.opened and np.linalg.norm(line.points[1:, :2], axis=1).max() < 0.02
    assert 0.5 < line.points[-1, 2] < 2.0 and np.allclose(line.radii[1:], 1.0, atol=0.02)


def test_a_curl_of_more_than_a_turn_is_followed() -> None:
    part = tentacle_part()
    line = march_from_tip(part.surface(), ball_middle(part.surface(), part.places["tip"]), part.joints["tentacle"][2], stops_at_trunk=False)
    own = part.joints["tentacle"]
    assert not line.opened and max(_off_chain(point, own) for point in line.points) < 0.1 and np.linalg.norm(line.points[-1] - own[2]) < 1.0


@pytest.mark.parametrize("name", ["index", "middle", "little", "thumb"])
def test_a_digit_ends_where_it_leaves_the_palm(name: str) -> None:
    surface, chain = ReferenceSurface(*hand()), hand_chains()[name]
    line = march_from_tip(surface, chain.joints[-1], np.zeros(3), stops_at_trunk=True)
    assert line.opened and max(_off_chain(point, chain.joints) for point in line.points) < 0.12
    root = np.linalg.norm(line.points[-1] - chain.joints[0])
    assert root < 0.55 * np.linalg.norm(chain.joints[-1] - chain.joints[0])


def _off_chain(point: np.ndarray, joints: np.ndarray) -> float:
    return min(_off(point, a, b) for a, b in pairwise(joints))


def _off(point: np.ndarray, start: np.ndarray, end: np.ndarray) -> float:
    share = np.clip((point - start) @ (end - start) / ((end - start) @ (end - start)), 0, 1)
    return float(np.linalg.norm(point - start - share * (end - start)))


def test_nothing_round_a_tip_gives_one_point(stick: ReferenceSurface) -> None:
    assert len(march_from_tip(stick, np.array([9.0, 0, 0]), np.zeros(3), stops_at_trunk=True).points) == 1


def test_a_straight_line_is_parted_by_the_usual_shares() -> None:
    joints = joints_along(np.array([[0, 0, 0], [0, 0, 10.0]]), np.array([5.0, 3.0, 2.0]), 0.5)
    assert np.abs(joints[:, 2] - [0, 5, 8, 10]).max() < 0.2


@pytest.mark.parametrize("bend", [4.0, 5.0, 6.5])
def test_a_bend_shows_where_the_joint_is(bend: float) -> None:
    line = np.array([[0, 0, 0], [0, 0, bend], [0, 10 - bend, bend]])
    joints = joints_along(line, np.array([1.0, 1.0]), 0.5)
    assert np.linalg.norm(joints[1] - line[1]) < 0.3
