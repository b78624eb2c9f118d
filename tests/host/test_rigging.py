"""Rigs in the host: bones as the core has them, and its own armature bends the cage as the core's blending does."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

from ringwright.addon.cage_object import place_cage, read_cage
from ringwright.addon.mesh_bridge import create_mesh, read_positions
from ringwright.addon.plan_storage import PLAN_PROPERTY, is_built, load_plan, store_plan
from ringwright.addon.rigging import (
    ACTION_NAME,
    BEND_FRAMES,
    MARKER_PREFIX,
    RIG_NAME,
    bind_cage,
    create_rig,
    is_bent,
    move_bones,
    pose_rig,
    read_weights,
    remove_rig,
    rig_of,
    stands_as,
)
from ringwright.core.flex import Skinned, flex_test, posed, skinned
from ringwright.core.flex_report import animation_poses, grade
from ringwright.core.plan import Limb, LimbPlan, format_plan
from ringwright.core.polymesh import PolyMesh
from ringwright.core.skeleton import skeleton_of
from support.shapes import Shape, capsule
from support.tubes import bent, tube

pytestmark = pytest.mark.usefixtures("extension")


def arm_plan(name: str = "arm", symmetry: str | None = None) -> LimbPlan:
    """Three bones along z, bent a little toward +y."""
    joints = np.array([[2, 0, 0], [2, 0.1, 3], [2, 0.6, 6], [2, 1.5, 8.0]])
    return LimbPlan((Limb(name, joints, sides=12),), symmetry=symmetry)


def lower_plan() -> LimbPlan:
    """The same with its joints a little lower."""
    return LimbPlan((Limb("arm", arm_plan().limbs[0].joints * [1, 1, 0.97], sides=12),))


def arm() -> Skinned:
    mesh = tube(12, 17, spacing=0.5, base=(2, 0, 0))
    return skinned(mesh, skeleton_of(arm_plan()))


def evaluated(item: bpy.types.Object) -> np.ndarray:
    matrix = np.array(item.matrix_world)
    graph = bpy.context.evaluated_depsgraph_get()
    graph.update()
    points = read_positions(item.evaluated_get(graph).data).astype(float)
    return points @ matrix[:3, :3].T + matrix[:3, 3]


def bone_axes(rig: bpy.types.Object, name: str) -> np.ndarray:
    """A bone's own axes at rest in the world, (4, 4)."""
    return np.array(rig.matrix_world @ rig.data.bones[name].matrix_local)


def rigged(cage: Skinned) -> tuple[bpy.types.Object, bpy.types.Object]:
    item = place_cage(bpy.context.scene, cage.mesh)
    rig = create_rig(bpy.context.scene, cage.skeleton)
    bind_cage(item, rig, cage.skeleton, cage.weights)
    return item, rig


def test_bones_lie_and_turn_as_the_skeleton_says() -> None:
    cage = arm()
    _, rig = rigged(cage)
    for bone in cage.skeleton.bones:
        matrix = bone_axes(rig, bone.name)
        assert np.allclose(matrix[:3, 3], bone.head, atol=1e-6)
        assert np.allclose(matrix[:3, 0], bone.hinge, atol=1e-5) and np.allclose(matrix[:3, 1], bone.direction, atol=1e-5)
    assert [bone.use_connect for bone in rig.data.bones] == [False, True, True]
    assert [bone.parent.name if bone.parent else "" for bone in rig.data.bones] == ["", "arm.1", "arm.2"]


@pytest.mark.parametrize("pose", [{1: (70, 0, 0)}, {1: (0, 30, 0), 2: (0, 0, 80)}, {0: (20, -10, 40), 1: (100, 15, 0), 2: (-30, 5, 60)}])
def test_the_hosts_armature_bends_as_linear_blending_does(pose: dict[int, tuple[float, float, float]]) -> None:
    cage = arm()
    item, rig = rigged(cage)
    pose_rig(rig, cage.skeleton, pose)
    assert np.allclose(evaluated(item), posed(cage, pose).positions, atol=5e-5)
    pose_rig(rig, cage.skeleton, {})
    assert np.allclose(evaluated(item), cage.mesh.positions, atol=5e-6)


