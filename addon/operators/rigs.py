"""Does it bend: a rig from the plan's joints, and the flex test."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from pathlib import Path

import bpy
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty

from ...core.errors import FileError, PlanError
from ...core.flex import Flex, bend_joints, skinned
from ...core.flex_report import GRADES, animation_poses, bend_label, grade, with_flex
from ...core.helper_bones import without_helpers
from ...core.inspection import inspect_mesh
from ...core.plan import METRES
from ...core.plan_from_bones import plan_from_bones
from ...core.skin_weights import bind
from ..export_set import write_set
from ..finding_rows import store_bends
from ..phrases import told
from ..plan_storage import load_plan, store_plan
from ..planned_cage import check_may_change, check_places, planned_cage, require_cage
from ..preferences import preferred_profile
from ..rigging import (
    OWN_GROUP,
    animate_rig,
    bind_cage,
    create_rig,
    marker_name,
    own_animation,
    read_bones,
    read_weights,
    remove_rig,
    rig_of,
    stands_as,
    weighed_by_host,
    write_weights,
)
from ..viewports import look_at
from .asking import OnCage, Refusing, asked_row, first_names, has_cage, has_scene, refuse
from .improving import RINGWRIGHT_OT_improve_cage

WEIGHT_ITEMS = (
    ("LIMBS", "Along the Limbs", "Blend over every joint by distance along the limb; at most four bones a vertex"),
    ("HOST", "Automatic", "The editor's own automatic weights; where they leave a vertex out, weights along the limbs are taken"),
)

VIEW_REACH = 12.0
"""Distance of the view from a joint that is shown, radii of the limb."""


class RINGWRIGHT_OT_rig_cage(Refusing, OnCage, bpy.types.Operator):
    """Make an armature of the plan's joints and bind the cage to it; a rig made before is replaced, other armatures stay"""

    bl_idname = "ringwright.rig_cage"
    bl_label = "Rig Cage"
    bl_options = {"REGISTER", "UNDO"}

    weights: EnumProperty(name="Weights", items=WEIGHT_ITEMS, description="Where skin weights come from")

    def run(self, context: bpy.types.Context) -> set[str]:
        found = planned_cage(context.scene)
        cage, skeleton = found.cage, found.skeleton
        check_may_change(cage)
        weights = bind(found.mesh, skeleton)
        kept_action = own_animation(before) if (before := rig_of(cage)) is not None else ""
        remove_rig(cage)
        rig = create_rig(context.scene, skeleton)
        renamed = bind_cage(cage, rig, skeleton, weights)
        if self.weights == "HOST":
            by_host = weighed_by_host(cage, rig, skeleton)
            write_weights(cage, skeleton, weights if by_host is None else by_host)
            if by_host is None:
                self.report({"WARNING"}, told("Automatic weights left vertices out; weights along the limbs were taken"))
        if renamed:
            self.report({"WARNING"}, told('Bones took the names of your vertex groups, which are kept as "{name}"',
                                          name=", ".join(OWN_GROUP.format(name=name) for name in renamed)))
        if kept_action:
            self.report({"WARNING"}, told('The rig was replaced; your animation "{name}" is kept in the file', name=kept_action))
        self.report({"INFO"}, told("{bones} bones, {vertices} vertices bound", bones=len(skeleton.bones), vertices=found.mesh.vertex_count))
        return {"FINISHED"}


class RINGWRIGHT_OT_flex_cage(Refusing, OnCage, bpy.types.Operator):
    """Bend the cage at every joint of the plan and judge what becomes of its quads; findings are listed"""

    bl_idname = "ringwright.flex_cage"
    bl_label = "Flex Test"
    bl_options = {"REGISTER", "UNDO"}

    animate: BoolProperty(name="Store Animation", default=True,
                          description="Key every bend on the rig, with markers, so that it can be scrubbed; needs a rig made here")

    def run(self, context: bpy.types.Context) -> set[str]:
        scene, profile = context.scene, preferred_profile()
        found = planned_cage(scene)
        rig = rig_of(found.cage)
        weights = None if rig is None else read_weights(found.cage, found.skeleton)
        flex = bend_joints(skinned(found.mesh, found.skeleton, weights), profile.joints)
        store_bends(scene.ringwright, with_flex(inspect_mesh(found.mesh, profile=profile), flex, profile))
        if self.animate:
            self._animate(scene, rig, flex)
        self.report({"INFO"}, _summary(flex))
        return {"FINISHED"}

    def _animate(self, scene: bpy.types.Scene, rig: bpy.types.Object | None, flex: Flex) -> None:
        """Store the bends on the rig, unless that would bend something else or take an artist's own animation away."""
        if rig is None:
            self.report({"WARNING"}, told("No animation was stored, since the cage has no rig; Rig Cage makes one"))
        elif not stands_as(rig, flex.skinned.skeleton):
            self.report({"WARNING"}, told("No animation was stored, since the rig's bones are not those of the plan; Rig Cage makes them "
                                          "anew"))
        elif own_animation(rig):
            self.report({"WARNING"}, told('No animation was stored, since the rig bears your animation "{name}"', name=own_animation(rig)))
        else:
            scene.frame_end = max(scene.frame_end, animate_rig(scene, rig, flex.skinned.skeleton, animation_poses(flex)))


