"""Bones of plans: names, parents, hinges, both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.errors import PlanError
from ringwright.core.plan import Limb, LimbPlan, Socket, Splice
from ringwright.core.skeleton import free_names, skeleton_of
from support.invented_hand import hand, limb


def test_one_bone_keeps_the_limbs_name() -> None:
    bones = skeleton_of(LimbPlan((limb("stump", (0, 0, 0), (0, 0, 1)),))).bones
    assert [(bone.name, bone.parent, bone.hang) for bone in bones] == [("stump", -1, "root")]
    assert abs(float(bones[0].hinge @ bones[0].direction)) < 1e-12


def test_bones_hang_through_the_joins() -> None:
    skeleton = skeleton_of(hand())
    hung = {bone.name: (skeleton.bones[bone.parent].name if bone.parent >= 0 else "", bone.hang) for bone in skeleton.bones}
    assert hung["arm.1"] == ("", "root") and hung["arm.2"] == ("arm.1", "limb")
    assert hung["palm"] == ("arm.2", "splice") and hung["thumb.1"] == ("palm", "socket")
    assert all(hung[f"digit {k}.1"] == ("palm", "fork") and hung[f"digit {k}.2"] == (f"digit {k}.1", "limb") for k in range(3))
    assert all(bone.parent < index for index, bone in enumerate(skeleton.bones))
    assert skeleton.is_connected(skeleton.index("palm")) and not skeleton.is_connected(skeleton.index("digit 0.1"))


def test_hinges_are_square_and_alike_along_a_digit() -> None:
    skeleton = skeleton_of(hand())
    for bone in skeleton.bones:
        assert abs(float(bone.hinge @ bone.direction)) < 1e-12 and np.linalg.norm(bone.hinge) == pytest.approx(1)
    digits = np.array([bone.hinge for bone in skeleton.bones if bone.limb.startswith("digit")])
    assert (digits @ digits[0] > 0.999).all()


def test_a_positive_turn_flexes_further() -> None:
    """The hinge is the axis of the turn from a bone's parent to itself: cross(parent, own) looks along it."""
    skeleton = skeleton_of(hand())
    for name in ("arm.2", "digit 1.2", "thumb.2"):
        bone = skeleton.bones[skeleton.index(name)]
        assert float(np.cross(skeleton.bones[bone.parent].direction, bone.direction) @ bone.hinge) > 0


def test_mirrored_plans_have_both_sides_in_the_hosts_words() -> None:
    skeleton = skeleton_of(hand(symmetry="x"))
    own, image = skeleton.bones[skeleton.index("digit 1.2.L")], skeleton.bones[skeleton.index("digit 1.2.R")]
    assert np.allclose(own.head * [-1, 1, 1], image.head) and np.allclose(own.hinge * [1, -1, -1], image.hinge)
    assert skeleton.bones[image.parent].name == "digit 1.1.R" and (own.side, image.side) == (1, -1)
    other = skeleton_of(replace(hand(symmetry="x"), limbs=tuple(replace(each, joints=each.joints * [-1, 1, 1]) for each in hand().limbs)))
    assert other.bones[0].name == "arm.1.R"


def test_a_limb_on_the_plane_stays_single() -> None:
    limbs = (limb("trunk", (0, 0, 0), (0, 0, 2)), limb("arm", (0.3, 0, 1), (2, 0, 1)))
    plan = LimbPlan(limbs, sockets=(Socket("trunk", "arm"),), symmetry="x")
    assert [(bone.name, bone.side) for bone in skeleton_of(plan).bones] == [("trunk", 0), ("arm.L", 1), ("arm.R", -1)]


@pytest.mark.parametrize(("way", "single"), [(0.1, True), (0.3, False), (-0.3, False)])
def test_a_limb_beside_the_plane_has_an_image(way: float, single: bool) -> None:
    """On the plane is what strays from it by less than a tenth of its bone's length, here 0.2."""
    plan = LimbPlan((limb("trunk", (0, 0, 0), (way, 0, 2)),), symmetry="x")
    assert [bone.side for bone in skeleton_of(plan).bones] == ([0] if single else [1, -1])


