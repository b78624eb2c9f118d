"""The search for better bends: nothing gets worse, the budget holds, what was changed is said."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.errors import PlanError
from ringwright.core.flex import Flex
from ringwright.core.improve import BendScore, Improvement, improve, no_joint_worse
from ringwright.core.improve_moves import moves
from ringwright.core.plan import Limb, LimbPlan, Splice, format_plan
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import capsule, hand

ABOVE = ("volume", "jacobian")
BELOW = ("poor", "flipped", "weight")


def stalk(budget: int | None = None, loops: int = 3) -> LimbPlan:
    joints = np.array([[0, 0, -0.8], [0, 0, 2.0], [0, 0, 4.5]])
    return LimbPlan((Limb("finger", joints, tip="open", joint_loops=loops),), quad_budget=budget)


@pytest.fixture(scope="module")
def surface() -> ReferenceSurface:
    return ReferenceSurface(*capsule(radius=1.0, length=5.0, around=48, along=48))


@pytest.fixture(scope="module", params=[(160, 1), (160, 3), (None, 1)], ids=str)
def improved(request: pytest.FixtureRequest, surface: ReferenceSurface) -> Improvement:
    budget, loops = request.param
    return improve(stalk(budget, loops), surface)


def test_no_figure_gets_worse(improved: Improvement) -> None:
    for name in ABOVE:
        assert getattr(improved.score, name) >= getattr(improved.start, name) - 1e-9
    for name in BELOW:
        assert getattr(improved.score, name) <= getattr(improved.start, name) + 1e-9
    assert improved.score.poor + improved.score.fair <= improved.start.poor + improved.start.fair


def test_the_budget_holds(improved: Improvement) -> None:
    assert improved.result.mesh.face_count == improved.score.quads <= (improved.plan.quad_budget or improved.start.quads)


def test_what_was_changed_is_said_and_is_in_the_plan(improved: Improvement) -> None:
    assert improved.trials > 1
    if improved.changes:
        last = improved.changes[-1]
        assert last.after == improved.score and str(last).startswith(last.words) and "finger" in last.words
        assert all(change.after.better_than(change.before) for change in improved.changes)
    else:
        assert improved.score == improved.start


def test_a_joint_without_rows_of_its_own_is_helped(surface: ReferenceSurface) -> None:
    """Rings evenly spaced all along: some change bends measurably better."""
    found = improve(stalk(160, 0), surface)
    assert found.changes and found.score.better_than(found.start)


def test_the_moves_cover_loops_joints_rows_webs_sides_and_step_downs() -> None:
    plan = hand_plan()
    tried = list(moves(plan, build_cage(plan, ReferenceSurface(*hand(90))).counts, ["middle"]))
    told = " | ".join(move.words for move in tried)
    for words in ("joint_loops = 5 for", "webs of", "step-downs between forearm and palm over", "rows of index ",
                  "joint 2 of index 8% of a bone toward its tip", "joint 3 of index 15% of a bone toward its root"):
        assert words in told
    assert told.index("joint 2 of middle") < told.index("joint 2 of index"), "limbs that bend worst come first"
    changed = [move.applied(plan) for move in tried]
    assert sum(each is not None and format_plan(each) != format_plan(plan) for each in changed) > len(tried) / 2
    assert all(each is None or [limb.name for limb in each.limbs] == [limb.name for limb in plan.limbs] for each in changed)


def test_rows_go_from_one_bone_to_another_and_none_are_lost() -> None:
    plan = hand_plan()
    counts = build_cage(plan, ReferenceSurface(*hand(90))).counts
    within = [move for move in moves(plan, counts) if move.words.startswith("rows of index ")]
    before = counts.limbs["index"].spans
    assert len(within) == 6
    for move in within:
        changed = move.applied(plan)
        assert changed is not None and sum(changed.limb("index").spans) == sum(before) and min(changed.limb("index").spans) >= 1
        assert sorted(np.subtract(changed.limb("index").spans, before).tolist()) == [-1, 0, 1]


def test_a_limb_without_joints_gives_rows_and_sides_away(surface: ReferenceSurface) -> None:
    base, finger = Limb("base", np.array([[0, 0, -0.8], [0, 0, 1.5]])), Limb("finger", np.array([[0, 0, 1.5], [0, 0, 3.0], [0, 0, 4.5]]))
    plan = LimbPlan((base, finger), splices=(Splice("finger", "base"),))
    counts = build_cage(plan, surface).counts
    (rows,), more = counts.limbs["base"].spans, counts.limbs["finger"].spans
    given = {move.words: move.applied(plan) for move in moves(plan, counts) if "the quads to others" in move.words}
    fewer_rows, fewer_sides = given.values()
    assert fewer_rows is not None and fewer_rows.limb("base").spans == (rows - 1,)
    assert fewer_rows.limb("finger").spans == (more[0] + 1, more[1])
    assert fewer_sides is not None and fewer_sides.limb("base").sides == int(counts.limbs["base"].rings.min()) - 2


def test_the_plan_that_comes_out_builds_the_very_cage(improved: Improvement, surface: ReferenceSurface) -> None:
    again = build_cage(improved.plan, surface).mesh
    assert np.array_equal(again.corner_verts, improved.result.mesh.corner_verts)
    assert np.array_equal(again.positions, improved.result.mesh.positions)


def test_what_progress_raises_ends_the_search(surface: ReferenceSurface) -> None:
    class Stopped(Exception):
        pass

    def stop(stage: str, share: float) -> None:
        if stage.startswith("Trying"):
            raise Stopped

    with pytest.raises(Stopped):
        improve(stalk(160, 1), surface, progress=stop)


@pytest.mark.parametrize(("joints", "budget", "loops"), [(4, 260, 0), (4, 260, 3), (3, 200, 1)])
def test_no_joint_gets_worse_than_in_the_first_cage(joints: int, budget: int, loops: int) -> None:
    """Every figure of every joint, over plans of several joints."""
    surface = ReferenceSurface(*capsule(radius=0.7, length=6.0, around=40, along=48))
    chain = np.column_stack([np.zeros((joints + 1, 2)), np.linspace(-0.5, 5.6, joints + 1)])
    plan = LimbPlan((Limb("tail", chain, tip="open", joint_loops=loops),), quad_budget=budget)
    found = improve(plan, surface, most_trials=16)
    start = improve(plan, surface, most_trials=1).flex
    assert no_joint_worse(found.flex, start)
    for joint, first in zip(found.flex.joints, start.joints, strict=True):
        assert min(each.volume_kept for each in joint.motions) >= min(each.volume_kept for each in first.motions) - 1e-3
        assert min(each.smallest_jacobian for each in joint.motions) >= min(each.smallest_jacobian for each in first.motions) - 1e-3
    assert found.score.no_worse_than(found.start)


def test_a_joint_that_loses_is_told_from_one_that_gains(surface: ReferenceSurface) -> None:
    flex = improve(stalk(160, 1), surface, most_trials=1).flex
    joint = flex.joints[0]

    def changed(**figures: float) -> Flex:
        motions = tuple(replace(each, **figures) for each in joint.motions)  # type: ignore[arg-type]
        return replace(flex, joints=(replace(joint, motions=motions), *flex.joints[1:]))

    assert no_joint_worse(flex, flex) and no_joint_worse(changed(volume_kept=2.0, smallest_jacobian=1.0), flex)
    for figures in ({"volume_kept": 0.1}, {"smallest_jacobian": -1.0}, {"flipped_faces": 99}):
        assert not no_joint_worse(changed(**figures), flex)


def test_trials_are_bounded(surface: ReferenceSurface) -> None:
    assert improve(stalk(160, 1), surface, most_trials=1).trials == 1


def test_a_plan_that_cannot_be_built_is_refused(surface: ReferenceSurface) -> None:
    with pytest.raises(PlanError):
        improve(stalk(12), surface)


def score(**changes: float) -> BendScore:
    return replace(BendScore(1, 2, 0.8, 0.3, 0.1, 100, 0.6, 8), **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(("changes", "better"), [({}, False), ({"volume": 0.82}, True), ({"jacobian": 0.35}, True),
                                                 ({"poor": 0, "fair": 3}, True), ({"flipped": 0.05}, True),
                                                 ({"volume": 0.82, "jacobian": 0.29}, False),
                                                 ({"volume": 0.82, "poor": 2, "fair": 1}, False), ({"volume": 0.82, "weight": 10}, False),
                                                 ({"volume": 0.82, "resting_jacobian": 0.4}, False), ({"volume": 0.8001}, False),
                                                 ({"volume": 0.82, "resting_jacobian": 0.55}, True)])
def test_better_means_no_loss_and_a_gain(changes: dict[str, float], better: bool) -> None:
    assert score(**changes).better_than(score()) == better


def test_every_figure_of_the_score_counts() -> None:
    told = {field.name for field in fields(BendScore)} - {"quads"}  # the budget is kept by the planner
    worse = {"poor": 2, "fair": 3, "volume": 0.7, "jacobian": 0.1, "flipped": 0.2, "resting_jacobian": 0.2, "weight": 9}
    assert set(worse) == told
    assert not any(score(**{name: value}).no_worse_than(score()) for name, value in worse.items())
