"""Skeleton and skin weights of the core as an armature, vertex groups and an animation of the host; and bones read back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import bpy
import numpy as np
from mathutils import Matrix, Quaternion, Vector

from ..core.polymesh import FloatArray
from ..core.poses import Pose, turn_quaternion
from ..core.rig_bones import RigBone
from ..core.skeleton import MOST_BYTES, Bone, Skeleton, free_names
from ..core.skin_weights import SkinWeights, strongest

RIG_PROPERTY = "ringwright_rig"
"""Custom property that marks an armature object as made here, so that it may be replaced."""
GROUPS_PROPERTY = "ringwright_groups"
"""Object property of a cage: names of the vertex groups that were made here, a line each, so that they may be replaced."""
OWN_GROUP = "{name} (own)"
"""What an artist's vertex group is called from then on where a bone takes its name."""
RIG_NAME = "Cage Rig"
MODIFIER_NAME = "Cage Rig"
MARKER_PREFIX = "Bend: "
"""Begins the name of every marker of the flex animation."""
ACTION_NAME = "Flex Test"
"""Name of the action that holds the flex animation."""
SAME_PLACE = 1e-4
"""Bone ends this near to each other, in bone lengths, are in one place: the host keeps single precision."""
BEND_FRAMES = 12
"""Frames from rest to a bend of the flex animation, and as many back (half a second: slow enough to see it fold)."""


def rig_of(cage: bpy.types.Object) -> bpy.types.Object | None:
    """The armature that was made for a cage, or None."""
    rigs = [modifier.object for modifier in cage.modifiers if modifier.type == "ARMATURE" and modifier.object is not None]
    return next((rig for rig in rigs if rig.get(RIG_PROPERTY)), None)


def is_bent(cage: bpy.types.Object | None) -> bool:
    """Whether the rig that was made for a cage is in a pose."""
    rig = None if cage is None else rig_of(cage)
    return rig is not None and rig.data.pose_position == "POSE" and not all(bone.matrix_basis.is_identity for bone in rig.pose.bones)


def create_rig(scene: bpy.types.Scene, skeleton: Skeleton, name: str = RIG_NAME) -> bpy.types.Object:
    """Make an armature object of the skeleton's bones at the world's origin.

    scene : of the context; no object may be in a mode of its own
    """
    armature = bpy.data.armatures.new(name)
    rig = bpy.data.objects.new(name, armature)
    rig[RIG_PROPERTY] = 1
    rig.show_in_front = True  # it lies inside the cage
    scene.collection.objects.link(rig)
    with _edited(rig):
        made: list[bpy.types.EditBone] = []
        for index, bone in enumerate(skeleton.bones):
            edit_bone = armature.edit_bones.new(bone.name)
            _lay(edit_bone, bone, Matrix())
            if bone.parent >= 0:
                edit_bone.parent = made[bone.parent]
                edit_bone.use_connect = skeleton.is_connected(index)
            made.append(edit_bone)
    return rig


def _lay(edit_bone: bpy.types.EditBone, bone: Bone, to_rig: Matrix) -> None:
    """Put a bone where the skeleton has it; the matrix takes the world to the rig."""
    edit_bone.head, edit_bone.tail = to_rig @ Vector(bone.head), to_rig @ Vector(bone.tail)
    edit_bone.align_roll(to_rig.to_3x3() @ Vector(np.cross(bone.hinge, bone.direction)))


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


def lacking_bones(rig: bpy.types.Object, skeleton: Skeleton) -> list[str]:
    """Names of the skeleton's bones that a rig does not have."""
    return [bone.name for bone in skeleton.bones if bone.name not in rig.data.bones]


def stands_as(rig: bpy.types.Object, skeleton: Skeleton) -> bool:
    """Whether a rig has just the skeleton's bones, all of them in their places."""
    if lacking_bones(rig, skeleton) or len(rig.data.bones) != len(skeleton.bones):
        return False
    heads_and_tails = [(rig.matrix_world @ rig.data.bones[bone.name].head_local, rig.matrix_world @ rig.data.bones[bone.name].tail_local)
                       for bone in skeleton.bones]
    return all(np.abs(np.array([head, tail]) - [bone.head, bone.tail]).max() <= SAME_PLACE * bone.length
               for (head, tail), bone in zip(heads_and_tails, skeleton.bones, strict=True))


def move_bones(rig: bpy.types.Object, skeleton: Skeleton) -> None:
    """Put the bones of a rig where the skeleton has them now; what an artist has added to it stays.

    rig : with all of the skeleton's bones; no object may be in a mode of its own
    """
    with _edited(rig):
        for bone in skeleton.bones:
            _lay(rig.data.edit_bones[bone.name], bone, rig.matrix_world.inverted())


def bind_cage(cage: bpy.types.Object, rig: bpy.types.Object, skeleton: Skeleton, weights: SkinWeights) -> list[str]:
    """Give a cage the vertex groups of its bones and let it follow the rig; groups of other names stay.

    weights : of the cage's vertices in their order
    Returns the names of an artist's groups that now have another one, since bones bear theirs.
    """
    renamed = write_weights(cage, skeleton, weights)
    follow_rig(cage, rig)
    return renamed