def test_a_cage_that_stands_elsewhere_stays_there() -> None:
    cage = arm()
    item = place_cage(bpy.context.scene, PolyMesh(cage.mesh.positions - [2, 0, 0], cage.mesh.corner_verts, cage.mesh.face_offsets))
    item.location = (2, 0, 0)
    bpy.context.view_layer.update()
    rig = create_rig(bpy.context.scene, cage.skeleton)
    bind_cage(item, rig, cage.skeleton, cage.weights)
    bpy.context.view_layer.update()
    assert np.allclose(evaluated(item), cage.mesh.positions, atol=5e-6)
    pose_rig(rig, cage.skeleton, {1: (60, 0, 0)})
    assert np.allclose(evaluated(item), posed(cage, {1: (60, 0, 0)}).positions, atol=5e-5)


def test_the_host_knows_the_other_side_of_every_name() -> None:
    skeleton = skeleton_of(arm_plan("arm", symmetry="x"))
    names = {bone.name for bone in skeleton.bones}
    assert {bpy.utils.flip_name(name) for name in names} == names and bpy.utils.flip_name("arm.2.L") == "arm.2.R"


def test_mirrored_bones_pose_alike() -> None:
    """The host's own mirrored paste takes a flexed left arm to a right arm that is its image."""
    skeleton = skeleton_of(arm_plan("arm", symmetry="x"))
    rig = create_rig(bpy.context.scene, skeleton)
    left, right = (bone_axes(rig, f"arm.2.{side}") for side in "LR")
    assert np.allclose(left[:3, 0] * [1, -1, -1], right[:3, 0], atol=1e-5)
    assert np.allclose(left[:3, 2] * [-1, 1, 1], right[:3, 2], atol=1e-5)


def build_scene() -> bpy.types.Object:
    cage = arm()
    item = place_cage(bpy.context.scene, cage.mesh.with_attributes(vertex__limb=np.zeros(cage.mesh.vertex_count, dtype=np.int32)))
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, arm_plan())
    return item


@pytest.mark.parametrize("weights", ["LIMBS", "HOST"])
def test_the_operator_binds_every_vertex(weights: str) -> None:
    item = build_scene()
    assert bpy.ops.ringwright.rig_cage(weights=weights) == {"FINISHED"}
    rig = rig_of(item)
    assert rig is not None and [bone.name for bone in rig.data.bones] == ["arm.1", "arm.2", "arm.3"]
    assert read_weights(item, skeleton_of(arm_plan())) is not None
    assert [modifier.type for modifier in item.modifiers] == ["ARMATURE"]
    for vertex in item.data.vertices:
        assert len(vertex.groups) <= 4 and sum(group.weight for group in vertex.groups) == pytest.approx(1, abs=1e-5)


def test_a_rig_is_replaced_and_other_armatures_stay() -> None:
    item = build_scene()
    own = bpy.data.objects.new("Artist's", bpy.data.armatures.new("Artist's"))
    bpy.context.scene.collection.objects.link(own)
    bpy.ops.ringwright.rig_cage()
    bpy.ops.ringwright.rig_cage()
    assert len(bpy.data.armatures) == 2 and own.name in bpy.data.objects
    remove_rig(item)
    assert [each.name for each in bpy.data.armatures] == ["Artist's"]
    assert RIG_NAME not in bpy.data.objects


def test_the_flex_test_lists_findings_and_keys_every_bend() -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    assert bpy.ops.ringwright.flex_cage() == {"FINISHED"}
    scene, rig = bpy.context.scene, rig_of(item)
    markers = {marker.name: marker.frame for marker in scene.timeline_markers}
    joints = flex_test(skinned(read_cage(item), skeleton_of(arm_plan()))).joints
    assert len(markers) == sum(len({joint.motions[0].motion, joint.worst.motion}) for joint in joints)
    assert all(scene.frame_start <= frame <= scene.frame_end for frame in markers.values())
    scene.frame_set(1)
    at_rest = evaluated(item)
    scene.frame_set(min(markers.values()))
    assert np.abs(evaluated(item) - at_rest).max() > 1 and rig.pose.bones["arm.2"].rotation_quaternion.angle > 0.5
    bpy.ops.ringwright.flex_cage()
    assert {marker.name: marker.frame for marker in scene.timeline_markers} == markers


