"""Armatures from elsewhere become plans, and plans become rigs, in the real host: helper bones, several roots, odd names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import bpy
import numpy as np
import pytest

from ringwright.addon.plan_storage import load_plan, plan_text
from ringwright.addon.rigging import create_rig, stands_as
from ringwright.core.plan import Limb, LimbPlan, format_plan, read_plan
from ringwright.core.plan_from_bones import plan_from_bones
from ringwright.core.rig_bones import RigBone
from ringwright.core.skeleton import skeleton_of
from support.rigged_creature import bone, chain, cluttered_rig, helper_bones, limb_bones

pytestmark = pytest.mark.usefixtures("extension")


def armature(bones: Sequence[RigBone]) -> bpy.types.Object:
    """An armature object of these bones, active in object mode; the host drops bones without length."""
    item = bpy.data.objects.new("Rig", bpy.data.armatures.new("Rig"))
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    made = {}
    for each in bones:
        made[each.name] = item.data.edit_bones.new(each.name)
        made[each.name].head, made[each.name].tail = each.head.tolist(), each.tail.tolist()
    for each in bones:
        made[each.name].parent = made.get(each.parent)
    bpy.ops.object.mode_set(mode="OBJECT")
    return item


def test_helpers_of_a_cluttered_rig_are_left_out_and_named(capfd: pytest.CaptureFixture[str]) -> None:
    armature(cluttered_rig(tail=True, prefixed=True))
    assert bpy.ops.ringwright.plan_from_armature() == {"FINISHED"}
    count = len(helper_bones(prefixed=True))
    said = capfd.readouterr().out
    assert f"{count} helper bones were left out (Root, " in said and "select bones in pose mode to choose them yourself" in said
    assert f"made of {len(limb_bones(tail=True, prefixed=True))} bones" in said
    plan = load_plan(bpy.context.scene)
    assert {"Spine", "Tail", "LeftArm", "RightHandThumb"} <= {limb.name for limb in plan.limbs}


def test_bones_that_do_not_deform_are_no_limbs() -> None:
    item = armature([*chain(["stem", "tip"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2)]), bone("panel", "", (5, 0, 0), (5, 0, 1))])
    item.data.bones["panel"].use_deform = False
    assert bpy.ops.ringwright.plan_from_armature() == {"FINISHED"}
    assert [limb.name for limb in load_plan(bpy.context.scene).limbs] == ["stem", "tip"]


def test_bones_that_are_selected_in_pose_mode_count_even_if_they_look_like_helpers() -> None:
    item = armature(chain(["arm", "arm_end"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2)]))
    bpy.ops.object.mode_set(mode="POSE")
    for each in item.pose.bones:
        (each if hasattr(each, "select") else each.bone).select = True
    bpy.ops.ringwright.plan_from_armature()
    assert [limb.name for limb in load_plan(bpy.context.scene).limbs] == ["arm", "arm_end"]


@pytest.mark.parametrize(("bones", "words"), [
    ([*chain(["a", "b"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2)]), *chain(["c", "d"], "", [(3, 0, 0), (3, 0, 1), (3, 0, 2)])],
     r"The bones have 2 roots \(a, c\); leave out the ones that do not belong, or hang them from one bone."),
    ([], "No bone was given; select the bones that the cage is to follow.")])
def test_what_is_no_one_tree_is_refused_and_the_plan_stays(bones: list[RigBone], words: str) -> None:
    kept = format_plan(LimbPlan((Limb("old", np.array([[0.0, 0, 0], [0, 0, 1]])),)))
    bpy.context.scene["ringwright_plan"] = kept
    armature(bones)
    with pytest.raises(RuntimeError, match=words) as refusal:
        bpy.ops.ringwright.plan_from_armature(replace_plan=True)
    assert str(refusal.value).strip().count("\n") == 0 and plan_text(bpy.context.scene) == kept


ODD = ['a "b" \'c\'', "x/y\\z", "Körper \N{SNOWMAN}", "\N{HORSE}\N{HORSE}", "n" * 63, "%s {0} {name}", " lead", "trail ",
       "tab\there", "a;b=[1]#c", "\N{RIGHT-TO-LEFT OVERRIDE}abc", "a.001", "arm.L"]


@pytest.mark.parametrize("odd", ODD)
def test_odd_names_of_bones_come_through_plan_and_rig(odd: str) -> None:
    armature(chain([odd, "next"], "", [(0, 0, 0), (0, 0, 1), (0, 0.1, 2)]))
    assert bpy.ops.ringwright.plan_from_armature() == {"FINISHED"}
    plan = load_plan(bpy.context.scene)
    assert len(plan.limbs) == 2 and read_plan(format_plan(plan)).limbs[0].name == plan.limbs[0].name
    skeleton = skeleton_of(plan)
    rig = create_rig(bpy.context.scene, skeleton, "Made")
    assert stands_as(rig, skeleton) and [each.name for each in rig.data.bones] == [each.name for each in skeleton.bones]


@pytest.mark.parametrize("names", [("n" * 80 + "a", "n" * 80 + "b"), ("arm.L", "arm"), ("arm", "arm.001"),
                                   ("\N{HORSE}" * 30, "\N{HORSE}" * 31)])
def test_names_that_collide_are_apart_and_in_pairs_in_the_host(names: tuple[str, str]) -> None:
    joints = np.array([[2.0, 0, 0], [2, 0.1, 3], [2, 0.6, 6]])
    plan = LimbPlan(tuple(Limb(name, joints + [0, 9.0 * number, 0]) for number, name in enumerate(names)), symmetry="x")
    skeleton = skeleton_of(plan)
    rig = create_rig(bpy.context.scene, skeleton)
    made = [each.name for each in rig.data.bones]
    assert made == [each.name for each in skeleton.bones] and len(set(made)) == 8
    assert {bpy.utils.flip_name(name) for name in made} == set(made)


@pytest.mark.parametrize("scale", [(1, 1, 1), (0.01, 0.01, 0.01), (2, 0.5, 3), (-1, 1, 1)])
def test_a_turned_and_scaled_armature_is_read_as_it_stands(scale: tuple[float, float, float]) -> None:
    """As rigs come in from files of other units and axes; also where the object that they hang from is turned."""
    bones = limb_bones(tail=True, prefixed=False)
    item = armature(bones)
    holder = bpy.data.objects.new("Holder", None)
    bpy.context.scene.collection.objects.link(holder)
    holder.rotation_euler, holder.location = (0.3, 0, 0.2), (4, 0, -1)
    item.parent, item.rotation_euler, item.location, item.scale = holder, (np.pi / 2, 0.4, 0), (7, -2, 3), scale
    bpy.context.view_layer.update()
    matrix = np.array(item.matrix_world)
    assert bpy.ops.ringwright.plan_from_armature() == {"FINISHED"}
    plain = plan_from_bones([replace(each, head=matrix[:3, :3] @ each.head + matrix[:3, 3], tail=matrix[:3, :3] @ each.tail + matrix[:3, 3])
                             for each in bones])
    plan = load_plan(bpy.context.scene)
    assert {limb.name for limb in plan.limbs} == {limb.name for limb in plain.limbs}
    for limb in plain.limbs:
        np.testing.assert_allclose(plan.limb(limb.name).joints, limb.joints, rtol=1e-4, atol=1e-5)
