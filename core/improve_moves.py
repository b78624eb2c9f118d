"""Changes of a plan that may make its cage bend better at one joint, each with its words: rows beside the joint, the joint along its
bones, loops round it, webs, sides, rows of step-downs.

All are made to plans without a budget (``explicit_plan``), so that nothing but what they name is laid anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from .counted import counted
from .counts import CountPlan
from .explicit_plan import all_spans, body_sides, step_rows, with_limbs
from .frames import unit
from .plan import SIDES_RANGE, WEB_RANGE, Fork, Limb, LimbPlan, Socket, Splice
from .polymesh import FloatArray
from .skeleton import Bone

TRIED_LOOPS = (3, 5, 1)
"""Joint loops that are tried: odd, so that one lies on the joint itself."""
MOST_LOOPS = 7
"""Where five help."""
JOINT_STEP = 0.08
"""Share of the shorter bone beside it by which a joint is moved first."""
JOINT_SHARES = (0.15, 0.04)
"""Where that helps; none is moved farther, for a joint belongs where the body bends."""


@dataclass(frozen=True)
class Move:
    """One change that may be tried.

    words : what it does, for the artist
    touches : what of a plan it changes; moves that touch the same cannot be made together
    applied : a plan without a budget to the plan with it, None where it has no place there
    then : what may help still more where this helps
    repeats : whether it can be made again
    """

    words: str
    touches: frozenset[tuple[str, ...]]
    applied: Callable[[LimbPlan], LimbPlan | None]
    then: tuple[Move, ...] = ()
    repeats: bool = False


Proposals = Callable[[LimbPlan, CountPlan, Bone, int], Iterator[Move]]
"""What may help the joint at a bone's head: a plan without a budget, its counts, the bone, quads that may still be added."""


def all_moves(plan: LimbPlan, counts: CountPlan, bone: Bone, room: int) -> Iterator[Move]:
    """All changes that may help a joint, the likeliest first."""
    yield from _joint_moves(plan, bone)
    yield from moves_of_counts(plan, counts, bone, room)


def moves_of_counts(plan: LimbPlan, counts: CountPlan, bone: Bone, room: int) -> Iterator[Move]:
    """Those that leave all joints where they are, as a rig that exists already needs them."""
    yield from _row_moves(plan, counts, bone, room)
    yield from _loop_moves(plan, bone)
    yield from _join_moves(plan, counts, bone)
    yield from _fewer_rows(plan, counts, bone)


Rows = tuple[str, int]
"""The rows of one bone: limb and number of the bone."""


def rows_beside(plan: LimbPlan, bone: Bone) -> tuple[Rows, Rows]:
    """The rows before and behind a joint."""
    behind = (bone.limb, bone.place)
    if bone.place > 0:
        return (bone.limb, bone.place - 1), behind
    join = plan.root_join(bone.limb)
    trunk = bone.limb if join is None else join.lower if isinstance(join, Splice) else join.trunk
    return (trunk, len(plan.limb(trunk).joints) - 2), behind


def _row_moves(plan: LimbPlan, counts: CountPlan, bone: Bone, room: int) -> Iterator[Move]:
    """One row more behind the joint or before it, one from one side to the other; where that helps and there is no room for it, bones
    with rows to spare pay for it."""
    before, behind = rows_beside(plan, bone)
    for changes in ({behind: 1}, {before: 1}, {before: -1, behind: 1}, {before: 1, behind: -1}):
        paid = _paid(plan, counts, changes, room)
        then = (_row_move(changes, paid, counts),) if paid is not None and paid != changes else ()
        yield replace(_row_move(changes, changes, counts), then=then)


def _fewer_rows(plan: LimbPlan, counts: CountPlan, bone: Bone) -> Iterator[Move]:
    """A row fewer on either side."""
    yield from (_row_move({rows: -1}, {rows: -1}, counts) for rows in rows_beside(plan, bone))


def _row_move(wanted: Mapping[Rows, int], changes: Mapping[Rows, int], counts: CountPlan) -> Move:
    """A change of rows; those that pay for it do not stand in the way of other changes."""
    words = [f"a row {'more' if change > 0 else 'fewer'} on bone {number + 1} of {name}" for (name, number), change in changes.items()]
    return Move(", ".join(words), frozenset(("rows", name, str(number)) for name, number in wanted),
                partial(_with_rows, changes=changes, counts=counts), repeats=True)