@pytest.mark.parametrize("bend", [0.5, -0.5])
def test_a_straight_limb_bends_as_it_does_through_its_splices(bend: float) -> None:
    """Two straight limbs that meet at an angle: the hinges of both look along the axis of the turn there, whichever way it goes."""
    lower, upper = limb("lower", (0, 0, 0), (0, 0, 2)), limb("upper", (0, 0, 2), (0, bend, 4))
    first, second = skeleton_of(LimbPlan((lower, upper), splices=(Splice("upper", "lower"),))).bones
    for hinge in (first.hinge, second.hinge):
        assert float(hinge @ np.cross(first.direction, second.direction)) == pytest.approx(
            np.linalg.norm(np.cross(first.direction, second.direction)))


def test_names_stay_apart_short_and_keep_their_side() -> None:
    names = free_names(["a.L", "a.L", " odd  name\t", "", "é" * 60 + ".R", "é" * 60 + ".R"])
    assert names[:4] == ["a.L", "a.2.L", "odd name", "bone"]
    assert len(set(names)) == len(names) and all(len(name.encode()) <= 63 for name in names)
    assert names[4].endswith("é.R") and names[5].endswith(".2.R")


def test_a_numbered_bone_keeps_the_side_at_the_end() -> None:
    assert [bone.name for bone in skeleton_of(LimbPlan((limb("arm.L", (0, 0, 0), (1, 0, 0), (2, 0, 0)),))).bones] == ["arm.1.L", "arm.2.L"]


def test_a_bone_without_length_is_refused() -> None:
    with pytest.raises(PlanError, match=r'"stump", joints: joints 1 and 2 lie on the same point'):
        skeleton_of(LimbPlan((limb("stump", (0, 0, 0), (0, 0, 0)),)))


def test_joins_in_a_loop_are_refused() -> None:
    pair = (limb("a", (0, 0, 0), (0, 0, 1)), limb("b", (0, 0, 1), (0, 0, 2)))
    with pytest.raises(PlanError, match="run in a loop"):
        skeleton_of(LimbPlan(pair, splices=(Splice("a", "b"), Splice("b", "a"))))


AWAY, ON_PLANE = np.array([[2.0, 0, 0], [2, 0, 4]]), np.array([[0.0, 0, 0], [0, 0, 4]])


@pytest.mark.parametrize("limbs", [
    [("arm.L", ON_PLANE), ("arm", AWAY)], [("arm", AWAY), ("arm.L", ON_PLANE), ("arm.R", ON_PLANE)],
    [("x" * 80 + "a", AWAY), ("x" * 80 + "b", AWAY)], [("x" * 60, AWAY), ("x" * 61, AWAY), ("x" * 62, ON_PLANE)],
    [("arm.001", AWAY), ("arm", AWAY), ("arm.2", AWAY)], [("\xe9" * 40, AWAY), ("\xe9" * 31, AWAY)],
    [('a "b" \'c\' / \\ %s {0}', AWAY), ("\N{HORSE}" * 20, AWAY)]])
def test_names_that_collide_leave_every_pair_a_pair(limbs: list[tuple[str, np.ndarray]]) -> None:
    skeleton = skeleton_of(LimbPlan(tuple(Limb(name, joints) for name, joints in limbs), symmetry="x"))
    names = [bone.name for bone in skeleton.bones]
    assert len(set(names)) == len(names) and all(len(name.encode()) <= 63 for name in names)
    for bone in (each for each in skeleton.bones if each.side == 1):
        (image,) = (each for each in skeleton.bones if each.side == -1 and (each.number, each.place) == (bone.number, bone.place))
        assert bone.name.endswith(".L") and image.name == bone.name[:-1] + "R"