def test_the_list_of_joints_leads_to_the_frame_of_the_worst_bend() -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    bpy.ops.ringwright.flex_cage()
    scene, flex = bpy.context.scene, flex_test(skinned(read_cage(item), skeleton_of(arm_plan())))
    rows = scene.ringwright.bends
    assert {row.bone: row.verdict for row in rows} == {joint.name: grade(joint) for joint in flex.joints}
    for index, row in enumerate(rows):
        assert bpy.ops.ringwright.show_bend(index=index) == {"FINISHED"} and scene.ringwright.active_bend == index
        (joint,) = (each for each in flex.joints if each.name == row.bone)
        bent = posed(skinned(read_cage(item), skeleton_of(arm_plan())), {joint.bone: joint.worst.motion.turn})
        assert np.allclose(evaluated(item), bent.positions, atol=1e-4)
    with pytest.raises(RuntimeError, match="There is no joint 9; the list holds 2"):
        bpy.ops.ringwright.show_bend(index=9)


def test_the_flex_test_bends_the_weights_that_the_cage_has() -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    bpy.ops.ringwright.flex_cage()
    smooth = {row.bone: row.volume for row in bpy.context.scene.ringwright.bends}
    half = [vertex.index for vertex in item.data.vertices if 1.0 < vertex.co.z < 5.0]
    item.vertex_groups["arm.1"].add(half, 0.5, "REPLACE")
    item.vertex_groups["arm.2"].add(half, 0.5, "REPLACE")
    bpy.ops.ringwright.flex_cage()
    painted = {row.bone: row.volume for row in bpy.context.scene.ringwright.bends}
    assert abs(painted["arm.2"] - smooth["arm.2"]) > 0.05 and painted["arm.3"] == pytest.approx(smooth["arm.3"], abs=0.05)


def said(capfd: pytest.CaptureFixture[str]) -> str:
    return capfd.readouterr().out


def test_a_rig_of_another_plan_is_told_and_gets_no_animation(capfd: pytest.CaptureFixture[str]) -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    for change in (lambda: setattr(rig_of(item).data.bones["arm.2"], "name", "mine"), lambda: store_plan(bpy.context.scene, lower_plan())):
        change()
        assert bpy.ops.ringwright.flex_cage() == {"FINISHED"}
        assert "the rig's bones are not those of the plan; Rig Cage makes them anew" in said(capfd)
        assert not bpy.context.scene.timeline_markers and len(bpy.context.scene.ringwright.bends) == 2
        bpy.ops.ringwright.rig_cage()
    bpy.ops.ringwright.flex_cage()
    assert bpy.context.scene.timeline_markers


def test_an_artists_own_animation_of_the_rig_stays(capfd: pytest.CaptureFixture[str]) -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    rig = rig_of(item)
    rig.pose.bones["arm.2"].keyframe_insert("location", frame=3)
    rig.animation_data.action.name = "Walk"
    bpy.ops.ringwright.flex_cage()
    assert 'the rig bears your animation "Walk"' in said(capfd) and rig.animation_data.action.name == "Walk"
    bpy.ops.ringwright.rig_cage()
    assert 'your animation "Walk" is kept in the file' in said(capfd) and bpy.data.actions["Walk"].use_fake_user


@pytest.mark.parametrize("weights", ["LIMBS", "HOST"])
@pytest.mark.parametrize("name", ["arm.2", "a" * 62, "clothes"])
def test_an_artists_vertex_groups_stay(weights: str, name: str, capfd: pytest.CaptureFixture[str]) -> None:
    """Also one that bears a bone's name, which it has to give away."""
    item = build_scene()
    if name != "clothes":
        store_plan(bpy.context.scene, arm_plan(name.removesuffix(".2")))
    own = skeleton_of(load_plan(bpy.context.scene)).bones[1].name if name != "clothes" else name
    item.vertex_groups.new(name=own).add([3, 4], 0.7, "REPLACE")
    for _ in range(2):
        bpy.ops.ringwright.rig_cage(weights=weights)
    kept = [group.name for group in item.vertex_groups if group.name not in rig_of(item).data.bones]
    assert len(kept) == 1 and len(item.vertex_groups) == 4 and (own in kept) == (name == "clothes")
    index = item.vertex_groups[kept[0]].index
    assert [vertex.index for vertex in item.data.vertices if any(each.group == index for each in vertex.groups)] == [3, 4]
    assert ("Bones took the names of your vertex groups" in said(capfd)) == (name != "clothes")


