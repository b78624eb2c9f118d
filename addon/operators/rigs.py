"""Does it bend: a rig from the plan's joints, and the flex test."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from pathlib import Path

import bpy
from bpy.props import BoolProperty, EnumProperty, StringProperty

from ...core.errors import FileError, MeshError, PlanError
from ...core.flex import Flex, flex_test, skinned
from ...core.flex_report import animation_poses, grade, with_flex
from ...core.inspection import inspect_mesh
from ...core.plan import METRES
from ...core.plan_from_bones import plan_from_bones
from ...core.skeleton import Skeleton, skeleton_of
from ...core.skin_weights import bind
from ..cage_object import read_cage
from ..export_set import write_set
from ..finding_rows import store_findings
from ..plan_storage import cage_of, load_plan, require_plan, store_plan
from ..preferences import preferred_profile
from ..rigging import animate_rig, bind_cage, create_rig, read_bones, remove_rig, rig_of, unbound_vertices
from .asking import NO_CAGE, Refusing, has_cage, has_scene, in_object_mode, plan_or_empty, refuse
from .improving import RINGWRIGHT_OT_improve_cage

WEIGHT_ITEMS = (
    ("LIMBS", "Along the Limbs", "Blend over every joint by distance along the limb; at most four bones a vertex"),
    ("HOST", "Automatic", "The editor's own automatic weights; where they leave a vertex out, weights along the limbs are taken"),
)


def require_cage(scene: bpy.types.Scene) -> bpy.types.Object:
    """The scene's cage.

    Raises MeshError where there is none, or none with a face.
    """
    cage = cage_of(scene)
    if cage is None:
        raise MeshError(f"{NO_CAGE}.")
    if not cage.data.polygons:
        raise MeshError("The cage has no face; build it first.")
    return cage


class RINGWRIGHT_OT_rig_cage(Refusing, bpy.types.Operator):
    """Make an armature of the plan's joints and bind the cage to it; a rig made before is replaced, other armatures stay"""

    bl_idname = "ringwright.rig_cage"
    bl_label = "Rig Cage"
    bl_options = {"REGISTER", "UNDO"}

    weights: EnumProperty(name="Weights", items=WEIGHT_ITEMS, description="Where skin weights come from")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        cage, skeleton = require_cage(context.scene), skeleton_of(require_plan(context.scene))
        mesh = read_cage(cage)
        weights = bind(mesh, skeleton)
        remove_rig(cage)
        rig = create_rig(context.scene, skeleton)
        bind_cage(cage, rig, skeleton, weights)
        if self.weights == "HOST" and not _bound_by_host(context, cage, rig, skeleton):
            bind_cage(cage, rig, skeleton, weights)
            self.report({"WARNING"}, "Automatic weights left vertices out; weights along the limbs were taken")
        self.report({"INFO"}, f"{len(skeleton.bones)} bones, {mesh.vertex_count} vertices bound")
        return {"FINISHED"}


def _bound_by_host(context: bpy.types.Context, cage: bpy.types.Object, rig: bpy.types.Object, skeleton: Skeleton) -> bool:
    """Let the host weigh every vertex, four bones at most; false where it leaves some out."""
    cage.vertex_groups.clear()
    with context.temp_override(object=rig, active_object=rig, selected_objects=[cage, rig], selected_editable_objects=[cage, rig]):
        bpy.ops.object.parent_set(type="ARMATURE_AUTO", keep_transform=True)
    for modifier in [each for each in cage.modifiers if each.type == "ARMATURE" and each.object == rig][1:]:
        cage.modifiers.remove(modifier)
    with context.temp_override(object=cage, active_object=cage):
        bpy.ops.object.vertex_group_limit_total(limit=4)
        bpy.ops.object.vertex_group_normalize_all(lock_active=False)
    return unbound_vertices(cage, skeleton) == 0


