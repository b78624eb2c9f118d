"""Budgets: kept, used up, and spent where limbs bend before anything else."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.budget import BEND_DENSITIES, LEAST_DENSITY, solve_counts
from ringwright.core.counts import DEFAULT_DETAIL
from ringwright.core.errors import PlanError
from ringwright.core.limb_size import LimbSize, limb_sizes
from ringwright.core.plan import LimbPlan
from support.random_plans import random_plan
from support.sized_hand import FINGERS, HAND_SIZES, hand, limb, size


def budget_plans() -> list[tuple[LimbPlan, dict[str, LimbSize]]]:
    cases = []
    for seed in range(10):
        plan, measures = random_plan(np.random.default_rng(1000 + seed), explicit=bool(seed % 2))
        cases.append((plan, limb_sizes(plan, measures)))
    return [*cases, (hand(), HAND_SIZES)]


def least_budget(plan: LimbPlan, sizes: dict[str, LimbSize]) -> int:
    """The least budget that the refusal of a hopeless one names; the hopeless one where it is met."""
    try:
        return solve_counts(replace(plan, quad_budget=12), sizes).quads
    except PlanError as error:
        found = re.search(r"\[budget\] quads is 12; the coarsest cage .* has (\d+) quads, so raise the budget to \1 ", str(error))
        assert found is not None, str(error)
        return int(found[1])


def test_a_budget_is_kept_and_its_refusal_names_the_least_one() -> None:
    for plan, sizes in budget_plans():
        least = least_budget(plan, sizes)
        assert solve_counts(replace(plan, quad_budget=least), sizes).quads <= least
        if least > 13:
            with pytest.raises(PlanError, match="budget"):
                solve_counts(replace(plan, quad_budget=least - 1), sizes)
        for budget in (int(1.2 * least), 3 * least):
            counts = solve_counts(replace(plan, quad_budget=budget), sizes)
            assert counts.quads <= budget


@pytest.mark.parametrize("budget", [500, 800, 1200, 2132, 5000])
def test_a_hand_uses_most_of_its_budget(budget: int) -> None:
    counts = solve_counts(hand(budget=budget), HAND_SIZES)
    assert 0.95 * budget <= counts.quads <= budget


@pytest.mark.parametrize("budget", [800, 1200, 2132])
def test_no_quads_are_left_that_would_make_a_row_where_rows_are_missing(budget: int) -> None:
    counts = solve_counts(hand(budget=budget), HAND_SIZES)
    left = budget - counts.quads
    for name, found in counts.limbs.items():
        for wanted, rows in zip(found.wanted, found.spans, strict=True):
            assert wanted <= rows + 0.5 or found.rings.min() > left, (name, wanted, rows, left)


def test_given_counts_are_upper_bounds_under_a_budget() -> None:
    given = {**dict.fromkeys(FINGERS, 8), "thumb": 10, "forearm": 16}
    for budget in (400, 900, 20000):
        counts = solve_counts(hand(sides=given, webs=(3, 3, 3), budget=budget), HAND_SIZES)
        assert counts.quads <= budget
        assert all(counts.limbs[name].rings[-1] <= sides for name, sides in given.items() if name != "forearm")
        assert counts.limbs["forearm"].rings[0] <= 16
        assert all(web <= 3 for web in counts.webs[0])


def test_given_spans_are_upper_bounds_under_a_budget() -> None:
    plan = hand(budget=20000)
    limbs = [replace(each, spans=(4,) * (len(each.joints) - 1)) if each.tip == "closed" else each for each in plan.limbs]
    counts = solve_counts(replace(plan, limbs=tuple(limbs)), HAND_SIZES)
    assert all(max(counts.limbs[name].spans) <= 4 for name in (*FINGERS, "thumb"))


def test_a_mirrored_cage_shares_its_budget_between_both_sides() -> None:
    plan = replace(hand(budget=1600), symmetry="x")
    assert 0.95 * 800 <= solve_counts(plan, HAND_SIZES).quads <= 800
    one = least_budget(hand(), HAND_SIZES)
    assert least_budget(replace(hand(), symmetry="x"), HAND_SIZES) == 2 * one


def test_bends_get_all_their_rows_before_sides_grow_past_the_usual() -> None:
    """A tail of three bones: with a small budget few sides and all rows of its bends, with a tight one fewer rows."""
    plan, sizes = LimbPlan((limb("tail", bones=3, tip="closed"),)), {"tail": size(18, 6, 3)}
    rows = size(18, 6, 3).bend_rows.sum(axis=1)
    least = least_budget(plan, sizes)
    enough = solve_counts(replace(plan, quad_budget=6 * least), sizes).limbs["tail"]
    assert enough.rings[0] >= DEFAULT_DETAIL and (np.array(enough.spans) >= np.floor(rows)).all()
    tight = solve_counts(replace(plan, quad_budget=int(1.3 * least)), sizes).limbs["tail"]
    assert sum(tight.spans) < sum(enough.spans)
    assert tight.bends[0][1].rows in [share * sizes["tail"].bend_rows[0, 1] for share in BEND_DENSITIES]


def test_straight_skin_takes_long_faces_and_many_sides_curved_skin_shorter_ones() -> None:
    """Chords stand off by the curvature they span: a straight tube needs sides, one whose skin winds needs rows."""
    plan = LimbPlan((limb("tube", joint_loops=0),), quad_budget=400)
    straight, winding = (solve_counts(plan, {"tube": replace(size(12, 6), bone_curvatures=np.array([curvature]))}).limbs["tube"]
                         for curvature in (0.0, 3.0))
    assert straight.rings[0] > winding.rings[0] and straight.rows < winding.rows
    longest = 6 / straight.rings[0] / LEAST_DENSITY
    assert straight.rows >= np.floor(12 / longest)