def test_groups_of_bones_that_are_gone_go_with_them() -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    store_plan(bpy.context.scene, arm_plan("leg"))
    bpy.ops.ringwright.rig_cage()
    assert [group.name for group in item.vertex_groups] == ["leg.1", "leg.2", "leg.3"]


def test_a_bent_cage_is_known_as_bent() -> None:
    item = build_scene()
    assert not is_bent(None) and not is_bent(item)
    bpy.ops.ringwright.rig_cage()
    rig = rig_of(item)
    assert not is_bent(item)
    pose_rig(rig, skeleton_of(arm_plan()), {1: (30.0, 0, 0)})
    assert is_bent(item)
    rig.data.pose_position = "REST"
    assert not is_bent(item)


def test_bones_follow_joints_that_were_moved() -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    rig = rig_of(item)
    rig.location = (0, 0, 1)
    bpy.context.view_layer.update()
    moved = skeleton_of(lower_plan())
    assert not stands_as(rig, moved)
    move_bones(rig, moved)
    assert stands_as(rig, moved) and np.allclose(bone_axes(rig, "arm.2")[:3, 0], moved.bones[1].hinge, atol=1e-5)


def test_the_flex_animation_is_one_named_action_on_the_armature_that_scrubs_every_bend() -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    for _ in range(2):
        bpy.ops.ringwright.flex_cage()
    scene, rig = bpy.context.scene, rig_of(item)
    assert [action.name for action in bpy.data.actions] == [ACTION_NAME] and rig.animation_data.action.name == ACTION_NAME
    cage = skinned(read_cage(item), skeleton_of(arm_plan()))
    flex = flex_test(cage)
    for label, pose in animation_poses(flex):
        scene.frame_set(scene.timeline_markers[MARKER_PREFIX + label].frame)
        assert np.allclose(evaluated(item), posed(cage, pose).positions, atol=1e-4)
        scene.frame_set(scene.frame_current + BEND_FRAMES)
        assert np.allclose(evaluated(item), cage.mesh.positions, atol=1e-5), "back at rest between two bends"


def test_a_cage_whose_faces_were_edited_is_still_bound_and_one_that_lost_its_faces_is_refused() -> None:
    item = build_scene()
    faces = list(range(0, len(item.data.polygons), 2))
    remaining = PolyMesh.from_quads(read_cage(item).positions, np.delete(read_cage(item).quads(), faces[:8], axis=0))
    place_cage(bpy.context.scene, remaining)
    assert bpy.ops.ringwright.rig_cage() == {"FINISHED"} and read_weights(item, skeleton_of(arm_plan())) is not None
    remove_rig(item)
    item.modifiers.clear()
    item.data.clear_geometry()
    with pytest.raises(RuntimeError, match="The cage has no face; build it first"):
        bpy.ops.ringwright.rig_cage()
    with pytest.raises(RuntimeError, match="The cage has no face"):
        bpy.ops.ringwright.flex_cage()
    assert not bpy.data.armatures and not item.modifiers


@pytest.mark.parametrize(("joints", "words"), [([[2, 0, 0], [2, 0, 0], [2, 0, 4]], "joints 1 and 2 lie on the same point"),
                                               ([[2, 0, 0], [2, 0, 4], [2, 0, 4]], "joints 2 and 3 lie on the same point")])
def test_bones_of_no_length_are_refused_and_nothing_is_lost(joints: list[list[float]], words: str) -> None:
    item = build_scene()
    bpy.ops.ringwright.rig_cage()
    before = rig_of(item)
    item[PLAN_PROPERTY] = format_plan(LimbPlan((Limb("arm", np.array(joints, dtype=float)),)))
    with pytest.raises(RuntimeError, match=words):
        bpy.ops.ringwright.rig_cage()
    assert rig_of(item) == before and len(before.data.bones) == 3


@pytest.mark.parametrize("name", ["Körper \N{SNOWMAN}", "a" * 80, "arm.L", "x; y\t'z'"])
def test_odd_names_become_bones_that_the_host_keeps(name: str) -> None:
    skeleton = skeleton_of(arm_plan(name))
    rig = create_rig(bpy.context.scene, skeleton)
    assert [bone.name for bone in rig.data.bones] == [bone.name for bone in skeleton.bones]
    assert len({bone.name for bone in rig.data.bones}) == 3


