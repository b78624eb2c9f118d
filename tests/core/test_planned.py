"""A plan shown before it is built: its step-downs lie where the build puts them, its joins tell their counts."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import BuildResult, build_cage
from ringwright.core.count_figures import UNKNOWN, count_figures
from ringwright.core.plan import LimbPlan
from ringwright.core.planned import Planned, join_labels, planned
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import hand


@pytest.fixture(scope="module")
def shown() -> tuple[LimbPlan, Planned, BuildResult]:
    plan, drafts = hand_plan(palm={"sides": 16}), []
    built = build_cage(plan, ReferenceSurface(*hand(90)), draft=lambda mesh, counts: drafts.append(planned(mesh, counts)))
    return plan, drafts[0], built


def test_every_step_down_is_shown_near_where_it_is_built(shown: tuple[LimbPlan, Planned, BuildResult]) -> None:
    _, plan, built = shown
    assert len(plan.step_downs) == built.tally.step_downs > 0
    edge = np.linalg.norm(plan.edges[:, 0] - plan.edges[:, 1], axis=1).mean()
    gaps = np.linalg.norm(plan.step_downs.reshape(-1, 1, 3) - built.mesh.positions[None], axis=2).min(axis=1)
    assert gaps.max() < edge
    assert len(plan.edges) == 2 * built.mesh.face_count + built.counts.limbs["forearm"].rings[0] // 2


def test_joins_tell_their_counts_where_they_lie(shown: tuple[LimbPlan, Planned, BuildResult]) -> None:
    plan, draft, built = shown
    assert draft.figures == count_figures(built.counts)
    labels = {label.join.kind: label for label in join_labels(plan, draft.figures)}
    assert np.array_equal(labels["fork"].place, plan.limb("palm").joints[-1])
    assert np.array_equal(labels["socket"].place, plan.limb("thumb").joints[0])
    assert labels["fork"].join.below == 16 and labels["fork"].join.step_downs > 0
    assert sum(label.join.step_downs for label in labels.values()) == built.tally.step_downs
    assert {label.join.above for label in join_labels(hand_plan(), UNKNOWN)} == {None}
