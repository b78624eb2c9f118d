"""Limbs side by side: how deep the cleft between them reaches, whose flesh is whose, and first rings that lean."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.clefts import cleft_length, grown_together, joint_tube, nearest_on, shared_out
from ringwright.core.measure import measure_limb
from ringwright.core.plan import Limb
from ringwright.core.polymesh import FloatArray
from ringwright.core.section import Tube, directions_at, even_angles
from support.creatures import grown
from support.reference_surface import ReferenceSurface
from support.shapes import LimbChain, capsule
from support.wide_creatures import wide_fork

UP = np.array([0.0, 0.0, 1.0])


def upright(x: float, low: float, high: float) -> FloatArray:
    return np.array([[x, 0.0, low], [x, 0, 0.5 * (low + high)], [x, 0, high]])


@pytest.fixture(scope="module")
def two_clefts() -> ReferenceSurface:
    """Three upright fingers of radius 0.5 on a palm below z = 0: flesh fills the left gap up to z = 2, the right one only to z = 0."""
    chains = {name: LimbChain(upright(x, 0.0, 5.0), np.full(3, 0.5)) for name, x in (("left", -1.3), ("middle", 0.0), ("right", 1.3))}
    chains |= {f"palm {x}": LimbChain(upright(x, -3.0, -0.5), np.full(3, 0.5)) for x in (-1.3, -0.65, 0.0, 0.65, 1.3)}
    chains["fill"] = LimbChain(upright(-0.65, 0.0, 1.5), np.full(3, 0.5))
    return ReferenceSurface(*grown(chains, 0.05, 110))


def test_the_nearest_place_on_a_line() -> None:
    tube = Tube(np.array([[0.0, 0, 0], [0, 0, 2], [2, 0, 2]]), np.array([1.0, 3.0, 5.0]))
    near = nearest_on(np.array([[1.0, 0, 0.5], [1, 1, 2], [0, 0, -3], [3, 0, 2]]), tube)
    np.testing.assert_allclose(near.points, [[0, 0, 0.5], [1, 0, 2], [0, 0, 0], [2, 0, 2]])
    np.testing.assert_allclose(near.radii, [1.5, 4, 1, 5])
    np.testing.assert_allclose(near.directions, [[0, 0, 1], [1, 0, 0], [0, 0, 1], [1, 0, 0]])


def test_a_limb_knows_its_thickness_from_the_balls_inside_it() -> None:
    surface = ReferenceSurface(*capsule(1.0, 8.0, 64, 64))
    np.testing.assert_allclose(joint_tube(upright(0.0, 0.0, 8.0), surface).radii, 1.0, atol=0.01)


def test_limbs_that_begin_at_one_joint_are_grown_together_there(two_clefts: ReferenceSurface) -> None:
    """No way leads from a point to itself, and no ray may be cast without a direction."""
    tube = joint_tube(upright(0.0, -2.0, 5.0), two_clefts)
    assert grown_together(upright(0.0, -2.0, 5.0)[:1], UP[None], tube, two_clefts).all()


def test_limbs_are_grown_together_below_their_cleft(two_clefts: ReferenceSurface) -> None:
    line = np.linspace([0.0, 0, -2], [0.0, 0, 4], 241)
    tangents = np.tile(UP, (241, 1))
    for x, cleft in ((-1.3, 2.0), (1.3, 0.0)):
        tube = joint_tube(upright(x, -2.0, 5.0), two_clefts)
        together = grown_together(line, tangents, tube, two_clefts)
        assert together[line[:, 2] < cleft - 0.15].all() and not together[line[:, 2] > cleft + 0.15].any()
        found = cleft_length(line, line[:, 2], tube, two_clefts)
        assert found == pytest.approx(cleft, abs=0.15)
        assert cleft_length(line[::40], line[::40, 2], tube, two_clefts) == pytest.approx(found, abs=0.02)


def test_limbs_apart_have_their_cleft_where_the_line_begins() -> None:
    surface = ReferenceSurface(*capsule(1.0, 8.0, 32, 32))
    line = upright(0.0, 1.0, 7.0)
    assert cleft_length(line, np.array([0.5, 3.5, 6.5]), Tube(line + [5.0, 0, 0], np.ones(3)), surface) == 0.5


def test_grown_together_flesh_is_shared_out_halfway(two_clefts: ReferenceSurface) -> None:
    """Between equal limbs the border is the plane halfway; where they stand apart the skin alone counts."""
    heights = np.array([1.0, 3.5])
    centres, tangents = np.outer(heights, UP), np.tile(UP, (2, 1))
    angles = even_angles(2)
    directions = directions_at(tangents, np.tile([1.0, 0, 0], (2, 1)), angles)
    profiles = np.full(angles.shape, 10.0)
    shared = shared_out(profiles, centres, tangents, directions, joint_tube(upright(-1.3, -2.0, 5.0), two_clefts), two_clefts)
    toward = directions[0, :, 0] < -0.5
    np.testing.assert_allclose(shared[0, toward] * directions[0, toward, 0], -0.65, atol=0.03)
    np.testing.assert_array_equal(shared[1], profiles[1])


def test_a_first_ring_leans_from_the_higher_cleft_toward_the_lower(two_clefts: ReferenceSurface) -> None:
    beside = [joint_tube(upright(x, -2.0, 5.0), two_clefts) for x in (1.3, -1.3)]
    limb = Limb("middle", upright(0.0, -2.0, 5.0), tip="closed")
    measure = measure_limb(limb, two_clefts, leaves_trunk=True, open_root=False, beside=beside)
    middle = measure.centres[0]
    at_left, at_right = middle[2] - 0.5 * measure.lean[0], middle[2] + 0.5 * measure.lean[0]
    assert at_left == pytest.approx(2.0, abs=0.25)
    assert 0.0 < at_right < 0.7  # a web reaches the rest of the way down
    np.testing.assert_allclose(measure.lean[1:], 0.0, atol=0.1)
    np.testing.assert_allclose(measure.radii[2:20], 0.5, atol=0.12)


@pytest.mark.parametrize("degrees", [30, 60, 80])
def test_limbs_that_part_widely_are_grown_together_only_near_their_crotch(degrees: float) -> None:
    """The crotch of two round limbs that part by twice an angle lies their radius over its sine up, and its cosine of that along each;
    here the trunk's round end of radius 1 may fill it."""
    plan, shape = wide_fork(degrees)
    surface = ReferenceSurface(*shape)
    line = np.linspace(0.0, 1.0, 201)[:, None] * plan.limb("left").joints[-1]
    lengths = np.linalg.norm(line, axis=1)
    cleft = cleft_length(line, lengths, joint_tube(plan.limb("right").joints, surface), surface)
    sharp = 0.65 / np.tan(np.radians(degrees))
    assert sharp < cleft < max(sharp, 1.0) + 0.4  # the flesh between is rounded out
