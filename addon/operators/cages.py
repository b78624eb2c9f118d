"""The cage as a whole: build it from the plan and the target."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import BoolProperty

from ...core.build import BuildResult, build_cage
from ...core.errors import MeshError
from ...core.hand_moves import keep_moves
from ...core.plan import LimbPlan
from ...core.polymesh import PolyMesh
from ..cage_object import built_places, place_cage, read_cage, with_built_places
from ..commands.build import asked_of
from ..commands.inspecting import Inspected, inspect_fit
from ..editor_progress import EditorProgress
from ..finding_rows import store_findings
from ..host_surface import read_evaluated
from ..plan_storage import cage_of, require_plan, store_plan, target_of
from ..target_pieces import skin_surface
from .asking import Refusing, has_limbs_and_target, has_scene, has_target, in_object_mode, refuse


class RINGWRIGHT_OT_build_cage(Refusing, bpy.types.Operator):
    """Build the cage of the limb plan on the target; an older cage is replaced, its place, materials and modifiers stay"""

    bl_idname = "ringwright.build_cage"
    bl_label = "Build Cage"
    bl_options = {"REGISTER", "UNDO"}

    inspect: BoolProperty(name="Inspect", description="Inspect the cage as soon as it stands", default=True)
    keep_moved: BoolProperty(name="Keep Moved Vertices", default=True,
                             description="Keep what was moved by hand since the last build, where the faces stay the same")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_limbs_and_target(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        scene = context.scene
        plan = require_plan(scene)
        target = read_evaluated(target_of(scene), context.evaluated_depsgraph_get())
        built, inspected = _build(context, plan, target, inspect=self.inspect)
        mesh, lost = _with_moves(cage_of(scene), built.mesh) if self.keep_moved else (built.mesh, 0)
        cage = place_cage(scene, with_built_places(mesh, built.mesh.positions))
        scene.ringwright.cage = cage
        store_plan(scene, plan)
        _make_active(context, cage)
        scene.ringwright.findings.clear()
        scene.ringwright.summary = ""
        if inspected is not None:
            store_findings(scene.ringwright, inspected.inspection)
        found = "" if inspected is None else f", {len(inspected.inspection.findings)} findings"
        if lost:
            self.report({"WARNING"}, f"{lost} vertices moved by hand have new neighbours and were laid anew; undo brings them back")
        self.report({"INFO"}, f"{built.mesh.face_count} quads round {len(plan.limbs)} limbs{found}")
        return {"FINISHED"}


def _build(context: bpy.types.Context, plan: LimbPlan, target: PolyMesh, *, inspect: bool) -> tuple[BuildResult, Inspected | None]:
    with EditorProgress(context) as progress, skin_surface(target) as (skin, surface):
        built = build_cage(plan, surface, progress)
        return built, inspect_fit(built.mesh, skin, surface, asked_of(built)) if inspect else None


def _with_moves(cage: bpy.types.Object | None, built: PolyMesh) -> tuple[PolyMesh, int]:
    """The new cage with the moves that the old one keeps, and how many of them are lost."""
    if cage is None:
        return built, 0
    old, places = read_cage(cage), built_places(cage)
    if places is None:
        return built, 0
    moves = keep_moves(old, places, built)
    return built.with_positions(moves.positions), moves.lost


def _make_active(context: bpy.types.Context, cage: bpy.types.Object) -> None:
    context.view_layer.update()
    if cage.name not in context.view_layer.objects:
        return
    for other in context.view_layer.objects.selected:
        other.select_set(False)
    cage.select_set(True)
    context.view_layer.objects.active = cage


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
        self.report({"INFO"}, f'"{context.object.name}" is the target')
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
        self.report({"INFO"}, f'"{context.object.name}" is the cage')
        return {"FINISHED"}


def _has_active_mesh(operator: type, context: bpy.types.Context) -> bool:
    item = context.object
    return has_scene(operator, context) and ((item is not None and item.type == "MESH")
                                             or refuse(operator, "Make a mesh the active object"))


CLASSES = (RINGWRIGHT_OT_choose_target, RINGWRIGHT_OT_toggle_target, RINGWRIGHT_OT_choose_cage, RINGWRIGHT_OT_build_cage)