def improvable() -> bpy.types.Object:
    """A capsule with the plan of a stalk without loops at its joint, built."""
    scene = bpy.context.scene
    target = bpy.data.objects.new("Target", create_mesh("Target", triangle_mesh(capsule(radius=1.0, length=5.0, around=48, along=48))))
    scene.collection.objects.link(target)
    scene.ringwright.target = target
    bpy.context.view_layer.update()
    joints = np.array([[0, 0, -0.8], [0, 0, 2.0], [0, 0, 4.5]])
    store_plan(scene, LimbPlan((Limb("finger", joints, tip="open", joint_loops=0),), quad_budget=160))
    assert bpy.ops.ringwright.build_cage(inspect=False) == {"FINISHED"}
    return scene.ringwright.cage


def triangle_mesh(shape: Shape) -> PolyMesh:
    return PolyMesh(shape.positions, shape.triangles.ravel(), 3 * np.arange(len(shape.triangles) + 1))


def bend_figures(cage: bpy.types.Object) -> np.ndarray:
    """Volume kept and smallest scaled Jacobian of the stalk's only joint, each at its worst."""
    joint = flex_test(skinned(read_cage(cage), skeleton_of(load_plan(bpy.context.scene)))).joints[0]
    return np.array([min(each.volume_kept for each in joint.motions), min(each.smallest_jacobian for each in joint.motions)])


def test_improving_keeps_what_bends_better_and_its_plan() -> None:
    cage = improvable()
    before = bend_figures(cage)
    assert bpy.ops.ringwright.improve_cage(trials=12) == {"FINISHED"}
    after = bend_figures(bpy.context.scene.ringwright.cage)
    assert (after >= before - 1e-5).all() and (after > before + 1e-3).any()
    assert len(bpy.context.scene.ringwright.cage.data.polygons) <= 160 and is_built(bpy.context.scene)


def test_improving_what_cannot_be_improved_leaves_the_cage() -> None:
    cage = improvable()
    results = []
    while not results or (results[-1] == {"FINISHED"} and len(results) < 8):
        name, places = cage.data.name, read_cage(cage).positions
        results.append(bpy.ops.ringwright.improve_cage(trials=40))
    assert results[-1] == {"CANCELLED"}
    assert cage.data.name == name and np.array_equal(read_cage(cage).positions, places)


def test_a_cage_of_another_plan_is_refused_in_one_sentence() -> None:
    item = place_cage(bpy.context.scene, bent(tube(8, 6), 0.3).with_attributes(vertex__limb=np.full(48, 7, dtype=np.int32)))
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, arm_plan())
    with pytest.raises(RuntimeError, match="48 vertices of the mesh belong to limbs that the plan does not have"):
        bpy.ops.ringwright.rig_cage()
    assert not item.modifiers and not bpy.data.armatures


def test_a_plan_comes_back_from_its_own_rig() -> None:
    skeleton = skeleton_of(arm_plan())
    rig = create_rig(bpy.context.scene, skeleton)
    rig.location = (0, 5, 0)
    bpy.context.view_layer.objects.active = rig
    bpy.context.view_layer.update()
    assert bpy.ops.ringwright.plan_from_armature() == {"FINISHED"}
    plan = load_plan(bpy.context.scene)
    assert [limb.name for limb in plan.limbs] == ["arm"]
    assert np.allclose(plan.limbs[0].joints, arm_plan().limbs[0].joints + [0, 5, 0], atol=1e-6)
    with pytest.raises(RuntimeError, match="has 1 limbs already"):
        bpy.ops.ringwright.plan_from_armature()
    assert bpy.ops.ringwright.plan_from_armature(replace_plan=True) == {"FINISHED"}


def test_only_selected_bones_count_in_pose_mode() -> None:
    rig = create_rig(bpy.context.scene, skeleton_of(arm_plan()))
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="POSE")
    for bone in rig.pose.bones:
        (bone if hasattr(bone, "select") else bone.bone).select = bone.name != "arm.3"
    bpy.ops.ringwright.plan_from_armature()
    assert len(load_plan(bpy.context.scene).limbs[0].joints) == 3
