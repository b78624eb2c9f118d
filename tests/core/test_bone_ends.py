"""Where bones end: believed where a child begins, else found from the children, whatever way the bones point."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.bone_ends import LAST_SHARE, with_true_ends
from ringwright.core.plan_from_bones import plan_from_bones
from ringwright.core.rig_bones import RigBone
from support.odd_rigs import cut_short, quadruped_bones, sticks
from support.rigged_creature import bone, chain, limb_bones

LINE = [(0, 0, 0), (0, 0, 2), (0, 0.5, 4), (0, 1.5, 5)]
LINE_UP = [(0, 0, 5), (0, 0, 6), (0, 0, 7)]


def tails(bones: list[RigBone]) -> np.ndarray:
    return np.array([each.tail for each in bones])


def test_connected_bones_stay() -> None:
    for bones in (chain(["a", "b", "c"], "", LINE), limb_bones(tail=False, prefixed=False)[:4]):
        np.testing.assert_array_equal(tails(with_true_ends(bones)), tails(bones))


@pytest.mark.parametrize("way", [(0.3, 0, 0), (0, -2.0, 0), (0, 0, -0.5), (0, 0, 0)])
def test_joints_alone_are_enough(way: tuple[float, float, float]) -> None:
    whole = chain(["a", "b", "c"], "", LINE)
    found = with_true_ends(sticks(whole, way))
    np.testing.assert_allclose(tails(found)[:2], tails(whole)[:2])
    np.testing.assert_allclose(found[2].tail - found[2].head, LAST_SHARE * (whole[1].tail - whole[1].head))


def test_a_bone_cut_short_reaches_the_next() -> None:
    whole = chain(["a", "b", "c"], "", LINE)
    found = with_true_ends(cut_short(whole))
    np.testing.assert_allclose(tails(found)[:2], tails(whole)[:2])
    np.testing.assert_allclose(found[2].tail, cut_short(whole)[2].tail)  # its own way is as good as any


def test_a_branch_in_the_side_is_no_end() -> None:
    thigh = bone("thigh", "", (0, 0, 4), (0, 0, 0))
    fin = bone("fin", "thigh", (0.5, 0, 3), (2, 0, 3))
    np.testing.assert_array_equal(with_true_ends([thigh, fin])[0].tail, thigh.tail)


def test_sides_are_no_end_of_the_middle() -> None:
    hips = bone("hips", "", (0, 0, 4), (0, 0, 5))
    legs = [bone(f"leg.{side}", "hips", (x, 0, 3), (x, 0, 0)) for side, x in (("L", 2), ("R", -2))]
    np.testing.assert_array_equal(with_true_ends([hips, *legs])[0].tail, hips.tail)


def test_a_hand_ends_in_the_middle_of_its_row_and_not_at_its_thumb() -> None:
    hand = bone("hand.L", "", (0, 0, 0), (0.5, 0, 0))
    fingers = [bone(f"{name}.L", "hand.L", (x, 0, 4), (x, 0, 5)) for name, x in (("index", -1), ("middle", 0), ("ring", 1.3))]
    thumb = bone("thumb.L", "hand.L", (-1, 0, 1), (-2, 0, 2))
    np.testing.assert_allclose(with_true_ends([hand, *fingers, thumb])[0].tail, [0.1, 0, 4])


def test_a_stick_with_spine_and_tail_takes_the_larger() -> None:
    hips = bone("hips", "", (0, 0, 4), (3, 0, 4))
    bones = [hips, *chain(["spine1", "spine2"], "hips", LINE_UP), bone("tail", "hips", (0, 1, 4), (0, 2, 4))]
    np.testing.assert_allclose(with_true_ends(bones)[0].tail, LINE_UP[0])


@pytest.mark.parametrize("way", [(0, 0, 0.3), (0, 0.3, 0), (0.2, 0.2, 0.2)])
def test_a_quadruped_of_sticks_has_the_limbs_of_the_whole(way: tuple[float, float, float]) -> None:
    """Joints but those at free ends lie where the whole rig has them."""
    whole, found = (plan_from_bones(bones) for bones in (quadruped_bones(tail=True), sticks(quadruped_bones(tail=True), way)))
    assert [limb.name for limb in found.limbs] == [limb.name for limb in whole.limbs]
    assert (found.forks, set(found.sockets), found.splices) == (whole.forks, set(whole.sockets), whole.splices)
    for limb in whole.limbs:
        ends = slice(int(whole.root_join(limb.name) is None), -1)
        np.testing.assert_allclose(found.limb(limb.name).joints[ends], limb.joints[ends], atol=0.5)
