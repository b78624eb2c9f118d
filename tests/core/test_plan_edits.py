"""Plans changed step by step stay plans that can be read."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.errors import PlanError
from ringwright.core.plan import Limb, LimbPlan, format_plan, read_plan
from ringwright.core.plan_edits import (
    add_fork,
    add_limb,
    add_socket,
    add_splice,
    change_limb,
    change_rows,
    change_webs,
    join_at_tip,
    remove_join,
    remove_limb,
    rename_limb,
    turn_limb,
)


def straight(name: str, x: float = 0.0, tip: str = "open") -> Limb:
    return Limb(name, np.array([[x, 0, 0], [x, 0, 1], [x, 0, 2.0]]), 8, None, 3, tip)


def hand() -> LimbPlan:
    plan = LimbPlan(())
    for name, x in (("b", 1.0), ("c", 2.0), ("a", 0.0)):
        plan = add_limb(plan, straight(name, x, "closed"))
    plan = add_limb(plan, Limb("palm", np.array([[1, 0, -2], [1, 0, -0.5]]), None, None, 3, "closed"))
    return add_fork(plan, "palm", ["b", "c", "a"])


def same(first: LimbPlan, second: LimbPlan) -> bool:
    return format_plan(first) == format_plan(second)


def test_fork_puts_branches_in_order_across_and_opens_the_trunk() -> None:
    plan = hand()
    assert plan.forks[0].branches in {("a", "b", "c"), ("c", "b", "a")}
    assert plan.limb("palm").tip == "open"
    assert same(read_plan(format_plan(plan)), plan)


def test_names_that_are_taken_get_a_number() -> None:
    plan = add_limb(add_limb(LimbPlan(()), straight("arm")), straight("arm"))
    assert [limb.name for limb in plan.limbs] == ["arm", "arm.2"]


def test_renaming_reaches_every_join() -> None:
    plan = rename_limb(rename_limb(hand(), "a", "thumb"), "palm", "fist")
    assert "thumb" in plan.forks[0].branches and plan.forks[0].trunk == "fist"
    assert same(rename_limb(rename_limb(plan, "thumb", "a"), "fist", "palm"), hand())


@pytest.mark.parametrize(("old", "new"), [("a", "b"), ("a", "  "), ("nobody", "x"), ("a", "two\nlines")])
def test_names_that_cannot_be_are_refused(old: str, new: str) -> None:
    with pytest.raises(PlanError):
        rename_limb(hand(), old, new)


def test_a_fork_outlives_one_of_three_branches_but_not_two() -> None:
    plan = remove_limb(hand(), "b")
    assert set(plan.forks[0].branches) == {"a", "c"}
    assert remove_limb(plan, "a").forks == ()
    assert remove_limb(hand(), "palm").forks == ()


def test_spans_that_no_longer_fit_are_left_to_be_chosen() -> None:
    plan = change_limb(add_limb(LimbPlan(()), straight("arm")), "arm", spans=(2, 3))
    assert plan.limb("arm").spans == (2, 3)
    longer = change_limb(plan, "arm", joints=np.array([[0, 0, float(z)] for z in range(5)]))
    assert longer.limb("arm").spans is None


def test_too_few_sides_for_the_webs_are_refused() -> None:
    with pytest.raises(PlanError, match="web"):
        change_limb(change_webs(hand(), 0, 3), "b", sides=4)


def test_turning_changes_ends_and_is_refused_where_joined() -> None:
    plan = add_limb(hand(), Limb("free", np.array([[9, 0, 0], [9, 0, 1], [9, 0, 3.0]]), 8, (1, 2)))
    turned = turn_limb(plan, "free").limb("free")
    assert turned.spans == (2, 1) and turned.joints[0].tolist() == [9, 0, 3]
    with pytest.raises(PlanError, match="joined"):
        turn_limb(plan, "a")


def test_a_second_limb_at_a_tip_makes_a_fork_out_of_a_splice() -> None:
    plan = LimbPlan(())
    for name, x in (("arm", 1.0), ("left", 0.0), ("right", 2.0), ("middle", 1.2)):
        plan = add_limb(plan, straight(name, x))
    spliced = join_at_tip(plan, "arm", "left")
    assert len(spliced.splices) == 1
    forked = join_at_tip(spliced, "arm", "right")
    assert not forked.splices and set(forked.forks[0].branches) == {"left", "right"}
    three = join_at_tip(forked, "arm", "middle")
    assert three.forks[0].branches[1] == "middle"


def test_joins_go_and_their_options_change() -> None:
    plan = add_splice(add_limb(hand(), straight("arm", 5)), "palm", "arm")
    plan = add_socket(add_limb(plan, straight("thumb", 6)), "palm", "thumb")
    assert change_rows(plan, 0, 4).splices[0].rows == 4
    assert change_webs(plan, 0, 2).forks[0].webs == (2, 2)
    assert not remove_join(plan, "socket", 0).sockets
    assert not remove_join(plan, "splice", 0).splices
    with pytest.raises(PlanError, match="no fork number 2"):
        remove_join(plan, "fork", 1)
    with pytest.raises(PlanError, match="used twice"):
        add_socket(plan, "palm", "thumb")
