"""The search for better bends on the real leg: no figure is worse than at the start, whatever it keeps."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.flex import Study
from ringwright.core.improve import Improvement, improve
from ringwright.core.improve_score import NOTABLE, Bends, Figures, bent_joints, bent_poses
from ringwright.core.joint_motion import JOINT_RANGES
from ringwright.core.plan import LimbPlan, read_plan
from support.open_data import require_base_mesh
from support.real_cases import real_case
from support.reference_surface import ReferenceSurface

pytestmark = [pytest.mark.real, pytest.mark.slow]


@pytest.fixture(autouse=True)
def data() -> None:
    require_base_mesh()


@lru_cache(maxsize=1)
def surface() -> ReferenceSurface:
    return ReferenceSurface.from_mesh(real_case("leg_right").target)


def plan() -> LimbPlan:
    case = real_case("leg_right")
    return read_plan(case.plan(case.comparable().face_count))


def bends_of(found: Improvement) -> Bends:
    study = Study.of(found.flex.skinned)
    return Bends(study, tuple(bent_joints(study, JOINT_RANGES)), tuple(bent_poses(study, JOINT_RANGES)))


def figures(found: Improvement, joint: str) -> Figures:
    bends = bends_of(found)
    return bends.of_joint(next(each.bone for each in bends.joints if each.name == joint))


def checked(start: LimbPlan) -> tuple[Improvement, Improvement]:
    """The first cage and the best one, of which no figure is worse."""
    first, found = improve(start, surface(), most_trials=1), improve(start, surface())
    assert (bends_of(found).figures >= bends_of(first).figures - NOTABLE).all()
    assert found.score.no_worse_than(first.score) and found.score.quads <= (start.quad_budget or first.score.quads)
    return first, found


def test_no_figure_of_the_leg_is_worse_and_the_plan_found_builds_its_cage() -> None:
    _, found = checked(plan())
    assert found.score.fair + found.score.poor <= found.start.fair + found.start.poor
    assert found.score.jacobian >= found.start.jacobian
    again = build_cage(found.plan, surface()).mesh
    assert np.array_equal(again.positions, found.result.mesh.positions)
