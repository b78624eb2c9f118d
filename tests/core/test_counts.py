"""Counts: parity, budgets, step-downs away from joints, and refusals that say what would do."""

from __future__ import annotations

import re

import numpy as np
import pytest

from ringwright.core.budget import solve_counts
from ringwright.core.counts import CountPlan
from ringwright.core.errors import PlanError
from ringwright.core.limb_size import limb_sizes
from ringwright.core.plan import Fork, LimbPlan, Splice
from support.random_plans import random_plan
from support.sized_hand import FINGERS, HAND_SIZES, hand, limb, size


def tube_pair(upper: int, lower: int, rows: int | None = None, *, length: float = 20.0) -> CountPlan:
    plan = LimbPlan((limb("upper", sides=upper), limb("lower", sides=lower)), splices=(Splice("upper", "lower", rows),))
    return solve_counts(plan, {"upper": size(length, 6), "lower": size(length, 6)})


def test_a_tube_of_given_counts_has_just_those() -> None:
    counts = solve_counts(LimbPlan((limb("tail", bones=2, sides=10, spans=7),)), {"tail": size(9, 6, 2)})
    assert counts.limbs["tail"].spans == (7, 7) and counts.limbs["tail"].rings.tolist() == [10] * 15
    assert counts.limbs["tail"].rings.dtype == np.int32 and counts.limbs["tail"].rows == 14
    assert (counts.quads, counts.tips, counts.branches, counts.step_downs) == (140, 0, 0, 0)
    assert np.flatnonzero(counts.limbs["tail"].joint_rings).tolist() == [6, 7, 8]


@pytest.mark.parametrize(("sides", "cap"), [(4, (1, 1)), (6, (1, 2)), (8, (2, 2)), (10, (2, 3)), (12, (3, 3)), (64, (16, 16))])
def test_a_closed_tip_takes_the_squarest_grid(sides: int, cap: tuple[int, int]) -> None:
    counts = solve_counts(LimbPlan((limb("tail", sides=sides, spans=3, tip="closed"),)), {"tail": size(3, 6)})
    assert counts.limbs["tail"].cap == cap and counts.tips == 1
    assert counts.quads == 3 * sides + cap[0] * cap[1]


def test_spans_make_square_faces_where_they_are_left_out() -> None:
    counts = solve_counts(LimbPlan((limb("tail", sides=8, joint_loops=0),)), {"tail": size(12, 8)})
    assert counts.limbs["tail"].spans == (12,)


def test_sides_grow_with_the_root_of_the_girth() -> None:
    plan = LimbPlan((limb("thin"), limb("thick")))
    counts = solve_counts(plan, {"thin": size(10, 2), "thick": size(10, 8)})
    assert (counts.limbs["thin"].rings[0], counts.limbs["thick"].rings[0]) == (8, 16)


def test_common_practice_of_a_hand() -> None:
    """Four six-sided fingers and a thumb come to about 20 edges; an arm of ten sides takes them after step-downs."""
    six = {**dict.fromkeys((*FINGERS, "thumb"), 6), "forearm": 10}
    counts = solve_counts(hand(sides=six, webs=(2, 2, 2)), HAND_SIZES)
    palm, forearm = counts.limbs["palm"], counts.limbs["forearm"]
    assert palm.rings[-1] == 18 and forearm.rings[0] == 10
    assert palm.rings[0] == forearm.rings[-1]
    assert (counts.tips, counts.branches, counts.step_downs) == (5, 4, 4)


@pytest.mark.parametrize(("budget", "turn", "likeness"), [
    (None, 0.0, 1.0), (None, 90.0, 1.0), (3000, 90.0, 1.0), (3000, 60.0, 4 / 9), (3000, 0.0, 0.0)])
def test_webs_make_the_trunks_faces_like_its_branches_the_farther_these_bend(budget: int | None, turn: float, likeness: float) -> None:
    sizes = HAND_SIZES | {name: size(8, 5.5, 3, root_turn=turn) for name in FINGERS}
    counts = solve_counts(hand(sides={**dict.fromkeys(FINGERS, 8), "palm": 16}, budget=budget), sizes)
    webs = counts.webs[0]
    wanted = 16 ** (1 - likeness) * (21 / (5.5 / 8)) ** likeness
    rings = [32 - 3 * (2 * web - 2) for web in (1, 2, 3)]
    assert len(set(webs)) == 1
    assert 32 - sum(2 * web - 2 for web in webs) == min(rings, key=lambda ring: abs(np.log(ring / wanted)))


def test_branches_get_the_sides_that_wide_webs_need() -> None:
    plan = LimbPlan((limb("trunk"), limb("left"), limb("middle"), limb("right")), (Fork("trunk", ("left", "middle", "right"), (5, 4)),))
    counts = solve_counts(plan, {"trunk": size(5, 9), **{name: size(5, 3) for name in ("left", "middle", "right")}})
    assert [int(counts.limbs[name].rings[0]) for name in ("left", "middle", "right")] == [8, 12, 8]
    assert counts.webs == ((5, 4),) and counts.limbs["trunk"].rings[-1] == 28 - 8 - 6


