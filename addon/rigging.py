"""Skeleton and skin weights of the core as an armature, vertex groups and an animation of the host; and bones read back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import bpy
import numpy as np
from mathutils import Matrix, Quaternion, Vector

from ..core.plan_from_bones import RigBone
from ..core.polymesh import FloatArray
from ..core.poses import Pose, turn_quaternion
from ..core.skeleton import Skeleton
from ..core.skin_weights import SkinWeights

RIG_PROPERTY = "ringwright_rig"
"""Custom property that marks an armature object as made here, so that it may be replaced."""
RIG_NAME = "Cage Rig"
MODIFIER_NAME = "Cage Rig"
MARKER_PREFIX = "Bend: "
"""Begins the name of every marker of the flex animation."""
ACTION_NAME = "Flex Test"
"""Name of the action that holds the flex animation."""
BEND_FRAMES = 12
"""Frames from rest to a bend of the flex animation, and as many back (half a second: slow enough to see it fold)."""


def rig_of(cage: bpy.types.Object) -> bpy.types.Object | None:
    """The armature that was made for a cage, or None."""
    rigs = [modifier.object for modifier in cage.modifiers if modifier.type == "ARMATURE" and modifier.object is not None]
    return next((rig for rig in rigs if rig.get(RIG_PROPERTY)), None)


def create_rig(scene: bpy.types.Scene, skeleton: Skeleton, name: str = RIG_NAME) -> bpy.types.Object:
    """Make an armature object of the skeleton's bones at the world's origin.

    scene : of the context; no object may be in a mode of its own
    """
    armature = bpy.data.armatures.new(name)
    rig = bpy.data.objects.new(name, armature)
    rig[RIG_PROPERTY] = 1
    scene.collection.objects.link(rig)
    with _edited(rig):
        made: list[bpy.types.EditBone] = []
        for index, bone in enumerate(skeleton.bones):
            edit_bone = armature.edit_bones.new(bone.name)
            edit_bone.head, edit_bone.tail = Vector(bone.head), Vector(bone.tail)
            edit_bone.align_roll(Vector(np.cross(bone.hinge, bone.direction)))
            if bone.parent >= 0:
                edit_bone.parent = made[bone.parent]
                edit_bone.use_connect = skeleton.is_connected(index)
            made.append(edit_bone)
    return rig


@contextmanager
def _edited(rig: bpy.types.Object) -> Iterator[None]:
    """An armature in edit mode, which alone lets its bones be made; the active object comes back."""
    layer = bpy.context.view_layer
    layer.update()
    before = layer.objects.active
    layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    try:
        yield
    finally:
        bpy.ops.object.mode_set(mode="OBJECT")
        layer.objects.active = before


def bind_cage(cage: bpy.types.Object, rig: bpy.types.Object, skeleton: Skeleton, weights: SkinWeights) -> None:
    """Give a cage the vertex groups of its bones and let it follow the rig; groups of other names stay.

    weights : of the cage's vertices in their order
    """
    write_weights(cage, skeleton, weights)
    follow_rig(cage, rig)


def write_weights(cage: bpy.types.Object, skeleton: Skeleton, weights: SkinWeights) -> None:
    """Vertex groups named after the bones, anew."""
    for index, bone in enumerate(skeleton.bones):
        old = cage.vertex_groups.get(bone.name)
        if old is not None:
            cage.vertex_groups.remove(old)
        group = cage.vertex_groups.new(name=bone.name)
        vertex, column = np.nonzero((weights.bones == index) & (weights.weights > 0))
        for each, weight in zip(vertex.tolist(), weights.weights[vertex, column].tolist(), strict=True):
            group.add((each,), weight, "REPLACE")


def follow_rig(cage: bpy.types.Object, rig: bpy.types.Object) -> None:
    """Parent a cage to the rig where it stands, with one modifier that bends it."""
    matrix = cage.matrix_world.copy()
    cage.parent = rig
    cage.matrix_parent_inverse = rig.matrix_world.inverted()
    cage.matrix_world = matrix
    modifier = cage.modifiers.get(MODIFIER_NAME) or cage.modifiers.new(MODIFIER_NAME, "ARMATURE")
    modifier.object = rig


def remove_rig(cage: bpy.types.Object) -> None:
    """Take away the rig that was made for a cage, with its animation; armatures that an artist made stay."""
    rig = rig_of(cage)
    if rig is None:
        return
    matrix = cage.matrix_world.copy()
    action = rig.animation_data.action if rig.animation_data else None
    armature = rig.data
    bpy.data.objects.remove(rig)
    cage.matrix_world = matrix
    if armature.users == 0:
        bpy.data.armatures.remove(armature)
    if action is not None and action.users == 0:
        bpy.data.actions.remove(action)


def unbound_vertices(cage: bpy.types.Object, skeleton: Skeleton) -> int:
    """Vertices that follow none of the bones."""
    groups = {cage.vertex_groups[bone.name].index for bone in skeleton.bones if bone.name in cage.vertex_groups}
    return sum(not any(each.group in groups and each.weight > 0 for each in vertex.groups) for vertex in cage.data.vertices)


def pose_rig(rig: bpy.types.Object, skeleton: Skeleton, pose: Pose) -> None:
    """Turn the rig's bones into a pose; bones that it does not name go to rest."""
    for index, bone in enumerate(skeleton.bones):
        pose_bone = rig.pose.bones[bone.name]
        pose_bone.rotation_mode = "QUATERNION"
        pose_bone.rotation_quaternion = Quaternion(turn_quaternion(pose.get(index, (0.0, 0.0, 0.0))))


