"""A limb while it is being drawn."""

from __future__ import annotations

import numpy as np

from ringwright.core.limb_draft import (
    LimbDraft,
    draft_of,
    drawn_plan,
    place_on_limb,
    with_inserted_joint,
    with_joined_joint,
    with_joint,
    with_more_sides,
    with_more_spans,
    with_moved_joint,
    with_next_mirror,
    without_joint,
)
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.plan_edits import add_limb

POINTS = np.array([[0, 0, 0], [0, 0, 1], [0, 0, 2.0]])


def draft() -> LimbDraft:
    made = LimbDraft()
    for point in POINTS:
        made = with_joint(made, point)
    return made


def test_joints_are_added_moved_inserted_and_deleted() -> None:
    assert draft().points.tolist() == POINTS.tolist()
    assert with_moved_joint(draft(), 1, np.array([5, 5, 5])).points[1].tolist() == [5, 5, 5]
    inserted = with_inserted_joint(draft(), 1, np.array([0, 0, 1.5]))
    assert inserted.points[:, 2].tolist() == [0, 1, 1.5, 2]
    assert without_joint(inserted, 2) == draft()


def test_sides_stay_even_and_in_their_range() -> None:
    assert with_more_sides(draft(), 1).sides == 10
    assert with_more_sides(LimbDraft(sides=None), 1).sides == 10
    assert with_more_sides(draft(), -9).sides == 4
    assert with_more_sides(draft(), 99).sides == 64


def test_spans_begin_at_what_is_shown_and_end_in_being_chosen() -> None:
    assert with_more_spans(draft(), 1, 4).spans == 5
    assert with_more_spans(LimbDraft(spans=1), -1, 4).spans is None


def test_a_draft_becomes_a_limb_of_the_plan_joined_where_it_began() -> None:
    plan = add_limb(LimbPlan(()), Limb("arm", POINTS - [0, 0, 2], 12))
    tip = drawn_plan(plan, LimbDraft(draft().joints, 8, 2, 3, True, root_tip_of="arm"), "limb", new=True)
    assert tip.limb("limb").spans == (2, 2) and tip.limb("limb").tip == "closed"
    assert tip.splices[0].upper == "limb" and tip.splices[0].lower == "arm"
    side = drawn_plan(plan, LimbDraft(draft().joints, root_side_of="arm"), "limb", new=True)
    assert side.sockets[0].branch == "limb"
    under = drawn_plan(plan, LimbDraft(draft().joints, closed=True, tip_root_of="arm"), "limb", new=True)
    assert under.splices[0].upper == "arm" and under.limb("limb").tip == "open"


def test_a_limb_of_the_plan_is_drawn_anew_in_its_place() -> None:
    plan = add_limb(LimbPlan(()), Limb("arm", POINTS, 12, (2, 2)))
    first = draft_of(plan.limb("arm"))
    assert (first.sides, first.spans) == (12, 2)
    again = drawn_plan(plan, with_moved_joint(first, 0, np.array([1, 0, 0])), "arm", new=False)
    assert len(again.limbs) == 1 and again.limb("arm").joints[0].tolist() == [1, 0, 0]


def test_a_limb_drawn_towards_another_ones_tip_is_drawn_from_its_own_tip() -> None:
    palm = add_limb(LimbPlan(()), Limb("palm", POINTS - [0, 0, 2], 12))
    finger = with_joined_joint(with_joint(LimbDraft(), POINTS[1]), POINTS[0], "palm", "tip")
    assert finger.from_tip and finger.root == 1
    plan = drawn_plan(palm, finger, "finger", new=True)
    assert plan.limb("finger").joints.tolist() == POINTS[:2].tolist()
    assert (plan.splices[0].upper, plan.splices[0].lower) == ("finger", "palm")
    forearm = with_joint(with_joined_joint(LimbDraft(closed=True), POINTS[0] - [0, 0, 2], "palm", "root"), POINTS[0] - [0, 0, 3])
    plan = drawn_plan(plan, forearm, "forearm", new=True)
    assert plan.limb("forearm").joints[:, 2].tolist() == [-3, -2]
    assert (plan.splices[1].upper, plan.splices[1].lower) == ("palm", "forearm")


def test_ends_that_do_not_fit_together_are_not_joined() -> None:
    joined = with_joined_joint(LimbDraft(), POINTS[0], "palm", "side")
    assert joined.root_side_of == "palm" and not joined.from_tip
    both = with_joined_joint(joined, POINTS[1], "arm", "tip")
    assert not both.root_tip_of and both.root_side_of == "palm"
    passing = with_joined_joint(with_joint(LimbDraft(), POINTS[0]), POINTS[1], "arm", "side")
    assert passing == with_joint(with_joint(LimbDraft(), POINTS[0]), POINTS[1])


def test_an_end_that_is_deleted_takes_its_join_along() -> None:
    turned = with_joined_joint(with_joint(LimbDraft(), POINTS[1]), POINTS[0], "palm", "tip")
    assert without_joint(turned, 0).root_tip_of == "palm" and without_joint(turned, 1).root_tip_of == ""


def test_the_mirror_plane_goes_round_and_comes_into_the_plan() -> None:
    once = with_next_mirror(draft())
    assert [once.mirror, with_next_mirror(with_next_mirror(with_next_mirror(once))).mirror] == ["x", None]
    assert drawn_plan(LimbPlan(()), once, "limb", new=True).symmetry == "x"


def test_spans_that_differ_from_bone_to_bone_stay_when_joints_are_moved() -> None:
    plan = add_limb(LimbPlan(()), Limb("arm", POINTS, 12, (2, 3)))
    moved = with_moved_joint(draft_of(plan.limb("arm")), 0, np.array([1, 0, 0]))
    assert drawn_plan(plan, moved, "arm", new=False).limb("arm").spans == (2, 3)
    assert drawn_plan(plan, with_more_spans(moved, 1, 2), "arm", new=False).limb("arm").spans == (3, 3)


def test_places_on_a_limb() -> None:
    limb = Limb("arm", POINTS)
    assert [place_on_limb(limb, along) for along in (0.0, 0.5, 1.0)] == ["root", "side", "tip"]