def _summary(flex: Flex) -> str:
    grades = [grade(joint) for joint in flex.joints if joint.motions]
    return told("{count} joints bent: {good} good, {fair} fair, {poor} poor", count=len(grades),
                **{each: grades.count(each) for each in GRADES})


class RINGWRIGHT_OT_show_bend(Refusing, bpy.types.Operator):
    """Bring the joint into view and, where the flex test has stored its animation, go to the frame of its worst bend"""

    bl_idname = "ringwright.show_bend"
    bl_label = "Show Bend"
    bl_options = {"REGISTER"}

    index: IntProperty(name="Number", description="Which joint of the list, from 0; -1 for the active one", min=-1, default=-1,
                       options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        bent = has_cage(cls, context) and len(context.scene.ringwright.bends) > 0
        return bent or refuse(cls, "No joint was bent yet; run the flex test")

    def run(self, context: bpy.types.Context) -> set[str]:
        scene, settings = context.scene, context.scene.ringwright
        settings.active_bend = asked_row(self.index, settings.active_bend, len(settings.bends), "joint")
        row = settings.bends[settings.active_bend]
        marker = scene.timeline_markers.get(marker_name(bend_label(row.bone, row.motion)))
        if marker is not None:
            scene.frame_set(marker.frame)
        look_at(context, row.place, VIEW_REACH * row.reach)
        self.report({"INFO"}, f"{row.bone}: {row.sentence}")
        return {"FINISHED"}


def unit_length(scene: bpy.types.Scene) -> float:
    """Metres of one unit: the scene's own setting, or the plan's unit where the scene counts in metres."""
    own = float(scene.unit_settings.scale_length)
    return own if own != 1.0 else METRES[load_plan(scene).unit]


class RINGWRIGHT_OT_export_set(Refusing, OnCage, bpy.types.Operator):
    """Write the cage with its rig as .blend, .glb, .fbx and .obj, and read every file back to check it"""

    bl_idname = "ringwright.export_set"
    bl_label = "Export Set"
    bl_options = {"REGISTER"}

    directory: StringProperty(name="Folder", description="Folder that the files go to", subtype="DIR_PATH")
    file_name: StringProperty(name="Name", description="Name of the files, without ending; empty for the cage's own")

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        """Ask for the folder."""
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def run(self, context: bpy.types.Context) -> set[str]:
        cage = require_cage(context.scene)
        check_may_change(cage)
        check_places(cage)
        if not self.directory:
            raise FileError("No folder was named; choose the one that the files go to.")
        name = self.file_name or bpy.path.clean_name(cage.name)
        written = write_set(Path(bpy.path.abspath(self.directory)), name, cage, rig_of(cage), unit_length(context.scene))
        self.report({"INFO"}, told("{count} files written and checked: {names}", count=len(written.files),
                                      names=", ".join(path.name for path in written.files.values())))
        if written.validated.reason:
            self.report({"INFO"}, told("The .glb was not validated: {reason}", reason=written.validated.reason))
        else:
            self.report({"INFO"}, told("The .glb is valid by the Khronos validator {version}", version=written.validated.version))
        return {"FINISHED"}


class RINGWRIGHT_OT_plan_from_armature(Refusing, bpy.types.Operator):
    """Make the limb plan of the active armature's bones (in pose mode the selected ones); helper bones are left out"""

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
        before = load_plan(context.scene)
        if before.limbs and not self.replace_plan:
            raise PlanError(f"The plan has {len(before.limbs)} limbs already; turn on Replace Plan to give them up.")
        bones = read_bones(context.object)
        kept, helpers = (bones, []) if context.object.mode == "POSE" else without_helpers(bones)  # who selects bones wants them
        plan = plan_from_bones(kept, before.unit)
        store_plan(context.scene, plan)
        if helpers:
            self.report({"WARNING"}, told("{count} helper bones were left out ({names}); select bones in pose mode to choose them yourself",
                                          count=len(helpers), names=first_names(helpers)))
        joins = len(plan.forks) + len(plan.sockets) + len(plan.splices)
        self.report({"INFO"}, told("{limbs} limbs and {joins} joins made of {bones} bones", limbs=len(plan.limbs), joins=joins,
                                   bones=len(kept)))
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_plan_from_armature, RINGWRIGHT_OT_rig_cage, RINGWRIGHT_OT_flex_cage, RINGWRIGHT_OT_show_bend,
           RINGWRIGHT_OT_improve_cage, RINGWRIGHT_OT_export_set)