def animate_rig(scene: bpy.types.Scene, rig: bpy.types.Object, skeleton: Skeleton, poses: Sequence[tuple[str, Pose]]) -> int:
    """Store an animation that goes from rest into every pose and back, an older one replaced; markers tell where.

    Returns its last frame.
    """
    old = rig.animation_data.action if rig.animation_data else None
    rig.animation_data_clear()
    if old is not None and old.users == 0 and old.name.startswith(ACTION_NAME):
        bpy.data.actions.remove(old)
    pose_rig(rig, skeleton, {})
    for marker in [each for each in scene.timeline_markers if each.name.startswith(MARKER_PREFIX)]:
        scene.timeline_markers.remove(marker)
    for number, (label, pose) in enumerate(poses):
        start = 1 + 2 * BEND_FRAMES * number
        for frame, turns in ((start, {}), (start + BEND_FRAMES, pose), (start + 2 * BEND_FRAMES, {})):
            _key(rig, skeleton, sorted(pose), turns, frame)
        scene.timeline_markers.new(MARKER_PREFIX + label, frame=start + BEND_FRAMES)
    if rig.animation_data is not None and rig.animation_data.action is not None:
        rig.animation_data.action.name = ACTION_NAME
    pose_rig(rig, skeleton, {})
    return 1 + 2 * BEND_FRAMES * len(poses)


def _key(rig: bpy.types.Object, skeleton: Skeleton, bones: Sequence[int], pose: Pose, frame: int) -> None:
    for index in bones:
        pose_bone = rig.pose.bones[skeleton.bones[index].name]
        pose_bone.rotation_quaternion = Quaternion(turn_quaternion(pose.get(index, (0.0, 0.0, 0.0))))
        pose_bone.keyframe_insert("rotation_quaternion", frame=frame)


def read_bones(rig: bpy.types.Object) -> list[RigBone]:
    """Bones of an armature object at rest in the world: the selected ones in pose mode, else those that deform, else all."""
    matrix = np.array(rig.matrix_world, dtype=np.float64)
    if rig.mode == "POSE":
        chosen = [bone.bone for bone in rig.pose.bones if getattr(bone, "select", False) or getattr(bone.bone, "select", False)]
    else:
        chosen = [bone for bone in rig.data.bones if bone.use_deform] or list(rig.data.bones)
    names = {bone.name for bone in chosen}

    def in_world(point: Vector) -> FloatArray:
        return np.asarray(matrix[:3, :3] @ np.array(point, dtype=np.float64) + matrix[:3, 3])

    def parent_of(bone: bpy.types.Bone) -> str:
        above = bone.parent
        while above is not None and above.name not in names:
            above = above.parent
        return above.name if above is not None else ""

    return [RigBone(bone.name, parent_of(bone), in_world(bone.head_local), in_world(bone.tail_local)) for bone in chosen]


def bone_matrix(rig: bpy.types.Object, name: str) -> Matrix:
    """A bone's own axes at rest in the world."""
    return rig.matrix_world @ rig.data.bones[name].matrix_local
