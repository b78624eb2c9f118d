"""A limb while it is being drawn: every step gives a new draft, so that steps can be taken back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .plan import DEFAULT_JOINT_LOOPS, SIDES_RANGE, SPANS_RANGE, Limb, LimbPlan
from .plan_edits import add_limb, add_socket, add_splice, change_limb, free_name, join_at_tip
from .polymesh import FloatArray

Point = tuple[float, float, float]
FIRST_SIDES = 8
"""Where the sides begin when the wheel turns and they were left to be chosen."""
NEAR_TIP = 0.85
NEAR_ROOT = 0.15
"""Shares of a limb's length behind which a place counts as its tip end, before which as its root end."""


@dataclass(frozen=True)
class LimbDraft:
    """What has been drawn so far.

    joints : from the root to the tip
    sides, spans : None leaves them to be chosen
    root_tip_of : limb whose tip end this one's root joins, or empty
    root_side_of : limb whose side this one's root leaves, or empty
    tip_root_of : limb whose root end this one's tip joins, or empty
    """

    joints: tuple[Point, ...] = ()
    sides: int | None = FIRST_SIDES
    spans: int | None = None
    joint_loops: int = DEFAULT_JOINT_LOOPS
    closed: bool = False
    root_tip_of: str = ""
    root_side_of: str = ""
    tip_root_of: str = ""

    @property
    def points(self) -> FloatArray:
        """The joints, (k, 3) float64."""
        return np.array(self.joints, dtype=np.float64).reshape(-1, 3)


def draft_of(limb: Limb) -> LimbDraft:
    """A draft that begins as a limb of the plan; spans that differ from bone to bone are left to be chosen."""
    spans = limb.spans[0] if limb.spans and len(set(limb.spans)) == 1 else None
    joints = tuple(_point(joint) for joint in limb.joints)
    return LimbDraft(joints, limb.sides, spans, limb.joint_loops, limb.tip == "closed")


def with_joint(draft: LimbDraft, point: FloatArray) -> LimbDraft:
    """One more joint behind the last."""
    return replace(draft, joints=(*draft.joints, _point(point)))


def with_moved_joint(draft: LimbDraft, index: int, point: FloatArray) -> LimbDraft:
    """A joint in another place."""
    return replace(draft, joints=(*draft.joints[:index], _point(point), *draft.joints[index + 1 :]))


def with_inserted_joint(draft: LimbDraft, bone: int, point: FloatArray) -> LimbDraft:
    """One more joint in a bone, counted from 0."""
    return replace(draft, joints=(*draft.joints[: bone + 1], _point(point), *draft.joints[bone + 1 :]))


def without_joint(draft: LimbDraft, index: int) -> LimbDraft:
    """One joint fewer; a join at an end that goes is given up."""
    joints = (*draft.joints[:index], *draft.joints[index + 1 :])
    if index == 0:
        return replace(draft, joints=joints, root_tip_of="", root_side_of="")
    return replace(draft, joints=joints, tip_root_of="" if index == len(draft.joints) - 1 else draft.tip_root_of)


def with_more_sides(draft: LimbDraft, steps: int) -> LimbDraft:
    """Two sides more for every step, or fewer."""
    sides = (draft.sides or FIRST_SIDES) + 2 * steps
    return replace(draft, sides=min(max(sides, SIDES_RANGE[0]), SIDES_RANGE[1]))


def with_more_spans(draft: LimbDraft, steps: int, shown: int) -> LimbDraft:
    """One span more for every step, or fewer; under one leaves them to be chosen.

    shown : spans that the preview chose, where the draft leaves them to be chosen
    """
    spans = (draft.spans or shown) + steps
    return replace(draft, spans=None if spans < SPANS_RANGE[0] else min(spans, SPANS_RANGE[1]))


def place_on_limb(limb: Limb, along: float) -> str:
    """What a place on a limb means for another limb that begins or ends there: "tip", "root" or "side".

    along : 0 at the root to 1 at the tip
    """
    return "tip" if along >= NEAR_TIP else "root" if along <= NEAR_ROOT else "side"


def drawn_plan(plan: LimbPlan, draft: LimbDraft, name: str, *, new: bool) -> LimbPlan:
    """The plan with the draft in it, joined where it was drawn from or to another limb.

    name : of the new limb, or of the one that is changed
    Raises PlanError where a join is not possible.
    """
    if not new:
        return change_limb(plan, name, joints=draft.points, sides=draft.sides, spans=_spans(draft),
                           tip="closed" if draft.closed and plan.tip_join(name) is None else "open")
    name = free_name(plan, name)
    closed = draft.closed and not draft.tip_root_of
    plan = add_limb(plan, Limb(name, draft.points, draft.sides, _spans(draft), draft.joint_loops, "closed" if closed else "open"))
    if draft.root_tip_of:
        plan = join_at_tip(plan, draft.root_tip_of, name)
    elif draft.root_side_of:
        plan = add_socket(plan, draft.root_side_of, name)
    if draft.tip_root_of:
        plan = add_splice(plan, draft.tip_root_of, name)
    return plan


def _spans(draft: LimbDraft) -> tuple[int, ...] | None:
    return None if draft.spans is None else (draft.spans,) * (len(draft.joints) - 1)


def _point(point: FloatArray) -> Point:
    return float(point[0]), float(point[1]), float(point[2])
