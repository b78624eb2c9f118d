"""Changes of a plan that may make its cage bend better, each with its words: joint loops, joints, webs, sides, step-down rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from .counts import CountPlan
from .plan import JOINT_LOOPS_RANGE, SIDES_RANGE, Fork, Limb, LimbPlan, Socket, Splice

TRIED_LOOPS = (3, 5, 7)
"""Joint loops that are tried: odd, so that one lies on the joint itself."""
JOINT_STEP = 0.08
"""Share of the shorter bone beside it by which a joint is moved along its limb."""


@dataclass(frozen=True)
class Move:
    """One change that may be tried.

    words : what it does, for the artist
    applied : the plan with it, or None where it changes nothing
    """

    words: str
    applied: Callable[[LimbPlan], LimbPlan | None]


def moves(plan: LimbPlan, counts: CountPlan) -> Iterator[Move]:
    """Moves in the order of their promise: loops of all limbs at once, of a fork's branches, limb by limb; then webs, rows of
    step-downs, sides of limbs without joints of their own, whose quads go to others, and joints along their limbs.

    counts : of the first cage
    """
    yield from _loops(plan)
    for index, fork in enumerate(plan.forks):
        for web in (counts.webs[index][0] - 1, counts.webs[index][0] + 1):
            if web >= 1:
                yield Move(f"webs of {web} between the branches of {fork.trunk}", _webs(index, web))
    for index, splice in enumerate(plan.splices):
        if splice.rows is None and _steps(counts, splice):
            for rows in (_steps(counts, splice) + 1, _steps(counts, splice) + 2):
                yield Move(f"step-downs between {splice.lower} and {splice.upper} over {rows} rows", _rows(index, rows))
    for limb in plan.limbs:
        fewer = int(counts.limbs[limb.name].rings.min()) - 2
        if len(limb.joints) == 2 and not isinstance(plan.tip_join(limb.name), Fork) and fewer >= SIDES_RANGE[0]:
            yield Move(f"{fewer} sides for {limb.name}, the quads to others",
                       _limb(limb.name, partial(replace, sides=fewer)))
    for limb in plan.limbs:
        for joint in range(1, len(limb.joints) - 1):
            for share, way in ((-JOINT_STEP, "root"), (JOINT_STEP, "tip")):
                yield Move(f"joint {joint + 1} of {limb.name} {JOINT_STEP:.0%} of a bone toward its {way}",
                           _limb(limb.name, partial(_joint_moved, joint=joint, share=share)))


def bends(plan: LimbPlan, limb: Limb) -> bool:
    """Whether a limb has joints of its own or shares one through a splice."""
    join = plan.root_join(limb.name)
    return len(limb.joints) > 2 or (join is not None and not isinstance(join, Fork | Socket))


def _loops(plan: LimbPlan) -> Iterator[Move]:
    bending = [limb.name for limb in plan.limbs if bends(plan, limb)]
    groups: list[Sequence[str]] = [bending]
    groups += [[name for name in fork.branches if name in bending] for fork in plan.forks]
    groups += [[name] for name in bending]
    seen = set()
    for group in groups:
        for loops in TRIED_LOOPS:
            if group and (tuple(group), loops) not in seen and JOINT_LOOPS_RANGE[0] <= loops <= JOINT_LOOPS_RANGE[1]:
                seen.add((tuple(group), loops))
                yield Move(f"joint_loops = {loops} for {', '.join(group)}", _joint_loops(tuple(group), loops))


def _joint_loops(names: tuple[str, ...], loops: int) -> Callable[[LimbPlan], LimbPlan | None]:
    def applied(plan: LimbPlan) -> LimbPlan | None:
        limbs = tuple(replace(limb, joint_loops=loops) if limb.name in names else limb for limb in plan.limbs)
        same = all(limb.joint_loops == old.joint_loops for limb, old in zip(limbs, plan.limbs, strict=True))
        return None if same else replace(plan, limbs=limbs)

    return applied


def _limb(name: str, change: Callable[[Limb], Limb]) -> Callable[[LimbPlan], LimbPlan | None]:
    return lambda plan: replace(plan, limbs=tuple(change(limb) if limb.name == name else limb for limb in plan.limbs))


def _webs(index: int, web: int) -> Callable[[LimbPlan], LimbPlan | None]:
    def applied(plan: LimbPlan) -> LimbPlan | None:
        fork = plan.forks[index]
        wider = replace(fork, webs=(web,) * (len(fork.branches) - 1))
        return replace(plan, forks=(*plan.forks[:index], wider, *plan.forks[index + 1 :])) if wider.webs != fork.webs else None

    return applied


def _rows(index: int, rows: int) -> Callable[[LimbPlan], LimbPlan | None]:
    return lambda plan: replace(plan, splices=(*plan.splices[:index], replace(plan.splices[index], rows=rows), *plan.splices[index + 1 :]))


def _steps(counts: CountPlan, splice: Splice) -> int:
    """Rows over which a splice's step-downs are spread; 0 where there are none."""
    at_tip = [len(step.starts) for step in counts.limbs[splice.lower].step_rows]
    at_root = [len(step.starts) for step in counts.limbs[splice.upper].step_rows]
    return max((at_tip or at_root)[-1:] or [0])


def _joint_moved(limb: Limb, joint: int, share: float) -> Limb:
    """A limb with one joint moved along the line of its joints."""
    joints = limb.joints.copy()
    toward = joints[joint + 1] if share > 0 else joints[joint - 1]
    bones = np.linalg.norm(np.diff(joints[joint - 1 : joint + 2], axis=0), axis=1)
    offset = toward - joints[joint]
    joints[joint] = joints[joint] + abs(share) * float(bones.min()) * offset / np.linalg.norm(offset)
    return replace(limb, joints=joints)
