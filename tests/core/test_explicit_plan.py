"""Plans with every count written down: they build the cage that they are of; images are changed along."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.explicit_plan import explicit_plan, with_limbs
from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, format_plan, read_plan
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import hand


@pytest.fixture(scope="module")
def surface() -> ReferenceSurface:
    return ReferenceSurface(*hand(90))


def test_without_a_budget_a_plan_is_explicit_as_it_is(surface: ReferenceSurface) -> None:
    built = build_cage(hand_plan(), surface)
    assert explicit_plan(built.plan, built.counts) == built.plan


@pytest.mark.parametrize("budget", [900, 1400])
def test_an_explicit_plan_has_the_counts_of_its_cage(surface: ReferenceSurface, budget: int) -> None:
    """Rows may be fewer on a bone that its trunk cuts short, where a plan may not ask for slivers."""
    built = build_cage(hand_plan(budget=budget), surface)
    explicit = explicit_plan(built.plan, built.counts)
    assert explicit.quad_budget is None and all(limb.sides and limb.spans for limb in explicit.limbs)
    again = build_cage(read_plan(format_plan(explicit)), surface).counts
    assert again.webs == built.counts.webs and again.step_downs == built.counts.step_downs
    for name, limb in built.counts.limbs.items():
        found = again.limbs[name]
        assert set(found.rings.tolist()) == set(limb.rings.tolist())
        assert found.spans[1:] == limb.spans[1:]
        assert found.spans[0] == limb.spans[0] or (found.spans[0] < limb.spans[0] and is_branch(built.plan, name))


def is_branch(plan: LimbPlan, name: str) -> bool:
    return isinstance(plan.root_join(name), Fork | Socket)


def test_one_row_more_changes_no_other_count(surface: ReferenceSurface) -> None:
    built = build_cage(hand_plan(budget=1200), surface)
    explicit = explicit_plan(built.plan, built.counts)
    index = explicit.limb("index")
    assert index.spans is not None
    longer = replace(index, spans=(index.spans[0], index.spans[1] + 1, *index.spans[2:]))
    before, after = (build_cage(plan, surface).counts.limbs for plan in (explicit, with_limbs(explicit, {"index": longer})))
    assert after["index"].rows == before["index"].rows + 1
    assert all(after[name].rings.tolist() == limb.rings.tolist() for name, limb in before.items() if name != "index")


def test_images_are_changed_along() -> None:
    torso = Limb("torso", np.array([[0.0, 0, 0], [0, 0, 2.0]]))
    arms = [Limb(f"arm.{side}", np.array([[x, 0, 1.5], [2 * x, 0, 1.5], [3 * x, 0, 1.4]])) for side, x in (("L", 1.0), ("R", -1.0))]
    plan = LimbPlan((torso, *arms), sockets=(Socket("torso", "arm.L"), Socket("torso", "arm.R")), symmetry="x")
    joints = arms[0].joints + [[0, 0, 0], [0.1, 0.02, 0], [0, 0, 0]]
    changed = with_limbs(plan, {"arm.L": replace(arms[0], joints=joints, spans=(4, 5), joint_loops=5)})
    image = changed.limb("arm.R")
    assert np.allclose(image.joints, joints * [-1, 1, 1]) and image.spans == (4, 5) and image.joint_loops == 5
    assert changed.limb("torso") == torso