class RINGWRIGHT_OT_flex_cage(Refusing, bpy.types.Operator):
    """Bend the cage at every joint of the plan and judge what becomes of its quads; findings are listed"""

    bl_idname = "ringwright.flex_cage"
    bl_label = "Flex Test"
    bl_options = {"REGISTER", "UNDO"}

    animate: BoolProperty(name="Store Animation", default=True,
                          description="Key every bend on the rig, with markers, so that it can be scrubbed; needs a rig made here")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        scene = context.scene
        cage = require_cage(scene)
        mesh, skeleton, profile = read_cage(cage), skeleton_of(require_plan(scene)), preferred_profile()
        flex = flex_test(skinned(mesh, skeleton), profile.joints)
        store_findings(scene.ringwright, with_flex(inspect_mesh(mesh, profile=profile), flex, profile))
        rig = rig_of(cage)
        if self.animate and rig is not None:
            scene.frame_end = max(scene.frame_end, animate_rig(scene, rig, skeleton, animation_poses(flex)))
        self.report({"INFO"}, _summary(flex))
        return {"FINISHED"}


def _summary(flex: Flex) -> str:
    grades = [grade(joint) for joint in flex.joints if joint.motions]
    return f"{len(grades)} joints bent: " + ", ".join(f"{grades.count(each)} {each}" for each in ("good", "fair", "poor"))


def unit_length(scene: bpy.types.Scene) -> float:
    """Metres of one unit: the scene's own setting, or the plan's unit where the scene counts in metres."""
    own = float(scene.unit_settings.scale_length)
    return own if own != 1.0 else METRES[load_plan(scene).unit]


class RINGWRIGHT_OT_export_set(Refusing, bpy.types.Operator):
    """Write the cage with its rig as .blend, .glb, .fbx and .obj, and read every file back to check it"""

    bl_idname = "ringwright.export_set"
    bl_label = "Export Set"
    bl_options = {"REGISTER"}

    directory: StringProperty(name="Folder", description="Folder that the files go to", subtype="DIR_PATH")
    file_name: StringProperty(name="Name", description="Name of the files, without ending; empty for the cage's own")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and in_object_mode(cls, context)

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        """Ask for the folder."""
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def run(self, context: bpy.types.Context) -> set[str]:
        cage = require_cage(context.scene)
        if not self.directory:
            raise FileError("No folder was named; choose the one that the files go to.")
        name = self.file_name or bpy.path.clean_name(cage.name)
        files = write_set(Path(bpy.path.abspath(self.directory)), name, cage, rig_of(cage), unit_length(context.scene))
        self.report({"INFO"}, f"{len(files)} files written and checked: {', '.join(path.name for path in files.values())}")
        return {"FINISHED"}


class RINGWRIGHT_OT_plan_from_armature(Refusing, bpy.types.Operator):
    """Make the limb plan of the active armature's bones (in pose mode the selected ones): chains become limbs, branching joins"""

    bl_idname = "ringwright.plan_from_armature"
    bl_label = "Plan from Armature"
    bl_options = {"REGISTER", "UNDO"}

    replace_plan: BoolProperty(name="Replace Plan", description="Give up the limbs that the plan has already", default=False)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        item = context.object
        armature = item is not None and item.type == "ARMATURE" and item.mode != "EDIT"
        return has_scene(cls, context) and (armature or refuse(cls, "Make an armature the active object, outside its edit mode"))

    def run(self, context: bpy.types.Context) -> set[str]:
        before = plan_or_empty(context)
        if before.limbs and not self.replace_plan:
            raise PlanError(f"The plan has {len(before.limbs)} limbs already; turn on Replace Plan to give them up.")
        plan = plan_from_bones(read_bones(context.object), before.unit)
        store_plan(context.scene, plan)
        joins = len(plan.forks) + len(plan.sockets) + len(plan.splices)
        self.report({"INFO"}, f"{len(plan.limbs)} limbs and {joins} joins made of bones")
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_plan_from_armature, RINGWRIGHT_OT_rig_cage, RINGWRIGHT_OT_flex_cage, RINGWRIGHT_OT_improve_cage,
           RINGWRIGHT_OT_export_set)
