"""Advice on joints: it names what the bend lacks, and following it helps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.flex import Flex, JointFlex, flex_test, skinned
from ringwright.core.flex_advice import advice, rows_in_bend
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.skeleton import skeleton_of
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import capsule, hand
from support.tubes import tube


def finger(spans: tuple[int, int]) -> Flex:
    """A finger on a capsule, one joint in its middle."""
    surface = ReferenceSurface(*capsule(radius=1.0, length=6.0, around=48, along=64))
    limb = Limb("finger", np.array([[0, 0, -0.5], [0, 0, 3.0], [0, 0, 6.5]]), tip="open", sides=12, spans=spans)
    plan = LimbPlan((limb,))
    return flex_test(skinned(build_cage(plan, surface).mesh, skeleton_of(plan)))


def straight(spacing: float) -> Flex:
    plan = LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 4.0], [0, 0, 8.0]])),))
    return flex_test(skinned(tube(16, round(8 / spacing) + 1, spacing=spacing), skeleton_of(plan)))


@pytest.mark.parametrize("spacing", [0.2, 0.4, 0.8])
def test_rows_in_a_bend_are_counted(spacing: float) -> None:
    flex = straight(spacing)
    (index,) = (joint.bone for joint in flex.joints)
    wanted = flex.skinned.blends[index].half_width / spacing
    assert rows_in_bend(flex.skinned, index) == pytest.approx((wanted, wanted))


def test_a_bend_short_of_rows_is_told_where_and_helped_by_more() -> None:
    short = finger((2, 8))
    (joint,) = short.joints
    assert 'more rows, on bone 1 of "finger": raise spans' in advice(short, joint)
    followed = finger((4, 8))
    (after,) = followed.joints
    assert after.volume_kept > joint.volume_kept + 0.01 and after.smallest_jacobian > joint.smallest_jacobian
    assert "more rows" not in advice(followed, after)


def changed(joint: JointFlex, **figures: float) -> JointFlex:
    return replace(joint, motions=tuple(replace(each, **figures) for each in joint.motions))  # type: ignore[arg-type]


def test_a_joint_off_its_ring_a_pole_in_the_crease_and_rows_enough_are_told_apart() -> None:
    flex = straight(0.2)
    (joint,) = flex.joints
    assert "to the middle of its ring" in advice(flex, changed(joint, loop_drift=0.5))
    assert "away from the inner side of the bend" in advice(flex, replace(joint, crease_poles=np.array([5], dtype=np.int32)))
    assert "rows enough; move the joint along its bone" in advice(flex, joint)


def test_a_branch_is_not_told_to_lay_rows_that_its_trunk_cuts_short() -> None:
    plan = hand_plan()
    flex = flex_test(skinned(build_cage(plan, ReferenceSurface(*hand(90))).mesh, skeleton_of(plan)))
    for joint in flex.joints:
        if flex.skinned.skeleton.bones[joint.bone].is_branch:
            words = advice(flex, joint)
            assert words.startswith("Move the joint along its bone, or raise joint_loops") and "rows" not in words
