"""The cage as a whole: build it from the plan and the target."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty

from ...core.build import BuildResult, build_cage
from ...core.errors import MeshError, RingwrightError
from ...core.hand_moves import KeptMoves
from ...core.plan import LimbPlan
from ...core.polymesh import PolyMesh
from .. import live_build
from ..cage_build import (
    MOVED_ITEMS,
    CageBuild,
    LostMoves,
    hand_moves,
    lost_sentence,
    moved_cage,
    place_finished,
)
from ..cage_object import CageTrial
from ..commands.build import asked_of
from ..commands.inspecting import Inspected, inspect_fit
from ..editor_progress import EditorProgress
from ..host_surface import read_evaluated
from ..phrases import told
from ..plan_storage import built_plan, cage_of, is_built, require_plan, store_plan, target_of
from ..preferences import preferred_profile
from ..target_pieces import skin_surface
from ..viewports import redraw_viewports
from .asking import Refusing, has_cage, has_limbs_and_target, has_scene, has_target, in_object_mode, refuse


class RINGWRIGHT_OT_build_cage(Refusing, bpy.types.Operator):
    """Build the cage of the limb plan on the target; an older cage is replaced, its place, materials and modifiers stay"""

    bl_idname = "ringwright.build_cage"
    bl_label = "Build Cage"
    bl_options = {"REGISTER", "UNDO"}

    inspect: BoolProperty(name="Inspect", description="Inspect the cage as soon as it stands", default=True)
    moved: EnumProperty(name="Moved Vertices", items=MOVED_ITEMS, default="KEEP", options={"SKIP_SAVE"},
                        description="What becomes of vertices that were moved by hand since the last build")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_limbs_and_target(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        """Build at one go, as scripts and the redo panel want it."""
        scene = context.scene
        plan, moves = require_plan(scene), hand_moves(cage_of(scene)) if self.moved != "DROP" else None
        target = read_evaluated(target_of(scene), context.evaluated_depsgraph_get())
        built, inspected = _build(context, plan, target, inspect=self.inspect)
        kept = moved_cage(moves, built.mesh, plan)
        if kept.lost and self.moved == "ASK":
            raise LostMoves(lost_sentence(kept))
        inspection = None if inspected is None else inspected.inspection
        place_finished(scene, CageTrial(scene, cage_of(scene)), built, kept, inspection)
        self._tell(built, kept, None if inspection is None else len(inspection.findings))
        return {"FINISHED"}

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        """Build between the artist's events, with the progress shown; Esc gives up."""
        if live_build.running is not None:
            live_build.running.is_outdated = True
            return {"CANCELLED"}
        return self.refusing(partial(self._begin, context))

    def _begin(self, context: bpy.types.Context) -> set[str]:
        self._work = CageBuild(context, inspect=self.inspect, moved=self.moved)
        live_build.begin(context, self._work)
        self._told = ""
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Look at the build every tick; all other events are the editor's."""
        work = self._work
        if (event.type == "ESC" and event.value == "PRESS") or work.is_cancelled or work.is_disturbed:
            return self._give_up(told("The build was cancelled")) | ({"PASS_THROUGH"} if event.type != "ESC" else set())
        if event.type != "TIMER":
            return {"PASS_THROUGH"}
        try:
            if work.is_outdated:
                work.restart(context)
            if not work.look():
                self._show_progress(context)
                return {"PASS_THROUGH"}
            return self._finish()
        except RingwrightError as error:
            context.scene.ringwright.notice = str(error)
            context.scene.ringwright.loses_moves = isinstance(error, LostMoves)
            self._give_up("")
            self.report({"WARNING" if isinstance(error, LostMoves) else "ERROR"}, told(str(error)))
            return {"CANCELLED"}

    def cancel(self, context: bpy.types.Context) -> None:
        """The editor ends the build: another file, or good night."""
        self._give_up("")

    def _finish(self) -> set[str]:
        built, inspection, kept = self._work.finish()
        live_build.end()
        self._tell(built, kept, None if inspection is None else len(inspection.findings))
        return {"FINISHED"}

    def _give_up(self, words: str) -> set[str]:
        self._work.drop()
        live_build.end()
        if words:
            self.report({"WARNING"}, words)
        return {"CANCELLED"}

    def _show_progress(self, context: bpy.types.Context) -> None:
        words = f"{self._work.stage}, {self._work.share:.0%}  |  {told('Esc: Cancel')}"
        if words != self._told:
            self._told = words
            context.workspace.status_text_set(words)
            redraw_viewports(context)

    def _tell(self, built: BuildResult, kept: KeptMoves, findings: int | None) -> None:
        if kept.lost:
            self.report({"WARNING"}, told("{count} of the vertices that were moved by hand were laid anew; undo brings them back",
                                             count=kept.lost))
        laid = told("{quads} quads round {limbs} limbs", quads=built.mesh.face_count, limbs=len(built.plan.limbs))
        self.report({"INFO"}, laid if findings is None else told("{laid}, {count} findings", laid=laid, count=findings))


