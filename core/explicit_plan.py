"""A plan of which one count can be changed while all others stay.

Under a budget the counts that a plan gives are upper bounds, so a row more is never laid, and a row fewer lays all others anew: there
every count of the cage is written down. Without a budget every limb has its own counts anyway.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from .counts import CountPlan, LimbCounts
from .mirror import AXES
from .plan import Limb, LimbPlan, Splice
from .polymesh import FloatArray
from .two_sided import is_two_sided, limb_images


def explicit_plan(plan: LimbPlan, counts: CountPlan) -> LimbPlan:
    """The plan with the sides, spans, webs and step-down rows of its cage in place of its budget; the plan itself where it has none."""
    if plan.quad_budget is None:
        return plan
    limbs = tuple(replace(limb, sides=body_sides(counts.limbs[limb.name]), spans=all_spans(limb, counts)) for limb in plan.limbs)
    forks = tuple(replace(fork, webs=webs) for fork, webs in zip(plan.forks, counts.webs, strict=True))
    splices = tuple(replace(splice, rows=step_rows(counts, splice) or splice.rows) for splice in plan.splices)
    return replace(plan, limbs=limbs, forks=forks, splices=splices, quad_budget=None)


def body_sides(counts: LimbCounts) -> int:
    """Sides of a limb between the step-downs at its ends."""
    return int(np.bincount(counts.rings).argmax())


def all_spans(limb: Limb, counts: CountPlan) -> tuple[int, ...]:
    """Rows of every bone of a limb; of bones that lie inside the trunk 1."""
    spans = tuple(map(int, counts.limbs[limb.name].spans))
    bones = len(limb.joints) - 1
    return (*(1,) * (bones - len(spans)), *spans[:bones])


def step_rows(counts: CountPlan, splice: Splice) -> int:
    """Rows over which a splice's step-downs are spread; 0 where there are none."""
    at_tip = [len(step.starts) for step in counts.limbs[splice.lower].step_rows]
    at_root = [len(step.starts) for step in counts.limbs[splice.upper].step_rows]
    return max((at_tip or at_root)[-1:] or [0])


def with_limbs(plan: LimbPlan, changed: Mapping[str, Limb]) -> LimbPlan:
    """The plan with some limbs changed, and their images on the other side of a two-sided plan's plane as they are."""
    limbs = {limb.name: limb for limb in plan.limbs} | dict(changed)
    if plan.symmetry is not None and is_two_sided(plan):
        sign = np.where(np.arange(3) == AXES[plan.symmetry], -1.0, 1.0)
        for name, other in limb_images(plan, plan.symmetry).items():
            if name in changed and other not in changed:
                limbs[other] = _as_image(plan.limb(name), changed[name], limbs[other], sign)
    return replace(plan, limbs=tuple(limbs[limb.name] for limb in plan.limbs))


def _as_image(before: Limb, after: Limb, image: Limb, sign: FloatArray) -> Limb:
    """A limb's image, changed as the limb was: joints go as far as theirs went."""
    joints = image.joints + (after.joints - before.joints) * sign
    return replace(image, joints=joints, sides=after.sides, spans=after.spans, joint_loops=after.joint_loops)
