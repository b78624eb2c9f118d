"""What plans expect of their cages."""

from __future__ import annotations

import numpy as np

from ringwright.core.expected import expected_of
from ringwright.core.findings import Expectation
from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice


def limb(name: str, tip: str = "open") -> Limb:
    return Limb(name, np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), tip=tip)


def test_a_tube_has_two_open_ends() -> None:
    assert expected_of(LimbPlan((limb("tail"),))) == Expectation(1, 2, None)


def test_a_closed_limb_has_one() -> None:
    assert expected_of(LimbPlan((limb("tail", "closed"),), quad_budget=300)) == Expectation(1, 1, 300)


def test_limbs_without_a_join_are_pieces() -> None:
    assert expected_of(LimbPlan((limb("left", "closed"), limb("right")))) == Expectation(2, 3, None)


def test_a_hand_and_forearm_has_one_open_end() -> None:
    names = ("little", "ring", "middle", "index", "thumb")
    limbs = (*(limb(name, "closed") for name in names), limb("palm"), limb("forearm"))
    plan = LimbPlan(limbs, (Fork("palm", names[:4]),), (Socket("palm", "thumb"),), (Splice("palm", "forearm"),))
    assert expected_of(plan) == Expectation(1, 1, None)


def test_a_mirrored_plan_is_judged_by_its_budget_and_symmetry() -> None:
    assert expected_of(LimbPlan((limb("tail"),), symmetry="x", quad_budget=300)) == Expectation(None, None, 300, "x")