def write_weights(cage: bpy.types.Object, skeleton: Skeleton, weights: SkinWeights) -> list[str]:
    """Vertex groups named after the bones, anew; those that were made here for other bones go.

    Returns the names of an artist's groups that had to be renamed.
    """
    remove_weights(cage)
    renamed = _free_bone_names(cage, skeleton)
    for index, bone in enumerate(skeleton.bones):
        group = cage.vertex_groups.new(name=bone.name)
        vertex, column = np.nonzero((weights.bones == index) & (weights.weights > 0))
        for each, weight in zip(vertex.tolist(), weights.weights[vertex, column].tolist(), strict=True):
            group.add((each,), weight, "REPLACE")
    cage[GROUPS_PROPERTY] = "\n".join(bone.name for bone in skeleton.bones)
    return renamed


def remove_weights(cage: bpy.types.Object) -> None:
    """Take away the vertex groups that were made here."""
    for name in str(cage.get(GROUPS_PROPERTY, "")).split("\n"):
        group = cage.vertex_groups.get(name)
        if group is not None:
            cage.vertex_groups.remove(group)


def _free_bone_names(cage: bpy.types.Object, skeleton: Skeleton) -> list[str]:
    """Rename the vertex groups that bear a bone's name; returns the names that they had."""
    taken = [group for group in cage.vertex_groups if group.name in {bone.name for bone in skeleton.bones}]
    names = [group.name for group in taken]
    kept = [bone.name for bone in skeleton.bones] + [group.name for group in cage.vertex_groups if group.name not in names]
    free = free_names([*kept, *(OWN_GROUP.format(name=name) for name in names)])[len(kept):]
    for group, name in zip(taken, free, strict=True):
        group.name = name
    return names


def read_weights(cage: bpy.types.Object, skeleton: Skeleton) -> SkinWeights | None:
    """The skin weights that a cage bears, its four strongest bones a vertex; None where a vertex follows no bone."""
    bone_of = {cage.vertex_groups[bone.name].index: index for index, bone in enumerate(skeleton.bones) if bone.name in cage.vertex_groups}
    table = np.zeros((len(cage.data.vertices), len(skeleton.bones)))
    for vertex in cage.data.vertices:
        for element in vertex.groups:
            if element.group in bone_of:
                table[vertex.index, bone_of[element.group]] = element.weight
    sums = table.sum(axis=1, keepdims=True)
    return strongest(table / sums) if (sums > 0).all() else None


def weighed_by_host(cage: bpy.types.Object, rig: bpy.types.Object, skeleton: Skeleton) -> SkinWeights | None:
    """The host's own weights, four bones a vertex at most; None where it leaves vertices out, or cannot work on the cage as it stands.

    cage : bound to the rig, in the context's scene; its groups of the rig's bones go
    """
    remove_weights(cage)
    chosen = [cage, rig]
    try:
        with bpy.context.temp_override(object=rig, active_object=rig, selected_objects=chosen, selected_editable_objects=chosen):
            bpy.ops.object.parent_set(type="ARMATURE_AUTO", keep_transform=True)
    except RuntimeError:
        return None
    for modifier in [each for each in cage.modifiers if each.type == "ARMATURE" and each.object == rig][1:]:
        cage.modifiers.remove(modifier)
    return read_weights(cage, skeleton)


def follow_rig(cage: bpy.types.Object, rig: bpy.types.Object) -> None:
    """Parent a cage to the rig where it stands, with one modifier that bends it."""
    matrix = cage.matrix_world.copy()
    cage.parent = rig
    cage.matrix_parent_inverse = rig.matrix_world.inverted()
    cage.matrix_world = matrix
    modifier = cage.modifiers.get(MODIFIER_NAME) or cage.modifiers.new(MODIFIER_NAME, "ARMATURE")
    modifier.object = rig


def remove_rig(cage: bpy.types.Object) -> None:
    """Take away the rig that was made for a cage, with its flex animation; an artist's armatures and actions stay."""
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
    if action is not None and action.users == 0 and action.name.startswith(ACTION_NAME):
        bpy.data.actions.remove(action)
    elif action is not None:
        action.use_fake_user = True


def pose_rig(rig: bpy.types.Object, skeleton: Skeleton, pose: Pose) -> None:
    """Turn the rig's bones into a pose; bones that it does not name go to rest."""
    for index, bone in enumerate(skeleton.bones):
        pose_bone = rig.pose.bones[bone.name]
        pose_bone.rotation_mode = "QUATERNION"
        pose_bone.rotation_quaternion = Quaternion(turn_quaternion(pose.get(index, (0.0, 0.0, 0.0))))


def own_animation(rig: bpy.types.Object) -> str:
    """Name of an action or track with which an artist has animated a rig; empty where there is none."""
    data = rig.animation_data
    if data is None:
        return ""
    tracks = [track.name for track in data.nla_tracks]
    return data.action.name if data.action is not None and not data.action.name.startswith(ACTION_NAME) else "".join(tracks[:1])


def marker_name(label: str) -> str:
    """Name of the marker of a bend, as short as the host keeps it."""
    return (MARKER_PREFIX + label).encode()[:MOST_BYTES].decode(errors="ignore")


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
        scene.timeline_markers.new(marker_name(label), frame=start + BEND_FRAMES)
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
