"""A limb while it is being drawn: every step gives a new draft, so that steps can be taken back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .plan import DEFAULT_JOINT_LOOPS, PLANES, SIDES_RANGE, SPANS_RANGE, Limb, LimbPlan
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

    joints : in the order of the clicks
    from_tip : they run from the tip to the root, not from the root to the tip
    sides, spans : None leaves them to be chosen
    mirror : "x", "y", "z" or None; the plane across which the whole cage is mirrored
    root_tip_of : limb whose tip end this one's root joins, or empty
    root_side_of : limb whose side this one's root leaves, or empty
    tip_root_of : limb whose root end this one's tip joins, or empty
    """

    joints: tuple[Point, ...] = ()
    sides: int | None = FIRST_SIDES
    spans: int | None = None
    joint_loops: int = DEFAULT_JOINT_LOOPS
    closed: bool = False
    mirror: str | None = None
    from_tip: bool = False
    root_tip_of: str = ""
    root_side_of: str = ""
    tip_root_of: str = ""

    @property
    def points(self) -> FloatArray:
        """The joints, (k, 3) float64."""
        return np.array(self.joints, dtype=np.float64).reshape(-1, 3)

    @property
    def root(self) -> int:
        """Which of the joints is the root, 0 or the last; -1 without joints."""
        return len(self.joints) - 1 if self.from_tip else min(len(self.joints) - 1, 0)


def draft_of(limb: Limb, mirror: str | None = None) -> LimbDraft:
    """A draft that begins as a limb of the plan; spans that differ from bone to bone are left to be chosen."""
    spans = limb.spans[0] if limb.spans and len(set(limb.spans)) == 1 else None
    joints = tuple(_point(joint) for joint in limb.joints)
    return LimbDraft(joints, limb.sides, spans, limb.joint_loops, limb.tip == "closed", mirror)


def with_joint(draft: LimbDraft, point: FloatArray) -> LimbDraft:
    """One more joint behind the last."""
    return replace(draft, joints=(*draft.joints, _point(point)))


def with_joined_joint(draft: LimbDraft, point: FloatArray, name: str, part: str) -> LimbDraft:
    """One more joint behind the last, which joins the draft to another limb where the two fit together.

    name : of the other limb; empty for none
    part : of the other limb, "tip", "root" or "side"
    A tip goes on in a root, and a root leaves a tip or a side: a limb that begins at a root, or ends at a tip, is drawn
    from its tip.
    """
    drawn, part = with_joint(draft, point), fitting_part(draft, part) if name else ""
    if not part:
        return drawn
    if part == "root":
        return replace(drawn, tip_root_of=name, from_tip=drawn.from_tip or not draft.joints)
    turned = bool(draft.joints)
    return replace(drawn, root_tip_of=name if part == "tip" else "", root_side_of=name if part == "side" else "", from_tip=turned)


def fitting_part(draft: LimbDraft, part: str) -> str:
    """The part of another limb where the next joint would join it; empty where the two do not fit together there."""
    if not draft.joints:
        return part
    if draft.from_tip:
        return part if part in {"tip", "side"} else ""
    if part == "root":
        return part
    return part if part == "tip" and not (draft.root_tip_of or draft.root_side_of) else ""


def with_moved_joint(draft: LimbDraft, index: int, point: FloatArray) -> LimbDraft:
    """A joint in another place."""
    return replace(draft, joints=(*draft.joints[:index], _point(point), *draft.joints[index + 1 :]))


def with_inserted_joint(draft: LimbDraft, bone: int, point: FloatArray) -> LimbDraft:
    """One more joint in a bone, counted from 0."""
    return replace(draft, joints=(*draft.joints[: bone + 1], _point(point), *draft.joints[bone + 1 :]))


def without_joint(draft: LimbDraft, index: int) -> LimbDraft:
    """One joint fewer; a join at an end that goes is given up."""
    fewer = replace(draft, joints=(*draft.joints[:index], *draft.joints[index + 1 :]))
    if index == draft.root:
        return replace(fewer, root_tip_of="", root_side_of="")
    tip = 0 if draft.from_tip else len(draft.joints) - 1
    return replace(fewer, tip_root_of="") if index == tip else fewer


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


def with_next_mirror(draft: LimbDraft) -> LimbDraft:
    """The next mirror plane: none, x, y, z, and none again."""
    planes = (None, *PLANES)
    return replace(draft, mirror=planes[(planes.index(draft.mirror) + 1) % len(planes)])


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
    plan = replace(plan, symmetry=draft.mirror)
    if draft.from_tip:
        draft = replace(draft, joints=draft.joints[::-1], from_tip=False)
    if not new:
        limb = plan.limb(name)
        spans = limb.spans if draft.spans == draft_of(limb).spans else _spans(draft)
        return change_limb(plan, name, joints=draft.points, sides=draft.sides, spans=spans, joint_loops=draft.joint_loops,
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