def _build(context: bpy.types.Context, plan: LimbPlan, target: PolyMesh, *, inspect: bool) -> tuple[BuildResult, Inspected | None]:
    with EditorProgress(context) as progress, skin_surface(target) as (skin, surface):
        built = build_cage(plan, surface, progress)
        return built, inspect_fit(built.mesh, skin, surface, replace(asked_of(built), profile=preferred_profile())) if inspect else None


class RINGWRIGHT_OT_cancel_build(Refusing, bpy.types.Operator):
    """Give up the build that is under way; the scene is as it was before"""

    bl_idname = "ringwright.cancel_build"
    bl_label = "Cancel Build"
    bl_options = {"INTERNAL"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_scene(cls, context) and (live_build.running is not None or refuse(cls, "Nothing is being built"))

    def run(self, context: bpy.types.Context) -> set[str]:
        live_build.cancel()
        return {"FINISHED"}


class RINGWRIGHT_OT_revert_plan(Refusing, bpy.types.Operator):
    """Set the limb plan back to the one that the cage was built from"""

    bl_idname = "ringwright.revert_plan"
    bl_label = "Take Change Back"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and (not is_built(context.scene) or refuse(cls, "The cage is the one that its plan asks for"))

    def run(self, context: bpy.types.Context) -> set[str]:
        plan = built_plan(cage_of(context.scene))
        if not plan.limbs:
            raise MeshError("The cage does not say which plan it was built from; build it once more.")
        settings = context.scene.ringwright
        settings.notice, settings.loses_moves = "", False
        store_plan(context.scene, plan)
        self.report({"INFO"}, told("The plan is the one that the cage was built from"))
        return {"FINISHED"}


class RINGWRIGHT_OT_choose_target(Refusing, bpy.types.Operator):
    """Make the active mesh the target"""

    bl_idname = "ringwright.choose_target"
    bl_label = "Active as Target"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return _has_active_mesh(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        settings = context.scene.ringwright
        if settings.cage == context.object:
            settings.cage = None
        settings.target = context.object
        self.report({"INFO"}, told('"{name}" is the target', name=context.object.name))
        return {"FINISHED"}


class RINGWRIGHT_OT_toggle_target(Refusing, bpy.types.Operator):
    """Hide the target in the viewport so that the cage shows alone, or show it again"""

    bl_idname = "ringwright.toggle_target"
    bl_label = "Show or Hide Target"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_target(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        target: Any = target_of(context.scene)
        if target.name not in context.view_layer.objects:
            raise MeshError(f'The target "{target.name}" is not in this view layer; switch its collection on.')
        target.hide_set(target.visible_get())
        return {"FINISHED"}


class RINGWRIGHT_OT_choose_cage(Refusing, bpy.types.Operator):
    """Make the active mesh the cage; where it keeps a limb plan, that plan is shown"""

    bl_idname = "ringwright.choose_cage"
    bl_label = "Active as Cage"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return _has_active_mesh(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        settings = context.scene.ringwright
        if settings.target == context.object:
            settings.target = None
        settings.cage = context.object
        self.report({"INFO"}, told('"{name}" is the cage', name=context.object.name))
        return {"FINISHED"}


def _has_active_mesh(operator: type, context: bpy.types.Context) -> bool:
    item = context.object
    return has_scene(operator, context) and ((item is not None and item.type == "MESH")
                                             or refuse(operator, "Make a mesh the active object"))


CLASSES = (RINGWRIGHT_OT_choose_target, RINGWRIGHT_OT_toggle_target, RINGWRIGHT_OT_choose_cage, RINGWRIGHT_OT_build_cage,
           RINGWRIGHT_OT_cancel_build, RINGWRIGHT_OT_revert_plan)
