"""Bring the ends of spliced limbs to one point, so that a chain of limbs is one line of joints."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .frames import unit
from .plan import Limb, LimbPlan, Splice
from .polymesh import FloatArray

NEAR_ENDS = 0.25
"""Ends nearer than this share of the shorter neighbouring bone are one joint; farther ones get a bone between them."""


@dataclass(frozen=True)
class Continuation:
    """Directions, root to tip, in which the line goes on past a limb's ends, (3,) float64 or None where it ends."""

    before_root: FloatArray | None
    after_tip: FloatArray | None


ENDS_FREE = Continuation(None, None)
"""A limb whose line ends at both of its ends."""


def join_ends(plan: LimbPlan) -> LimbPlan:
    """The plan with every splice's two ends at one point.

    Ends that lie close move to their middle; where there is a gap, the lower limb grows by one bone across it.
    """
    for splice in plan.splices:
        lower, upper = plan.limb(splice.lower), plan.limb(splice.upper)
        plan = _replaced(plan, *_joined(splice, lower, upper))
    return plan


def _joined(splice: Splice, lower: Limb, upper: Limb) -> tuple[Limb, Limb]:
    gap = float(np.linalg.norm(upper.joints[0] - lower.joints[-1]))
    if gap == 0:
        return lower, upper
    last, first = lower.joints[-1] - lower.joints[-2], upper.joints[1] - upper.joints[0]
    if gap <= NEAR_ENDS * min(float(np.linalg.norm(last)), float(np.linalg.norm(first))):
        middle = 0.5 * (lower.joints[-1] + upper.joints[0])
        return (replace(lower, joints=np.concatenate([lower.joints[:-1], middle[None]])),
                replace(upper, joints=np.concatenate([middle[None], upper.joints[1:]])))
    spans = lower.spans
    if spans is not None:
        row = float(np.linalg.norm(last)) / spans[-1]
        spans = (*spans, splice.rows or max(1, round(gap / row)))
    return replace(lower, joints=np.concatenate([lower.joints, upper.joints[:1]]), spans=spans), upper


def _replaced(plan: LimbPlan, *limbs: Limb) -> LimbPlan:
    by_name = {limb.name: limb for limb in limbs}
    return replace(plan, limbs=tuple(by_name.get(limb.name, limb) for limb in plan.limbs))


def continuation(plan: LimbPlan, name: str) -> Continuation:
    """How a limb's line goes on through its splices."""
    root_join, tip_join = plan.root_join(name), plan.tip_join(name)
    before = after = None
    if isinstance(root_join, Splice):
        joints = plan.limb(root_join.lower).joints
        before = unit(joints[-1] - joints[-2])
    if isinstance(tip_join, Splice):
        joints = plan.limb(tip_join.upper).joints
        after = unit(joints[1] - joints[0])
    return Continuation(before, after)
