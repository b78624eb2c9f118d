"""Changes of a plan that may make its cage bend better, each with its words: joint loops, joints, rows of bones, webs, sides, rows of
step-downs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from .counts import CountPlan
from .plan import JOINT_LOOPS_RANGE, SIDES_RANGE, Fork, Limb, LimbPlan, Splice

TRIED_LOOPS = (3, 5, 7)
"""Joint loops that are tried: odd, so that one lies on the joint itself."""
JOINT_STEPS = (0.08, 0.15, 0.04)
"""Shares of the shorter bone beside it by which a joint is moved along its limb."""


@dataclass(frozen=True)
class Move:
    """One change that may be tried.

    words : what it does, for the artist
    applied : the plan with it, or None where it changes nothing
    """

    words: str
    applied: Callable[[LimbPlan], LimbPlan | None]


def moves(plan: LimbPlan, counts: CountPlan, worst_first: Sequence[str] = ()) -> Iterator[Move]:
    """Moves in the order of their promise: loops of all limbs at once and of a fork's branches; then limb by limb loops, joints along the
    limb and rows from one bone to another; then webs, rows of step-downs, rows and sides of limbs without joints of their own, whose
    quads go to others.

    counts : of the best cage so far
    worst_first : names of limbs that come before the others
    """
    limbs = sorted(plan.limbs, key=lambda limb: worst_first.index(limb.name) if limb.name in worst_first else len(worst_first))
    bending = [limb.name for limb in limbs if bends(plan, limb)]
    yield from _loops([bending, *([name for name in fork.branches if name in bending] for fork in plan.forks)])
    for limb in limbs:
        if limb.name in bending:
            yield from _loops([[limb.name]])
        yield from _joints(limb)
        yield from _rows_within(limb, counts)
    for index, fork in enumerate(plan.forks):
        for web in (counts.webs[index][0] - 1, counts.webs[index][0] + 1):
            if web >= 1:
                yield Move(f"webs of {web} between the branches of {fork.trunk}", _webs(index, web))
    for index, splice in enumerate(plan.splices):
        if splice.rows is None and _steps(counts, splice):
            for rows in (_steps(counts, splice) + 1, _steps(counts, splice) + 2):
                yield Move(f"step-downs between {splice.lower} and {splice.upper} over {rows} rows", _rows(index, rows))
    yield from _given_away(plan, limbs, counts)


def _joints(limb: Limb) -> Iterator[Move]:
    """Each joint along its limb, both ways."""
    for step in JOINT_STEPS:
        for joint in range(1, len(limb.joints) - 1):
            for share, way in ((-step, "root"), (step, "tip")):
                yield Move(f"joint {joint + 1} of {limb.name} {step:.0%} of a bone toward its {way}",
                           _limb(limb.name, partial(_joint_moved, joint=joint, share=share)))


def _rows_within(limb: Limb, counts: CountPlan) -> Iterator[Move]:
    """A row from one bone of a limb to another, where every bone has rows of its own."""
    spans = _spans(limb, counts)
    for more in range(len(spans)):
        for fewer in sorted(set(range(len(spans))) - {more}, key=lambda bone: -spans[bone]):
            if spans[fewer] > 1:
                changed = tuple(rows + (bone == more) - (bone == fewer) for bone, rows in enumerate(spans))
                yield Move(f"rows of {limb.name} {_listed(changed)} instead of {_listed(spans)}",
                           _limb(limb.name, partial(replace, spans=changed)))


def _given_away(plan: LimbPlan, limbs: Sequence[Limb], counts: CountPlan) -> Iterator[Move]:
    """A row of a limb without joints of its own, whose quads become rows of the first limbs' bones; and two sides of it."""
    for limb in plan.limbs:
        if len(limb.joints) > 2:
            continue
        spans, sides = _spans(limb, counts), int(counts.limbs[limb.name].rings.min())
        takers = _takers(limbs, counts, sides)
        if spans and spans[0] > 2 and takers:
            words = ", ".join(f"{name} {_listed(rows)}" for name, rows in takers.items())
            yield Move(f"a row of {limb.name} fewer, the quads to others: rows of {words}",
                       partial(_with_spans, spans={limb.name: (spans[0] - 1,), **takers}))
        if not isinstance(plan.tip_join(limb.name), Fork) and sides - 2 >= SIDES_RANGE[0]:
            yield Move(f"{sides - 2} sides for {limb.name}, the quads to others", _limb(limb.name, partial(replace, sides=sides - 2)))


def _takers(limbs: Sequence[Limb], counts: CountPlan, quads: int) -> dict[str, tuple[int, ...]]:
    """Rows of the first limbs with several bones when each gets one more, on its first bone, for as long as some quads last."""
    found = {}
    for limb in limbs:
        spans, sides = _spans(limb, counts), int(counts.limbs[limb.name].rings.max())
        if len(spans) > 1 and sides <= quads:
            found[limb.name] = (spans[0] + 1, *spans[1:])
            quads -= sides
    return found


def _with_spans(plan: LimbPlan, spans: Mapping[str, tuple[int, ...]]) -> LimbPlan:
    return replace(plan, limbs=tuple(replace(limb, spans=spans.get(limb.name, limb.spans)) for limb in plan.limbs))


def _spans(limb: Limb, counts: CountPlan) -> tuple[int, ...]:
    """Rows of every bone; empty where some bones lie inside the trunk, so that they cannot be given."""
    spans = tuple(map(int, counts.limbs[limb.name].spans))
    return spans if len(spans) == len(limb.joints) - 1 else ()


def _listed(rows: Sequence[int]) -> str:
    return ", ".join(map(str, rows))


def bends(plan: LimbPlan, limb: Limb) -> bool:
    """Whether a limb has joints of its own or shares one through a splice."""
    return len(limb.joints) > 2 or isinstance(plan.root_join(limb.name), Splice)


def _loops(groups: Sequence[Sequence[str]]) -> Iterator[Move]:
    """Joint loops of groups of limbs."""
    for group in dict.fromkeys(map(tuple, groups)):
        for loops in TRIED_LOOPS:
            if group and JOINT_LOOPS_RANGE[0] <= loops <= JOINT_LOOPS_RANGE[1]:
                yield Move(f"joint_loops = {loops} for {', '.join(group)}", _joint_loops(group, loops))


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