def _paid(plan: LimbPlan, counts: CountPlan, changes: Mapping[Rows, int], room: int) -> dict[Rows, int] | None:
    """Changes of rows with as many rows given up elsewhere as they need; None where that is not to be had."""
    found = dict(changes)
    needed = sum(change * _ring(counts, rows) for rows, change in found.items()) - room
    for rows in _spare(plan, counts):
        if needed > 0 and rows not in found:
            found[rows] = -1
            needed -= _ring(counts, rows)
    return found if needed <= 0 else None


def _spare(plan: LimbPlan, counts: CountPlan) -> list[Rows]:
    """Bones with more rows than their bends take, those with most to spare first; of limbs whose rows the plan gives, since all rows of a
    limb go to other places once it gives them."""
    spare: dict[Rows, float] = {}
    for limb in plan.limbs:
        bends, spans = counts.limbs[limb.name].bends, limb.spans or ()
        inside = max(0, len(spans) - len(bends))
        for bone, pair in zip(range(inside, len(spans)), bends, strict=False):
            spare[limb.name, bone] = spans[bone] - sum(bend.rows for bend in pair)
    return [rows for rows in sorted(spare, key=lambda rows: -spare[rows]) if spare[rows] > 1.0]


def _ring(counts: CountPlan, rows: Rows) -> int:
    return int(counts.limbs[rows[0]].rings.max())


def _with_rows(plan: LimbPlan, changes: Mapping[Rows, int], counts: CountPlan) -> LimbPlan | None:
    spans = {name: list(plan.limb(name).spans or all_spans(plan.limb(name), counts)) for name, _ in changes}
    for (name, bone), change in changes.items():
        spans[name][bone] += change
    if min(min(rows) for rows in spans.values()) < 1:
        return None
    return with_limbs(plan, {name: replace(plan.limb(name), spans=tuple(rows)) for name, rows in spans.items()})


def _joint_moves(plan: LimbPlan, bone: Bone) -> Iterator[Move]:
    """The joint at a bone's head along the line of its joints, both ways; a branch's first joint along its own first bone."""
    line = _line(plan, bone)
    if line is not None:
        for way, toward in (("root", line[0]), ("tip", line[2])):
            farther = tuple(_joint_move(bone, line, way, toward, share) for share in JOINT_SHARES)
            yield replace(_joint_move(bone, line, way, toward, JOINT_STEP), then=farther)


def _joint_move(bone: Bone, line: Line, way: str, toward: FloatArray, share: float) -> Move:
    before, joint, behind = line
    reach = share * min(float(np.linalg.norm(joint - before)), float(np.linalg.norm(behind - joint)))
    return Move(f"joint {bone.place + 1} of {bone.limb} {share:.0%} of a bone toward its {way}",
                frozenset({("joint", bone.limb, str(bone.place))}),
                partial(_with_joint, bone=bone, place=joint + reach * unit(toward - joint)))


Line = tuple[FloatArray, FloatArray, FloatArray]
"""A joint between the one before and the one behind it."""


def _line(plan: LimbPlan, bone: Bone) -> Line | None:
    """A joint with those before and behind it; None where nothing lies before it."""
    joints = plan.limb(bone.limb).joints
    if bone.place > 0:
        return joints[bone.place - 1], joints[bone.place], joints[bone.place + 1]
    join = plan.root_join(bone.limb)
    if isinstance(join, Splice):
        return plan.limb(join.lower).joints[-2], joints[0], joints[1]
    return (2 * joints[0] - joints[1], joints[0], joints[1]) if join is not None else None


def _with_joint(plan: LimbPlan, bone: Bone, place: FloatArray) -> LimbPlan:
    """Spliced limbs keep their joint in common."""
    limb, join = plan.limb(bone.limb), plan.root_join(bone.limb)
    joints = limb.joints.copy()
    joints[bone.place] = place
    changed = {limb.name: replace(limb, joints=joints)}
    if bone.place == 0 and isinstance(join, Splice):
        lower = plan.limb(join.lower)
        changed[lower.name] = replace(lower, joints=np.concatenate([lower.joints[:-1], place[None]]))
    return with_limbs(plan, changed)


