"""Change a limb plan step by step: limbs and joins added, renamed, altered and taken out.

Every function returns a new plan. A plan that is being drawn may still be without limbs; ``check_plan``
judges it when it is built.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from .errors import PlanError
from .plan import Fork, Limb, LimbPlan, Socket, Splice, check_plan


def free_name(plan: LimbPlan, wish: str) -> str:
    """A limb name that the plan does not use yet: the wish itself, or the wish with a number."""
    taken = {limb.name for limb in plan.limbs}
    base = wish.strip() or "limb"
    names = (base if number == 1 else f"{base}.{number}" for number in range(1, len(taken) + 2))
    return next(name for name in names if name not in taken)


def add_limb(plan: LimbPlan, limb: Limb) -> LimbPlan:
    """The plan with one more limb; its name is changed where it is taken.

    Raises PlanError where two joints that follow each other coincide.
    """
    return replace(plan, limbs=(*plan.limbs, checked_limb(replace(limb, name=free_name(plan, limb.name)))))


def checked_limb(limb: Limb) -> Limb:
    """The limb as it is.

    Raises PlanError where it has too few joints, or where two joints that follow each other coincide.
    """
    if len(limb.joints) < 2:
        raise PlanError(f'The limb "{limb.name}" has {len(limb.joints)} joints; give it at least two.')
    lengths = np.linalg.norm(np.diff(limb.joints, axis=0), axis=1)
    short = np.flatnonzero(lengths <= 1e-9 * max(float(lengths.sum()), 1e-300))
    if len(short):
        raise PlanError(f'The limb "{limb.name}" has joints {short[0] + 1} and {short[0] + 2} in one place; move them apart.')
    return limb


def change_limb(plan: LimbPlan, name: str, **values: Any) -> LimbPlan:
    """The plan with some of a limb's values replaced; spans that no longer fit the joints are left to be chosen.

    Raises PlanError where there is no such limb or a web would take more sides than there are.
    """
    limb = replace(_limb(plan, name), **values)
    if limb.spans is not None and len(limb.spans) != len(limb.joints) - 1:
        limb = replace(limb, spans=None)
    changed = replace(plan, limbs=tuple(limb if each.name == name else each for each in plan.limbs))
    check_plan(changed)
    return changed


def remove_limb(plan: LimbPlan, name: str) -> LimbPlan:
    """The plan without a limb and without the joins that need it; a fork of more than two branches loses the one."""
    _limb(plan, name)
    forks = []
    for fork in plan.forks:
        if name == fork.trunk:
            continue
        branches = tuple(branch for branch in fork.branches if branch != name)
        if len(branches) == len(fork.branches):
            forks.append(fork)
        elif len(branches) >= 2:
            forks.append(Fork(fork.trunk, branches))
    return replace(plan, limbs=tuple(limb for limb in plan.limbs if limb.name != name), forks=tuple(forks),
                   sockets=tuple(socket for socket in plan.sockets if name not in (socket.trunk, socket.branch)),
                   splices=tuple(splice for splice in plan.splices if name not in (splice.upper, splice.lower)))


def rename_limb(plan: LimbPlan, old: str, new: str) -> LimbPlan:
    """The plan with a limb renamed, in its joins too.

    Raises PlanError where there is no such limb, the new name is empty or it is taken.
    """
    limb = _limb(plan, old)
    if not new.strip() or not new.isprintable():
        raise PlanError(f'The limb "{old}" needs a name of printable letters, not {new!r}.')
    if new != old and any(each.name == new for each in plan.limbs):
        raise PlanError(f'There is already a limb "{new}"; choose another name.')

    def named(name: str) -> str:
        return new if name == old else name

    return replace(
        plan, limbs=tuple(replace(limb, name=new) if each.name == old else each for each in plan.limbs),
        forks=tuple(Fork(named(fork.trunk), tuple(map(named, fork.branches)), fork.webs) for fork in plan.forks),
        sockets=tuple(Socket(named(socket.trunk), named(socket.branch)) for socket in plan.sockets),
        splices=tuple(Splice(named(splice.upper), named(splice.lower), splice.rows) for splice in plan.splices))


def turn_limb(plan: LimbPlan, name: str) -> LimbPlan:
    """The plan with a limb's joints in reverse order, root for tip.

    Raises PlanError where a join uses one of its ends or its side.
    """
    limb = _limb(plan, name)
    if plan.root_join(name) or plan.tip_join(name) or plan.sockets_of(name):
        raise PlanError(f'The limb "{name}" is joined; take its joins out before its ends change places.')
    spans = None if limb.spans is None else limb.spans[::-1]
    return change_limb(plan, name, joints=limb.joints[::-1].copy(), spans=spans)


def add_fork(plan: LimbPlan, trunk: str, branches: Sequence[str]) -> LimbPlan:
    """The plan with branches that run into a trunk's tip end, put in order across; the trunk's tip becomes open.

    Raises PlanError where there are under two branches, or an end is in use already.
    """
    others = [name for name in branches if name != trunk]
    if len(set(others)) < 2:
        raise PlanError("A fork needs a trunk and at least two branches; choose them among the limbs.")
    ordered = order_across(plan, trunk, others)
    return _joined(plan, trunk, replace(plan, forks=(*plan.forks, Fork(trunk, ordered))))


def order_across(plan: LimbPlan, trunk: str, branches: Sequence[str]) -> tuple[str, ...]:
    """Branch names in order along the line on which their roots lie best, square to the trunk."""
    roots = np.array([_limb(plan, name).joints[0] + _limb(plan, name).joints[1] for name in branches]) / 2
    joints = _limb(plan, trunk).joints
    along = joints[-1] - joints[-2]
    along = along / np.linalg.norm(along)
    flat = roots - roots.mean(axis=0)
    flat = flat - (flat @ along)[:, None] * along
    across = np.linalg.svd(flat, full_matrices=False)[2][0]
    across = across * (1.0 if across[int(np.argmax(np.abs(across)))] > 0 else -1.0)
    return tuple(branches[int(index)] for index in np.argsort(flat @ across, kind="stable"))


def add_socket(plan: LimbPlan, trunk: str, branch: str) -> LimbPlan:
    """The plan with a branch that leaves a trunk's side.

    Raises PlanError where both are the same, or the branch's root end is in use already.
    """
    if trunk == branch:
        raise PlanError("A socket needs two limbs: a trunk and a branch that leaves its side.")
    return _checked(replace(plan, sockets=(*plan.sockets, Socket(trunk, branch))))


def add_splice(plan: LimbPlan, upper: str, lower: str) -> LimbPlan:
    """The plan with the upper limb's root end joined to the lower limb's tip end, which becomes open.

    Raises PlanError where both are the same, or one of the ends is in use already.
    """
    if upper == lower:
        raise PlanError("A splice needs two limbs: an upper and a lower one.")
    return _joined(plan, lower, replace(plan, splices=(*plan.splices, Splice(upper, lower))))


def remove_join(plan: LimbPlan, kind: str, index: int) -> LimbPlan:
    """The plan without one of its joins.

    kind : "fork", "socket" or "splice"
    Raises PlanError where there is no such join.
    """
    joins: dict[str, tuple[Any, ...]] = {"fork": plan.forks, "socket": plan.sockets, "splice": plan.splices}
    if not 0 <= index < len(joins[kind]):
        raise PlanError(f"There is no {kind} number {index + 1}; the plan has {len(joins[kind])}.")
    joins[kind] = joins[kind][:index] + joins[kind][index + 1 :]
    return replace(plan, forks=joins["fork"], sockets=joins["socket"], splices=joins["splice"])


def change_webs(plan: LimbPlan, index: int, widths: int | Sequence[int] | None) -> LimbPlan:
    """The plan with the webs of a fork as wide as asked, all alike or one by one; None leaves them to be chosen.

    Raises PlanError where there is no such fork, or a web would take more sides than there are.
    """
    if not 0 <= index < len(plan.forks):
        raise PlanError(f"There is no fork number {index + 1}; the plan has {len(plan.forks)}.")
    forks = list(plan.forks)
    gaps = len(forks[index].branches) - 1
    webs = None if widths is None else (widths,) * gaps if isinstance(widths, int) else tuple(widths)
    if webs is not None and len(webs) != gaps:
        raise PlanError(f'The fork of "{forks[index].trunk}" has {gaps} gaps; {len(webs)} webs are given.')
    forks[index] = replace(forks[index], webs=webs)
    return _checked(replace(plan, forks=tuple(forks)))


def change_rows(plan: LimbPlan, index: int, rows: int | None) -> LimbPlan:
    """The plan with the rows that a splice's step-downs may use; None leaves them to be chosen."""
    if not 0 <= index < len(plan.splices):
        raise PlanError(f"There is no splice number {index + 1}; the plan has {len(plan.splices)}.")
    splices = list(plan.splices)
    splices[index] = replace(splices[index], rows=rows)
    return replace(plan, splices=tuple(splices))


