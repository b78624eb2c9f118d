"""Ends of spliced limbs: brought to one point, or bridged by a bone."""

from __future__ import annotations

import numpy as np

from ringwright.core.joined import ENDS_FREE, continuation, join_ends
from ringwright.core.plan import Limb, LimbPlan, Splice


def plan_with_gap(gap: float, *, spans: tuple[int, ...] | None = None, rows: int | None = None) -> LimbPlan:
    lower = Limb("lower", np.array([[0.0, 0, 0], [0, 0, 4]]), spans=spans)
    upper = Limb("upper", np.array([[0.0, 0, 4 + gap], [3, 0, 4 + gap]]))
    return LimbPlan((lower, upper), splices=(Splice("upper", "lower", rows),))


def test_ends_at_one_point_stay() -> None:
    plan = plan_with_gap(0)
    joined = join_ends(plan)
    for limb, other in zip(plan.limbs, joined.limbs, strict=True):
        np.testing.assert_array_equal(limb.joints, other.joints)


def test_near_ends_meet_in_their_middle() -> None:
    joined = join_ends(plan_with_gap(0.6))
    np.testing.assert_allclose(joined.limb("lower").joints, [[0, 0, 0], [0, 0, 4.3]])
    np.testing.assert_allclose(joined.limb("upper").joints, [[0, 0, 4.3], [3, 0, 4.6]])


def test_a_gap_becomes_a_bone_of_the_lower_limb() -> None:
    joined = join_ends(plan_with_gap(2, spans=(8,)))
    np.testing.assert_allclose(joined.limb("lower").joints, [[0, 0, 0], [0, 0, 4], [0, 0, 6]])
    assert joined.limb("lower").spans == (8, 4)  # rows of half a unit, like the bone before
    assert join_ends(plan_with_gap(2)).limb("lower").spans is None
    assert join_ends(plan_with_gap(2, spans=(8,), rows=3)).limb("lower").spans == (8, 3)


def test_a_line_goes_on_through_its_splice() -> None:
    plan = join_ends(plan_with_gap(0))
    upper, lower = continuation(plan, "upper"), continuation(plan, "lower")
    assert upper.after_tip is None and lower.before_root is None
    assert upper.before_root is not None and lower.after_tip is not None
    np.testing.assert_array_equal(upper.before_root, [0, 0, 1])
    np.testing.assert_array_equal(lower.after_tip, [1, 0, 0])
    assert continuation(LimbPlan(plan.limbs), "upper") == ENDS_FREE
