"""Inspect the cage, count its rings, and go to what was found."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from dataclasses import replace

import bpy
from bpy.props import BoolProperty, IntProperty, StringProperty

from ...core.build import build_cage
from ...core.deviation import map_deviation
from ...core.errors import PlanError
from ...core.expected import expected_of
from ...core.findings import Expectation
from ...core.heat import heat_of
from ...core.mirror import backward_corners, turned
from ...core.plan import LimbPlan
from ...core.polymesh import FloatArray, PolyMesh
from ...core.ring_report import count_rings
from ..cage_object import read_cage
from ..commands.arguments import profile_names, read_profile_named
from ..commands.build import asked_of
from ..commands.inspecting import Asked, Inspected, inspect_alone, inspect_fit
from ..editor_progress import EditorProgress
from ..element_selection import frame_selection, show_elements
from ..finding_rows import store_findings, store_rings, unpack
from ..host_surface import read_evaluated
from ..mesh_bridge import read_uvs
from ..overlay import has_heat, show_heat
from ..phrases import told
from ..plan_storage import cage_of, load_plan, target_of
from ..preferences import preferred_profile
from ..target_pieces import skin_surface
from ..viewports import redraw_viewports
from .asking import Refusing, asked_row, has_cage, has_scene, has_target, refuse
from .one_finding import OneFinding


def _checked_mesh(context: bpy.types.Context) -> bpy.types.Object | None:
    """The mesh that a check is about: the active mesh, unless it is the target or none; else the cage."""
    item = context.object
    if item is not None and item.type == "MESH" and item != target_of(context.scene):
        return item
    return cage_of(context.scene)


def _profile_choices(_operator: bpy.types.Operator, _context: bpy.types.Context, _text: str) -> list[str]:
    """Profiles that a text field offers."""
    return profile_names()


class RINGWRIGHT_OT_inspect(Refusing, bpy.types.Operator):
    """Inspect the cage: faces, poles, shape, and with a target how well it fits"""

    bl_idname = "ringwright.inspect"
    bl_label = "Inspect"
    bl_options = {"REGISTER", "UNDO"}

    use_plan: BoolProperty(name="Judge by Plan", default=True,
                           description="Measure the limbs anew and hold the poles, open ends and joints against the limb plan")
    profile: StringProperty(name="Profile", search=_profile_choices, options={"SKIP_SAVE"},
                            description="What figures are judged by: a profile's name or a TOML file; empty for that of the preferences")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        scene = context.scene
        inspection = self._inspect(context).inspection
        store_findings(scene.ringwright, inspection)
        errors = sum(finding.severity == "error" for finding in inspection.findings)
        warnings = sum(finding.severity == "warning" for finding in inspection.findings)
        found = told("Errors: {errors}, warnings: {warnings}", errors=errors, warnings=warnings) if errors or warnings else \
            told("No error and no warning")
        self.report({"INFO"}, found)
        return {"FINISHED"}

    def _inspect(self, context: bpy.types.Context) -> Inspected:
        scene = context.scene
        (mesh, uvs), target = _as_seen(cage_of(scene)), target_of(scene)
        plan = load_plan(scene) if self.use_plan else LimbPlan(())
        if not mesh.face_count:
            raise PlanError("The cage has no face; build it first.")
        profile = read_profile_named(self.profile) if self.profile else preferred_profile()
        if target is None:
            return inspect_alone(mesh, Asked(expectation=expected_of(plan) if plan.limbs else Expectation(), profile=profile, uvs=uvs))
        dense = read_evaluated(target, context.evaluated_depsgraph_get())
        with EditorProgress(context) as progress, skin_surface(dense) as (skin, surface):
            asked = asked_of(build_cage(plan, surface, progress)) if plan.limbs else Asked()
            return inspect_fit(mesh, skin, surface, replace(asked, profile=profile, uvs=uvs))


def _as_seen(cage: bpy.types.Object) -> tuple[PolyMesh, FloatArray | None]:
    """The cage as it looks in the world, a mirrored one with its outside out, and its map, (C, 2).

    The map is None where there is none, and under edit, where the host does not show it.
    """
    mesh, uvs = read_cage(cage), None if cage.mode == "EDIT" else read_uvs(cage.data)
    if not cage.matrix_world.is_negative:
        return mesh, uvs
    return turned(mesh), None if uvs is None else uvs[backward_corners(mesh)]


class RINGWRIGHT_OT_show_finding(Refusing, OneFinding, bpy.types.Operator):
    """Select what a finding is about and bring it into view"""

    bl_idname = "ringwright.show_finding"
    bl_label = "Show Finding"
    bl_options = {"REGISTER", "UNDO"}

    def run(self, context: bpy.types.Context) -> set[str]:
        row, cage, elements = self.choose(context)
        if row.domain == "mesh":
            frame_selection(context)
        else:
            show_elements(context, cage, row.domain, elements)
        self.report({"INFO"}, row.reason)
        return {"FINISHED"}


class RINGWRIGHT_OT_count_rings(Refusing, bpy.types.Operator):
    """Count the edges of every open ring, pair the rings that face each other and tell where counts differ"""

    bl_idname = "ringwright.count_rings"
    bl_label = "Count Rings"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_scene(cls, context) and (_checked_mesh(context) is not None
                                            or refuse(cls, "Make the mesh whose rings are to be counted the active object"))

    def run(self, context: bpy.types.Context) -> set[str]:
        item = _checked_mesh(context)
        report = count_rings(read_cage(item))
        settings = context.scene.ringwright
        store_rings(settings, report)
        settings.counted = item
        self.report({"INFO"}, settings.ring_summary)
        return {"FINISHED"}


class RINGWRIGHT_OT_show_ring(Refusing, bpy.types.Operator):
    """Select the vertices of a ring, or of the two rings of a pair, and bring them into view"""

    bl_idname = "ringwright.show_ring"
    bl_label = "Show Ring"
    bl_options = {"REGISTER", "UNDO"}

    index: IntProperty(name="Number", description="Which row of the list, from 0; -1 for the active one", min=-1, default=-1,
                       options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        if not has_scene(cls, context):
            return False
        settings = context.scene.ringwright
        return (len(settings.rings) > 0 and settings.counted is not None) or refuse(cls, "There is no ring; count the rings first")

    def run(self, context: bpy.types.Context) -> set[str]:
        settings = context.scene.ringwright
        settings.active_ring = asked_row(self.index, settings.active_ring, len(settings.rings), "row")
        row = settings.rings[settings.active_ring]
        vertices = [part[0] for part in unpack(row.vertices)]
        if context.scene.objects.get(settings.counted.name) != settings.counted:
            raise PlanError("The mesh whose rings were counted is gone; count the rings once more.")
        show_elements(context, settings.counted, "vertex", [(vertex,) for vertex in vertices])
        self.report({"INFO"}, row.sentence)
        return {"FINISHED"}


class RINGWRIGHT_OT_show_deviation(Refusing, bpy.types.Operator):
    """Colour the cage by its distance from the target, light near and dark far, until the cage changes; once more to take it away"""

    bl_idname = "ringwright.show_deviation"
    bl_label = "Show Deviation"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and has_target(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        if has_heat():
            show_heat(None)
            return {"FINISHED"}
        mesh = read_cage(cage_of(context.scene))
        if not mesh.face_count:
            raise PlanError("The cage has no face; build it first.")
        with skin_surface(read_evaluated(target_of(context.scene), context.evaluated_depsgraph_get())) as (_, surface):
            heat = heat_of(map_deviation(mesh, surface), surface.diagonal)
        show_heat(heat)
        redraw_viewports(context)
        self.report({"INFO"}, told("99 % of the cage lie within {percent} % of the target's diagonal", percent=f"{heat.percent:.2g}"))
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_show_deviation, RINGWRIGHT_OT_inspect, RINGWRIGHT_OT_show_finding, RINGWRIGHT_OT_count_rings,
           RINGWRIGHT_OT_show_ring)