def join_at_tip(plan: LimbPlan, lower: str, upper: str) -> LimbPlan:
    """The plan with a limb that begins where another ends: a splice, or a fork where a branch is there already.

    Raises PlanError where the upper limb's root end is in use.
    """
    join = plan.tip_join(lower)
    if join is None:
        return add_splice(plan, upper, lower)
    if isinstance(join, Splice):
        without = replace(plan, splices=tuple(splice for splice in plan.splices if splice != join))
        return add_fork(without, lower, (join.upper, upper))
    without = replace(plan, forks=tuple(fork for fork in plan.forks if fork != join))
    return add_fork(without, lower, (*join.branches, upper))


def _joined(plan: LimbPlan, lower: str, joined: LimbPlan) -> LimbPlan:
    """A plan with a new join at a limb's tip end, which can no longer be closed."""
    if plan.tip_join(lower) is None:
        limbs = tuple(replace(limb, tip="open") if limb.name == lower else limb for limb in joined.limbs)
        joined = replace(joined, limbs=limbs)
    return _checked(joined)


def _checked(plan: LimbPlan) -> LimbPlan:
    check_plan(plan)
    return plan


def _limb(plan: LimbPlan, name: str) -> Limb:
    try:
        return plan.limb(name)
    except KeyError:
        names = ", ".join(f'"{limb.name}"' for limb in plan.limbs) or "none"
        raise PlanError(f'There is no limb "{name}"; the limbs are {names}.') from None