def _loop_moves(plan: LimbPlan, bone: Bone) -> Iterator[Move]:
    """Joint loops of the limb behind a joint, and of both limbs that meet there."""
    both = tuple(dict.fromkeys(rows[0] for rows in rows_beside(plan, bone)))
    for names in dict.fromkeys(((bone.limb,), both)):
        for loops in TRIED_LOOPS:
            if any(plan.limb(name).joint_loops != loops for name in names):
                more = (_loop_move(names, MOST_LOOPS),) if loops == max(TRIED_LOOPS) else ()
                yield replace(_loop_move(names, loops), then=more)


def _loop_move(names: tuple[str, ...], loops: int) -> Move:
    return Move(f"joint_loops = {loops} for {', '.join(names)}", frozenset(("loops", name) for name in names),
                partial(_each, names=names, change=partial(replace, joint_loops=loops)))


def _each(plan: LimbPlan, names: tuple[str, ...], change: Callable[[Limb], Limb]) -> LimbPlan:
    return with_limbs(plan, {name: change(plan.limb(name)) for name in names})


def _join_moves(plan: LimbPlan, counts: CountPlan, bone: Bone) -> Iterator[Move]:
    """What may be changed where a limb begins: webs of its fork, sides of a branch, rows of its splice's step-downs."""
    join = plan.root_join(bone.limb) if bone.place == 0 else None
    if isinstance(join, Fork):
        for change in (-1, 1):
            yield Move(f"webs {'wider' if change > 0 else 'narrower'} by one between the branches of {join.trunk}",
                       frozenset({("webs", join.trunk), ("sides", join.trunk)}),
                       partial(_with_webs, trunk=join.trunk, change=change, counts=counts))
    if isinstance(join, Fork | Socket):
        names = (bone.limb, join.trunk) if isinstance(join, Fork) else (bone.limb,)
        for change in (2, -2):
            yield Move(f"two sides {'more' if change > 0 else 'fewer'} for {' and '.join(names)}",
                       frozenset(("sides", name) for name in names),
                       partial(_with_sides, names=names, change=change, counts=counts))
    if isinstance(join, Splice):
        for rows in (step_rows(counts, join) + 1, step_rows(counts, join) - 1):
            if rows >= 1 and step_rows(counts, join):
                yield Move(f"step-downs between {join.lower} and {join.upper} over {counted(rows, 'row')}",
                           frozenset({("steps", join.upper)}), partial(_with_steps, upper=join.upper, rows=rows))


def _with_webs(plan: LimbPlan, trunk: str, change: int, counts: CountPlan) -> LimbPlan | None:
    """Webs wider or narrower, the trunk's sides as they then must be."""
    number = next(index for index, fork in enumerate(plan.forks) if fork.trunk == trunk)
    fork, limb = plan.forks[number], plan.limb(trunk)
    webs = tuple(web + change for web in fork.webs or counts.webs[number])
    sides = None if limb.sides is None else limb.sides - 2 * change * len(webs)
    if min(webs) < WEB_RANGE[0] or not (sides is None or SIDES_RANGE[0] <= sides <= SIDES_RANGE[1]):
        return None
    wider = (*plan.forks[:number], replace(fork, webs=webs), *plan.forks[number + 1 :])
    return with_limbs(replace(plan, forks=wider), {trunk: replace(limb, sides=sides)})


def _with_sides(plan: LimbPlan, names: tuple[str, ...], change: int, counts: CountPlan) -> LimbPlan | None:
    """Sides of a branch, and of its trunk where these are given."""
    branch, *trunk = (plan.limb(name) for name in names)
    sides = {branch.name: (branch.sides or body_sides(counts.limbs[branch.name])) + change}
    sides |= {limb.name: limb.sides + change for limb in trunk if limb.sides is not None}
    if not all(SIDES_RANGE[0] <= each <= SIDES_RANGE[1] for each in sides.values()):
        return None
    return with_limbs(plan, {name: replace(plan.limb(name), sides=each) for name, each in sides.items()})


def _with_steps(plan: LimbPlan, upper: str, rows: int) -> LimbPlan:
    return replace(plan, splices=tuple(replace(splice, rows=rows) if splice.upper == upper else splice for splice in plan.splices))
