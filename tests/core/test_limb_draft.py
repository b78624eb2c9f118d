"""A limb while it is being drawn."""

from __future__ import annotations

import numpy as np

from ringwright.core.limb_draft import (
    LimbDraft,
    draft_of,
    drawn_plan,
    place_on_limb,
    with_inserted_joint,
    with_joint,
    with_more_sides,
    with_more_spans,
    with_moved_joint,
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


def test_places_on_a_limb() -> None:
    limb = Limb("arm", POINTS)
    assert [place_on_limb(limb, along) for along in (0.0, 0.5, 1.0)] == ["root", "side", "tip"]
