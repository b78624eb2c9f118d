"""Plans from armatures: a hand, an arm, a tail, a whole invented biped; refusals in one sentence."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.errors import PlanError
from ringwright.core.plan import Fork, LimbPlan, Socket, Splice, format_plan, read_plan
from ringwright.core.plan_from_bones import plan_from_bones
from ringwright.core.rig_bones import RigBone
from support.reference_surface import ReferenceSurface
from support.shapes import capsule


def bone(name: str, parent: str, head: tuple[float, float, float], tail: tuple[float, float, float]) -> RigBone:
    return RigBone(name, parent, np.array(head, dtype=float), np.array(tail, dtype=float))


def chain(names: list[str], parent: str, points: list[tuple[float, float, float]]) -> list[RigBone]:
    return [bone(name, ([parent] + names)[index], points[index], points[index + 1]) for index, name in enumerate(names)]


def arm_bones(side: str = "L", sign: float = 1.0, parent: str = "") -> list[RigBone]:
    """Two-piece upper and lower arm, a palm of three fanned bones, three digits and a thumb, along x."""
    def at(x: float, y: float = 0.0, z: float = 0.0) -> tuple[float, float, float]:
        return sign * x, y, z

    bones = chain([f"upper01.{side}", f"upper02.{side}", f"lower01.{side}", f"lower02.{side}", f"hand.{side}"], parent,
                  [at(2), at(3), at(4), at(5, 0.3), at(6, 0.6), at(6.2, 0.6)])
    for k in range(3):
        y = 0.6 + 0.4 * (k - 1)
        bones += chain([f"spread{k}.{side}"] + [f"digit{k}-{i}.{side}" for i in range(3)], f"hand.{side}",
                       [at(6.2, 0.6 + 0.02 * k), at(7, y), at(7.5, y), at(7.9, y, -0.1), at(8.2, y, -0.3)])
    thumb = [at(6.2, 0.3), at(6.6, -0.1), at(6.9, -0.3), at(7.1, -0.4)]
    return bones + chain([f"thumb{i}.{side}" for i in range(3)], f"hand.{side}", thumb)


def biped() -> list[RigBone]:
    bones = chain(["root"], "", [(0, 0.2, 0), (0, 0, 0.1)])
    bones += chain(["spine1", "spine2", "spine3", "neck"], "root", [(0, 0, 0.1), (0, 0.1, 1), (0, 0, 2), (0, 0, 3), (0, 0, 3.5)])
    for side, sign in (("L", 1.0), ("R", -1.0)):
        bones += chain([f"pelvis.{side}", f"thigh.{side}", f"shin.{side}", f"foot.{side}"], "root",
                       [(0, 0, 0.1), (sign * 0.5, 0, 0), (sign * 0.6, 0, -2), (sign * 0.6, 0.1, -4), (sign * 0.6, -0.6, -4.2)])
        bones += chain([f"clavicle.{side}"], "spine3", [(sign * 0.1, 0, 2.9), (sign * 0.9, 0, 2.8)])
        bones += [each if each.parent else bone(each.name, f"clavicle.{side}", (sign * 0.9, 0, 0), tuple(each.tail))
                  for each in arm_bones(side, sign)]
    return [bone(each.name, each.parent, tuple(each.head + [0, 0, 2.8]), tuple(each.tail + [0, 0, 2.8]))
            if each.name.split(".")[0].startswith(("upper", "lower", "hand", "spread", "digit", "thumb")) else each for each in bones]


def names(plan: LimbPlan) -> list[str]:
    return [limb.name for limb in plan.limbs]


def test_one_chain_of_one_name_is_one_limb() -> None:
    plan = plan_from_bones(chain([f"tail.{k:03d}" for k in range(6)], "", [(0, 0, z) for z in range(7)]))
    assert names(plan) == ["tail"] and len(plan.limbs[0].joints) == 7 and plan.limbs[0].tip == "closed"


def test_an_arm_with_a_hand() -> None:
    plan = plan_from_bones(arm_bones())
    assert names(plan)[:3] == ["upper.L", "lower.L", "hand.L"]
    assert plan.splices == (Splice("lower.L", "upper.L"), Splice("hand.L", "lower.L"))
    assert plan.sockets == (Socket("hand.L", "thumb.L"),)
    assert len(plan.forks) == 1 and plan.forks[0].trunk == "hand.L"
    assert plan.forks[0].branches in (("digit0.L", "digit1.L", "digit2.L"), ("digit2.L", "digit1.L", "digit0.L"))
    assert {limb.name for limb in plan.limbs if limb.tip == "closed"} == {"digit0.L", "digit1.L", "digit2.L", "thumb.L"}


def test_twist_halves_are_one_bone_and_digits_are_not() -> None:
    plan = plan_from_bones(arm_bones())
    assert len(plan.limb("upper.L").joints) == 2 and len(plan.limb("lower.L").joints) == 2
    assert len(plan.limb("digit0.L").joints) == 4 and len(plan.limb("thumb.L").joints) == 4


def test_bones_that_fan_out_in_the_palm_lengthen_it() -> None:
    plan = plan_from_bones(arm_bones())
    assert np.allclose(plan.limb("hand.L").joints, [[6, 0.6, 0], [7, 0.6, 0]])
    assert np.allclose(plan.limb("digit1.L").joints[0], [7, 0.6, 0])


def test_a_whole_biped_runs_from_the_neck_down() -> None:
    plan = plan_from_bones(biped())
    assert names(plan)[0] == "neck" and plan.root_join("neck") is None
    assert Splice("spine", "neck") in plan.splices and plan.limb("spine").joints[0, 2] > plan.limb("spine").joints[-1, 2]
    assert [set(fork.branches) for fork in plan.forks if fork.trunk == "spine"] == [{"thigh.L", "thigh.R"}]
    assert {(socket.trunk, socket.branch) for socket in plan.sockets} == {
        ("spine", "upper.L"), ("spine", "upper.R"), ("hand.L", "thumb.L"), ("hand.R", "thumb.R")}
    assert "clavicle.L" not in names(plan) and len(plan.limb("upper.L").joints) == 3
    assert sum(plan.root_join(limb.name) is None for limb in plan.limbs) == 1


def test_both_sides_are_mirror_images() -> None:
    plan = plan_from_bones(biped())
    for limb in plan.limbs:
        if limb.name.endswith(".L"):
            assert np.allclose(limb.joints * [-1, 1, 1], plan.limb(limb.name[:-1] + "R").joints)


def test_the_plan_can_be_written_and_read() -> None:
    plan = plan_from_bones(biped(), "cm")
    again = read_plan(format_plan(plan))
    assert again.unit == "cm" and names(again) == names(plan) and again.forks == plan.forks


def test_the_order_of_the_bones_does_not_matter() -> None:
    bones = arm_bones()
    shuffled = [bones[index] for index in np.random.default_rng(3).permutation(len(bones))]
    one, other = plan_from_bones(bones), plan_from_bones(shuffled)
    assert set(names(one)) == set(names(other)) and isinstance(one.forks[0], Fork) and set(one.splices) == set(other.splices)


def test_names_that_collide_are_kept_apart() -> None:
    bones = chain(["a"], "", [(0, 0, 0), (0, 0, 2)])
    bones += chain(["b1"], "a", [(1, 0, 1), (2, 0, 1)]) + chain(["b2"], "a", [(-1, 0, 1), (-2, 0, 1)])
    assert len(set(names(plan_from_bones(bones)))) == 3


def test_a_rig_of_a_hand_with_words_alone() -> None:
    """Digits called by their names, without numbers or fans."""
    bones = chain(["palm"], "", [(0, 0, 0), (0, 0, 2)])
    for k, word in enumerate(("index", "middle", "ring")):
        bones += chain([f"{word}.01", f"{word}.02"], "palm", [(k - 1, 0, 2), (k - 1, 0, 3), (k - 1, 0.2, 4)])
    bones += chain(["thumb.01", "thumb.02"], "palm", [(-0.6, 0, 0.8), (-1.5, 0, 1.5), (-2, 0.2, 2.2)])
    plan = plan_from_bones(bones)
    assert set(plan.forks[0].branches) == {"index", "middle", "ring"} and plan.sockets == (Socket("palm", "thumb"),)


@pytest.mark.parametrize(("bones", "words"), [
    ([], "No bone was given"),
    (chain(["a"], "", [(0, 0, 0), (0, 0, 1)]) + chain(["b"], "", [(1, 0, 0), (1, 0, 1)]), r"2 roots \(a, b\)"),
    ([bone("a", "b", (0, 0, 0), (0, 0, 1)), bone("b", "a", (0, 0, 1), (0, 0, 2))], "parents of the bones run in a loop, a -> b -> a"),
    (chain(["a", "b"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 1)]), '"b" has no length'),
    ([bone("a", "", (0, 0, 0), (0, 0, 1)), bone("a", "", (1, 0, 0), (1, 0, 1))], 'Two bones are named "a"'),
    (chain(["a"], "", [(0, 0, 0), (0, 0, float("nan"))]), "an end that is no number"),
    ([bone("", "", (0, 0, 0), (0, 0, 1))], "A bone has no name"),
    ([bone("a", "a", (0, 0, 0), (0, 0, 1))], "parents of the bones run in a loop, a -> a"),
])
def test_refusals(bones: list[RigBone], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        plan_from_bones(bones)


@pytest.mark.parametrize("odd", ["arm\nupper", 'q"uo\\te', "bell\x07", "zero\u200bwidth", "手", "  ", "x" * 300, "[[limb]]", "a = 1 # b"])
def test_odd_names_make_a_plan_that_can_be_kept(odd: str) -> None:
    """Whatever a bone is called, its limb's name can be written, read and found again; two odd names stay two."""
    bones = [bone(odd, "", (0, 0, 0), (0, 0, 2)), bone(f"{odd}!", odd, (1, 0, 1), (2, 0, 1)), bone(f"{odd}?", odd, (-1, 0, 1), (-2, 0, 1))]
    plan = plan_from_bones(bones)
    assert len(set(names(plan))) == 3
    again = read_plan(format_plan(plan))
    assert names(again) == names(plan) and again.sockets == plan.sockets


