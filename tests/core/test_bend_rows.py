"""Rows where a limb bends: they add up, stand closer there, and keep a bent tube's volume."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringwright.core.bend_rows import (
    BEND_ROWS,
    BLEND_SHARE,
    MOST_CLOSER,
    NO_BEND,
    NO_TURN,
    Bend,
    JointTurn,
    bend_rows,
    bend_steps,
    blend_share,
    root_rows_share,
    rows_with_bends,
)
from ringwright.core.flex import flex_test, skinned
from ringwright.core.joint_motion import JOINT_RANGES, JointRange
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.skeleton import skeleton_of
from support.tubes import tube


@pytest.mark.parametrize(("rows", "root", "tip"), [(8, 1, 1), (5, 2, 0), (3, 1, 1), (1, 0, 0), (2, 1, 1), (1, 4, 4)])
def test_a_bones_steps_add_up(rows: int, root: int, tip: int) -> None:
    steps = bend_steps(rows, 5.0, (NO_BEND, NO_BEND), (root, tip))
    assert steps.shape == (rows,) and steps.sum() == pytest.approx(1) and (steps > 0).all()
    assert np.ptp(steps) == pytest.approx(0) if root + tip >= rows else steps.argmax() in range(root, rows - tip)


REACHES = st.just(0.0) | st.floats(0.01, 0.45)


@given(st.integers(1, 40), REACHES, REACHES, st.floats(0.5, 6.0), st.floats(1e-3, 1e3))
def test_rows_hold_their_bends_and_are_as_many_as_asked(rows: int, root: float, tip: float, least: float, length: float) -> None:
    bends = (Bend(root * length, least if root else 0.0), Bend(tip * length, least if tip else 0.0))
    steps = bend_steps(rows, length, bends)
    assert steps.shape == (rows,) and steps.sum() == pytest.approx(1) and (steps > 0).all()
    if rows > bends[0].rows + bends[1].rows + 0.5:
        held = [np.floor(min(bend.rows, MOST_CLOSER * bend.reach / (steps.max() * length))) for bend in bends]
        ends = np.cumsum(steps)
        assert np.count_nonzero(ends <= root + 1e-9) >= held[0] - 1
        assert np.count_nonzero(np.append(0.0, ends[:-1]) >= 1 - tip - 1e-9) >= held[1] - 1


def test_two_blends_share_a_bone_and_one_keeps_clear_of_its_end() -> None:
    assert blend_share(100.0, 2.0, 3.0) == 1.0 and blend_share(100.0, 2.0, 0.0) == 1.0
    assert blend_share(3.0, 4.0, 2.0) == 0.5  # six are wanted of three: either takes half of its own
    assert 2.0 * blend_share(3.0, 2.0, 0.0) == pytest.approx(3.0 * BLEND_SHARE)


def test_a_joint_that_bends_farther_takes_more_rows() -> None:
    assert bend_rows(JointTurn(90.0, 0.0)) == BEND_ROWS and bend_rows(NO_TURN) == 0.0
    assert np.all(np.diff([bend_rows(JointTurn(turn, 0.0)) for turn in (10.0, 40.0, 90.0, 145.0)]) > 0)
    assert np.all(np.diff([bend_rows(JointTurn(120.0, rest)) for rest in (0.0, 30.0, 60.0, 90.0)]) > 0)


def test_a_fork_whose_branches_bend_little_needs_fewer_rows() -> None:
    shares = [root_rows_share(JointTurn(turn, 0.0)) for turn in (0.0, 30.0, 60.0, 90.0, 110.0)]
    assert shares[0] == 0.0 and shares[3:] == [1.0, 1.0] and np.all(np.diff(shares[:4]) > 0)


def test_long_rows_give_way_to_a_bend_and_short_ones_are_left_alone() -> None:
    bend = Bend(2.0, 4.0)
    assert rows_with_bends(10.0, 1.0, (NO_BEND, bend)) == pytest.approx(8.0 + 4.0)
    assert rows_with_bends(10.0, 0.25, (bend, bend)) == pytest.approx(40.0)


def test_rows_in_a_bend_are_not_too_unlike_the_others() -> None:
    crowded = Bend(2.0, 400.0)
    assert rows_with_bends(10.0, 1.0, (NO_BEND, crowded)) == pytest.approx(8.0 + 2.0 * MOST_CLOSER)
    steps = bend_steps(12, 10.0, (NO_BEND, crowded))
    assert steps.max() / steps.min() == pytest.approx(MOST_CLOSER, rel=1e-3)


def test_rows_closer_in_the_bend_keep_more_volume_with_as_many_quads() -> None:
    """A tube of fourteen rows bent by 63 degrees: the same rows, even and closer where it bends."""
    kept = []
    for bends in ((NO_BEND, NO_BEND), (NO_BEND, Bend(1.7, 4.0))):
        half = np.cumsum(bend_steps(7, 6.0, bends)) * 6.0
        heights = np.concatenate([[0.0], half, 12.0 - half[-2::-1], [12.0]])
        mesh = tube(16, len(heights))
        positions = mesh.positions.copy()
        positions[:, 2] = np.repeat(heights, 16)
        plan = LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 6], [0, 0, 12]])),))
        cage = skinned(mesh.with_positions(positions), skeleton_of(plan))
        kept.append(flex_test(cage, {**JOINT_RANGES, "other": JointRange(63)}).joints[0].motions[0].volume_kept)
    assert kept[1] > kept[0] + 0.01
