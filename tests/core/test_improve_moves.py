"""Changes that may help a joint: what they cover, that they change nothing else, that they can be made together or not at all."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from ringwright.core.build import BuildResult, build_cage
from ringwright.core.explicit_plan import explicit_plan
from ringwright.core.improve_moves import Move, all_moves, rows_beside
from ringwright.core.plan import LimbPlan, check_plan, format_plan
from ringwright.core.skeleton import Bone, skeleton_of
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import hand


@pytest.fixture(scope="module")
def built() -> BuildResult:
    return build_cage(hand_plan(), ReferenceSurface(*hand(90)))


@pytest.fixture(scope="module")
def plan(built: BuildResult) -> LimbPlan:
    return explicit_plan(built.plan, built.counts)


def bone(plan: LimbPlan, name: str) -> Bone:
    return next(each for each in skeleton_of(plan).bones if each.name == name)


def moves(plan: LimbPlan, built: BuildResult, name: str, room: int = 10_000) -> dict[str, Move]:
    found = list(all_moves(plan, built.counts, bone(plan, name), room))
    found += [farther for move in found for farther in move.then]
    return {move.words: move for move in found}


@pytest.mark.parametrize(("name", "words"), [
    ("index.2", ("joint 2 of index 8% of a bone toward its root", "joint 2 of index 15% of a bone toward its tip",
                 "a row more on bone 1 of index", "a row more on bone 1 of index, a row fewer on bone 2 of index",
                 "joint_loops = 5 for index")),
    ("palm.1", ("joint 1 of palm 8% of a bone toward its root", "a row more on bone 2 of forearm", "joint_loops = 7 for forearm, palm",
              "step-downs between forearm and palm over 3 rows")),
    ("index.1", ("webs narrower by one between the branches of palm", "two sides more for index and palm")),
    ("thumb.1", ("two sides fewer for thumb", "a row more on bone 1 of thumb"))])
def test_the_moves_cover_joints_rows_loops_webs_sides_and_step_downs(plan: LimbPlan, built: BuildResult, name: str,
                                                                     words: tuple[str, ...]) -> None:
    assert set(words) <= set(moves(plan, built, name))


@pytest.mark.parametrize("name", ["index.2", "palm.1", "index.1", "thumb.1"])
def test_every_move_that_is_possible_leaves_a_valid_plan_and_no_two_are_alike(plan: LimbPlan, built: BuildResult, name: str) -> None:
    changed = [move.applied(plan) for move in moves(plan, built, name).values()]
    possible = [each for each in changed if each is not None]
    for each in possible:
        check_plan(each)
    texts = {format_plan(each) for each in possible}
    assert len(texts) == len(possible) >= 0.8 * len(changed) and format_plan(plan) not in texts


def test_a_move_of_a_spliced_joint_takes_both_limbs_along(plan: LimbPlan, built: BuildResult) -> None:
    changed = moves(plan, built, "palm.1")["joint 1 of palm 8% of a bone toward its tip"].applied(plan)
    assert changed is not None
    assert np.array_equal(changed.limb("palm").joints[0], changed.limb("forearm").joints[-1])
    shorter = min(np.linalg.norm(np.diff(plan.limb("forearm").joints, axis=0), axis=1)[-1],
                  np.linalg.norm(np.diff(plan.limb("palm").joints, axis=0), axis=1)[0])
    assert np.isclose(np.linalg.norm(changed.limb("palm").joints[0] - plan.limb("palm").joints[0]), 0.08 * shorter)


def test_without_room_other_bones_pay_for_a_row_under_a_budget() -> None:
    surface = ReferenceSurface(*hand(90))
    built = build_cage(hand_plan(budget=1200), surface)
    plan = explicit_plan(built.plan, built.counts)
    free, paid = (moves(plan, built, "index.2", room) for room in (100, 0))
    assert "a row more on bone 2 of index" in free and not any(words.startswith("a row more on bone 2 of index,") and
                                                               "bone 1 of index" not in words for words in free)
    (words,) = [each for each in paid if each.startswith("a row more on bone 2 of index,") and "bone 1 of index" not in each]
    changed = paid[words].applied(plan)
    assert changed is not None
    assert build_cage(changed, surface).mesh.face_count <= build_cage(plan, surface).mesh.face_count


def test_without_a_budget_no_bone_pays_whose_rows_would_all_be_laid_anew(plan: LimbPlan, built: BuildResult) -> None:
    found = moves(plan, built, "index.2", 0)
    assert "a row fewer on bone 1 of index" in found
    assert not any(words.startswith("a row more on bone 2 of index,") and "bone 1 of index" not in words for words in found)


def test_rows_are_not_taken_below_one(plan: LimbPlan, built: BuildResult) -> None:
    fewer = moves(plan, built, "index.2")["a row fewer on bone 1 of index"].applied
    for _ in range(len(plan.limbs[0].joints) * 20):
        changed = fewer(plan)
        if changed is None:
            break
        plan = changed
    assert changed is None and min(plan.limb("index").spans or ()) == 1


def test_moves_that_touch_different_things_can_be_made_together(plan: LimbPlan, built: BuildResult) -> None:
    found = moves(plan, built, "index.2")
    rows, joint = found["a row more on bone 1 of index"], found["joint 2 of index 8% of a bone toward its tip"]
    assert not rows.touches & joint.touches
    first, second = (partial(_both, plan), partial(_both, plan))
    assert format_plan(first(rows, joint)) == format_plan(second(joint, rows))


def _both(plan: LimbPlan, one: Move, other: Move) -> LimbPlan:
    changed = one.applied(plan)
    assert changed is not None
    both = other.applied(changed)
    assert both is not None
    return both


def test_the_rows_beside_a_joint_are_found_across_joins(plan: LimbPlan) -> None:
    assert rows_beside(plan, bone(plan, "index.2")) == (("index", 0), ("index", 1))
    assert rows_beside(plan, bone(plan, "palm.1")) == (("forearm", len(plan.limb("forearm").joints) - 2), ("palm", 0))
    assert rows_beside(plan, bone(plan, "thumb.1")) == (("palm", len(plan.limb("palm").joints) - 2), ("thumb", 0))