def test_a_bone_outside_the_target_is_named_when_it_is_built() -> None:
    surface = ReferenceSurface(*capsule(length=4.0))
    plan = plan_from_bones(chain(["tail01", "tail02", "tail03"], "", [(0, 0, 0.2), (0, 0, 1), (3, 0, 2), (0, 0, 3.5)]))
    with pytest.raises(PlanError, match=r'"tail", joints: joint 3 at \[3, 0, 2\] lies outside the target'):
        build_cage(plan, surface)


def test_a_body_that_is_alike_on_both_sides_is_mirrored() -> None:
    assert plan_from_bones(biped()).symmetry == "x"
    lopsided = [bone(each.name, each.parent, tuple(each.head + [0, 0, 0.8 * (each.name == "foot.L")]),
                     tuple(each.tail + [0, 0, 0.8 * (each.name in ("shin.L", "foot.L"))])) for each in biped()]
    assert plan_from_bones(lopsided).symmetry is None


def test_a_body_with_a_tail_on_the_plane_is_not_mirrored() -> None:
    """A closed limb on the plane leaves no strip along it; such a body is built as it is."""
    tail = chain(["tail01", "tail02"], "spine1", [(0, 0.4, 0.4), (0, 2, 0.4), (0, 4, 0.4)])
    assert plan_from_bones(biped() + tail).symmetry is None