def test_forks_within_forks_are_counted_whatever_their_order() -> None:
    limbs = (limb("trunk"), limb("arm"), limb("leg"), limb("left"), limb("right"))
    inner, outer = Fork("arm", ("left", "right"), (1,)), Fork("trunk", ("arm", "leg"), (1,))
    sizes = {each.name: size(6, 4) for each in limbs}
    for forks in ((inner, outer), (outer, inner)):
        counts = solve_counts(LimbPlan(limbs, forks), sizes)
        assert counts.limbs["arm"].rings.tolist() == [16] * len(counts.limbs["arm"].rings)
        assert counts.limbs["trunk"].rings[-1] == 24


def test_a_bone_between_two_changes_has_room_for_both() -> None:
    """A single bone takes step-downs at its tip and at its root where its neighbours are full."""
    plan = LimbPlan((limb("top", sides=18, spans=1), limb("middle", sides=12, spans=1), limb("bottom", sides=6, spans=1)),
                    splices=(Splice("top", "middle", 1), Splice("middle", "bottom", 1)))
    counts = solve_counts(plan, {"top": size(1, 6), "middle": size(9, 6), "bottom": size(1, 6)})
    rings = np.concatenate([counts.limbs[name].rings for name in ("bottom", "middle", "top")])
    assert rings.max() == 18 and rings.min() == 6 and (np.diff(rings) >= 0).all()
    assert counts.limbs["bottom"].rings[-1] == counts.limbs["middle"].rings[0]
    assert counts.limbs["middle"].rings[-1] == counts.limbs["top"].rings[0]
    assert counts.step_downs == 6


def test_a_bone_cut_short_by_its_trunk_keeps_no_slivers() -> None:
    plan = LimbPlan((limb("finger", sides=8, spans=6, tip="closed"),))
    whole = solve_counts(plan, {"finger": size(6, 4)})
    short = solve_counts(plan, {"finger": size(0.6, 4, shortened=0.1)})
    assert whole.limbs["finger"].spans == (6,) and short.limbs["finger"].spans == (3,)


def test_a_short_bone_has_as_many_rows_as_the_rings_at_its_joints_need() -> None:
    """Two loops on every side of a joint: a bone between two joints takes both joints' and one row more, a free end takes one joint's."""
    counts = solve_counts(LimbPlan((limb("tail", bones=3, sides=8, joint_loops=5),), quad_budget=None), {"tail": size(0.3, 8, 3)})
    assert counts.limbs["tail"].spans == (3, 5, 3)


def test_step_downs_lie_between_plain_rows_away_from_joints() -> None:
    for seed in range(40):
        plan, measures = random_plan(np.random.default_rng(seed), explicit=True)
        counts = solve_counts(plan, limb_sizes(plan, measures))
        for solved in counts.limbs.values():
            assert (solved.rings % 2 == 0).all() and solved.rings.min() >= 4
            assert len(solved.rings) == sum(solved.spans) + 1 == len(solved.joint_rings)
            for step in solved.step_rows:
                touched = slice(step.first_row, step.first_row + len(step.starts) + 1)
                assert not solved.joint_rings[touched].any()
                assert step.first_row >= 1 and step.first_row + len(step.starts) <= solved.rows - 1
            changes = np.abs(np.diff(solved.rings)).sum() // 2
            assert changes == sum(len(starts) for step in solved.step_rows for starts in step.starts)


def test_a_splice_takes_as_many_step_downs_as_its_counts_differ() -> None:
    counts = tube_pair(18, 10)
    assert counts.step_downs == 4
    assert tube_pair(10, 18).step_downs == 4
    assert tube_pair(12, 12).step_downs == 0


@pytest.mark.parametrize(("upper", "lower", "rows"), [(40, 6, 1), (6, 40, 2), (64, 4, 3)])
def test_a_refused_splice_names_two_plans_that_work(upper: int, lower: int, rows: int) -> None:
    with pytest.raises(PlanError) as error:
        tube_pair(upper, lower, rows)
    said = str(error.value)
    fuller, lesser = max(upper, lower), min(upper, lower)
    assert said.startswith(f'[[splice]] upper "upper", lower "lower", rows: a ring of {fuller} edges cannot reach {lesser} in {rows} rows')
    found = re.search(r"(\d+) edges instead of (\d+), or rows = (\d+)", said)
    assert found is not None and int(found[2]) == lesser
    nearest, enough = int(found[1]), int(found[3])

    def other(count: int) -> tuple[int, int]:
        return (upper, count) if upper == fuller else (count, lower)

    assert tube_pair(*other(nearest), rows).step_downs == (fuller - nearest) // 2
    assert tube_pair(upper, lower, enough).step_downs == (fuller - lesser) // 2
    with pytest.raises(PlanError):
        tube_pair(*other(nearest - 2), rows)
    with pytest.raises(PlanError):
        tube_pair(upper, lower, enough - 1)


def test_a_trunk_far_from_its_branches_takes_as_many_rows_as_it_needs() -> None:
    counts = solve_counts(hand(sides={**dict.fromkeys(FINGERS, 16), "palm": 4}, webs=(1, 1, 1)), HAND_SIZES)
    rings = counts.limbs["palm"].rings
    assert rings[0] == rings[1] == 4 and rings[-1] == rings[-2] == 64
    assert (rings[1:] <= 3 * rings[:-1]).all() and counts.step_downs >= 30
