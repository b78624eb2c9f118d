"""Kinds of joints, told by what limbs are called and by how they hang together."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ringwright.core.joint_motion import joint_role
from ringwright.core.plan import LimbPlan
from ringwright.core.plan_edits import rename_limb
from ringwright.core.skeleton import skeleton_of
from support.hand_plan import hand_plan


def called(**names: str) -> LimbPlan:
    """The invented hand with other names for some of its limbs."""
    plan = hand_plan()
    for old, new in names.items():
        plan = rename_limb(plan, old, new)
    return plan


@pytest.mark.parametrize("name", ["finger1", "digit.1", "fifth"])
def test_the_digit_at_a_hands_side_is_its_thumb_whatever_it_is_called(name: str) -> None:
    """Many rigs count the thumb as the first finger; it turns far less at its root than the others do."""
    skeleton = skeleton_of(called(thumb=name))
    roles = [joint_role(skeleton, index) for index, bone in enumerate(skeleton.bones) if bone.limb == name]
    assert roles == ["thumb root", "thumb middle", "thumb end"][: len(roles)] and len(roles) >= 2
    fingers = {joint_role(skeleton, index) for index, bone in enumerate(skeleton.bones) if bone.limb == "index"}
    assert fingers <= {"finger root", "finger middle", "finger end"}


def test_a_digit_beside_fewer_than_three_others_is_a_finger() -> None:
    plan = called(thumb="finger1")
    (fork,) = plan.forks
    few = replace(plan, limbs=tuple(limb for limb in plan.limbs if limb.name not in fork.branches[:2]),
                  forks=(replace(fork, branches=fork.branches[2:]),))
    skeleton = skeleton_of(few)
    assert joint_role(skeleton, skeleton.index("finger1.1")) == "finger root"
