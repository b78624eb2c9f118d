"""The sidebar's panels in the order of the work; they draw and change nothing."""

from __future__ import annotations

from typing import Any

import bpy

from ..core.errors import PlanError
from ..core.plan import LimbPlan
from .operators.mending import MENDS
from .plan_storage import cage_of, limb_names, load_plan, target_of

CATEGORY = "Ringwright"
SEVERITY_ICONS = {"error": "CANCEL", "warning": "ERROR", "note": "INFO"}
JOIN_ICONS = {"fork": "OUTLINER_OB_FORCE_FIELD", "socket": "PIVOT_CURSOR", "splice": "LINKED"}
LETTER = 6.2
"""Pixels of a letter at the interface's own size, on average (measured)."""
MARGIN = 24
"""Pixels of a panel's width that words cannot use."""


def wrapped(layout: bpy.types.UILayout, text: str, icon: str = "NONE") -> None:
    """A sentence over several lines."""
    region = bpy.context.region
    width = 220.0 if region is None else region.width / bpy.context.preferences.system.ui_scale
    letters = int((width - MARGIN) / LETTER) - (3 if icon != "NONE" else 0)
    words, line, column = text.split(), "", layout.column(align=True)
    for word in [*words, ""]:
        if line and (not word or len(line) + len(word) >= letters):
            column.label(text=line, icon=icon)
            icon, line = ("BLANK1" if icon != "NONE" else "NONE"), ""
        line = f"{line} {word}".strip()


def _plan(context: bpy.types.Context) -> LimbPlan:
    try:
        return load_plan(context.scene)
    except PlanError:
        return LimbPlan(())


class RINGWRIGHT_UL_limbs(bpy.types.UIList):
    """Limbs with their mark, name and counts."""

    def draw_item(self, _context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str) -> None:
        row = layout.row(align=True)
        row.prop(item, "marked", text="", icon="CHECKBOX_HLT" if item.marked else "CHECKBOX_DEHLT", emboss=False)
        row.prop(item, "label", text="", emboss=False)
        counts = row.row(align=True)
        counts.alignment = "RIGHT"
        counts.label(text=f"{item.sides or 'auto'} sides")
        counts.label(text="", icon="RADIOBUT_ON" if item.closed else "RADIOBUT_OFF")


class RINGWRIGHT_UL_findings(bpy.types.UIList):
    """Findings by severity."""

    def draw_item(self, _context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str, index: int = 0) -> None:
        row = layout.row(align=True)
        row.label(text=item.reason, icon=SEVERITY_ICONS[item.severity])
        row.operator("ringwright.show_finding", text="", icon="VIEWZOOM", emboss=False).index = index


class RINGWRIGHT_UL_rings(bpy.types.UIList):
    """Pairs of rings, then ends."""

    def draw_item(self, _context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str, index: int = 0) -> None:
        icon = "ERROR" if item.mismatch else ("CHECKMARK" if item.second >= 0 else "MESH_CIRCLE")
        row = layout.row(align=True)
        row.label(text=item.sentence, icon=icon)
        row.operator("ringwright.show_ring", text="", icon="VIEWZOOM", emboss=False).index = index


class SidebarPanel:
    """Mixin: where all panels sit."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = CATEGORY


class RINGWRIGHT_PT_target(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_target"
    bl_label = "Target"
    bl_order = 0

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings = self.layout, context.scene.ringwright
        column = layout.column(align=True)
        row = column.row(align=True)
        row.prop(settings, "target", text="", icon="MESH_MONKEY")
        row.operator("ringwright.choose_target", text="", icon="EYEDROPPER")
        target = target_of(context.scene)
        if target is None:
            wrapped(layout, "Choose the dense mesh that the cage must fit.", icon="INFO")
            return
        row = layout.row()
        row.label(text=f"{len(target.data.polygons):,} faces", icon="CHECKMARK")
        row.operator("ringwright.toggle_target", text="", icon="HIDE_OFF" if target.visible_get() else "HIDE_ON", emboss=False)


class RINGWRIGHT_PT_limbs(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_limbs"
    bl_label = "Limbs"
    bl_order = 1

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings = self.layout, context.scene.ringwright
        draw = layout.column()
        draw.scale_y = 1.3
        draw.operator("ringwright.draw_limb", icon="GREASEPENCIL").limb = ""
        _draw_sources(layout, context)
        _draw_plan_fault(layout, context)
        if not len(settings.limbs):
            if target_of(context.scene) is not None:
                wrapped(layout, "Click along a limb on the target: each click puts a joint in its middle.", icon="INFO")
            return
        row = layout.row()
        row.template_list("RINGWRIGHT_UL_limbs", "", settings, "limbs", settings, "active_limb", rows=5)
        side = row.column(align=True)
        side.operator("ringwright.add_limb", text="", icon="ADD")
        side.operator("ringwright.remove_limb", text="", icon="REMOVE")
        side.separator()
        side.operator("ringwright.turn_limb", text="", icon="UV_SYNC_SELECT")
        if settings.active_limb < len(settings.limbs):
            _draw_limb(layout, settings.limbs[settings.active_limb], _plan(context))


def _draw_sources(layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
    """The one way to take limbs over that suits what is active; the others are in the menu."""
    kind = context.object.type if context.object is not None else ""
    row = layout.row(align=True)
    if kind == "ARMATURE":
        row.operator("ringwright.limbs_from_bones", icon="BONE_DATA")
    elif kind == "CURVE":
        row.operator("ringwright.limb_from_curve", icon="CURVE_DATA")
    elif kind == "EMPTY":
        row.operator("ringwright.limb_from_empties", icon="EMPTY_AXIS")
    elif context.mode == "EDIT_MESH":
        row.operator("ringwright.limb_from_vertices", icon="VERTEXSEL")
    row.menu("RINGWRIGHT_MT_limb_sources", text="Limbs from Objects" if not kind or kind == "MESH" else "")


class RINGWRIGHT_MT_limb_sources(bpy.types.Menu):
    bl_idname = "RINGWRIGHT_MT_limb_sources"
    bl_label = "Limbs from Objects"

    def draw(self, _: bpy.types.Context) -> None:
        for operator, icon in (("limbs_from_bones", "BONE_DATA"), ("limb_from_empties", "EMPTY_AXIS"), ("limb_from_curve", "CURVE_DATA"),
                               ("limb_from_vertices", "VERTEXSEL")):
            self.layout.operator(f"ringwright.{operator}", icon=icon)


def _draw_plan_fault(layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
    settings = context.scene.ringwright
    try:
        load_plan(context.scene)
    except PlanError as error:
        wrapped(layout, str(error), icon="CANCEL")
        return
    if [row.key for row in settings.limbs] != limb_names(context.scene):
        layout.operator("ringwright.refresh_plan", icon="FILE_REFRESH")
    if settings.notice:
        wrapped(layout, settings.notice, icon="ERROR")


def _draw_limb(layout: bpy.types.UILayout, row: Any, plan: LimbPlan) -> None:
    limb = next((limb for limb in plan.limbs if limb.name == row.key), None)
    if limb is None:
        return
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    column.prop(row, "sides", text="Sides" if row.sides else "Sides (Chosen)")
    column.prop(row, "spans", text="Spans" if row.spans else "Spans (Chosen)")
    column.prop(row, "joint_loops")
    tip = column.column()
    tip.active = plan.tip_join(limb.name) is None
    tip.prop(row, "closed")
    layout.operator("ringwright.draw_limb", text=f"Edit {len(limb.joints)} Joints", icon="EMPTY_AXIS").limb = limb.name


class RINGWRIGHT_PT_joins(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_joins"
    bl_label = "Joins"
    bl_order = 2

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, plan = self.layout, context.scene.ringwright, _plan(context)
        if len(plan.limbs) < 2:
            wrapped(layout, "Joins connect limbs; there are too few yet.", icon="INFO")
            return
        active = settings.limbs[settings.active_limb].key if settings.active_limb < len(settings.limbs) else ""
        marked = [row.key for row in settings.limbs if row.marked and row.key != active]
        words = f"Active: {active}. Marked: {', '.join(marked)}." if marked else f"Active: {active}. Mark the limbs to join to it."
        wrapped(layout, words)
        row = layout.row(align=True)
        row.operator("ringwright.add_fork", text="Fork")
        row.operator("ringwright.add_socket", text="Socket")
        row.operator("ringwright.add_splice", text="Splice")
        box = layout.column(align=True)
        for kind, index, text, unlike in _join_rows(plan):
            line = box.row(align=True)
            line.label(text=text, icon="ERROR" if unlike else JOIN_ICONS[kind])
            if kind != "socket":
                change = line.operator("ringwright.change_join", text="", icon="PREFERENCES", emboss=False)
                change.kind, change.index = kind, index
            remove = line.operator("ringwright.remove_join", text="", icon="X", emboss=False)
            remove.kind, remove.index = kind, index


def _join_rows(plan: LimbPlan) -> list[tuple[str, int, str, bool]]:
    """Kind, number, words and whether two counts differ, of every join."""
    rows = [("fork", index, f"{fork.trunk}: {len(fork.branches)} branches", False) for index, fork in enumerate(plan.forks)]
    rows += [("socket", index, f"{socket.trunk}: {socket.branch}", False) for index, socket in enumerate(plan.sockets)]
    for index, splice in enumerate(plan.splices):
        counts = [plan.limb(name).sides for name in (splice.lower, splice.upper)]
        unlike = None not in counts and counts[0] != counts[1]
        words = [f"{name} {count or ''}".strip() for name, count in zip((splice.lower, splice.upper), counts, strict=True)]
        rows.append(("splice", index, f"{words[0]} to {words[1]}", unlike))
    return rows


class RINGWRIGHT_PT_cage(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_cage"
    bl_label = "Cage"
    bl_order = 3

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings = self.layout, context.scene.ringwright
        cage = cage_of(context.scene)
        row = layout.row(align=True)
        row.prop(settings, "cage", text="", icon="MESH_GRID")
        row.operator("ringwright.choose_cage", text="", icon="EYEDROPPER")
        column = layout.column()
        column.use_property_split = True
        column.use_property_decorate = False
        column.active = len(settings.limbs) > 0
        column.prop(settings, "mirror")
        column.prop(settings, "live")
        column.prop(settings, "quad_budget", text="Budget" if settings.quad_budget else "Budget (None)")
        build = layout.column()
        build.scale_y = 1.3
        build.operator("ringwright.build_cage", text="Build Cage" if cage is None else "Build Cage Anew", icon="MOD_BUILD")
        if cage is None:
            words = "Draw limbs first." if not len(settings.limbs) else "The plan is ready to be built."
            wrapped(layout, words, icon="INFO")
        else:
            layout.label(text=f"{len(cage.data.polygons):,} faces", icon="CHECKMARK")


class RINGWRIGHT_PT_mend(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_mend"
    bl_label = "Selection"
    bl_parent_id = "RINGWRIGHT_PT_cage"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return context.mode == "EDIT_MESH"

    def draw(self, _: bpy.types.Context) -> None:
        column = self.layout.column(align=True)
        for operator, icon in (("settle", "MOD_SHRINKWRAP"), ("reduce_ring", "TRIA_DOWN"), ("splice_rings", "LINKED"),
                               ("fill_patch", "MESH_GRID"), ("make_quads", "MESH_PLANE")):
            column.operator(f"ringwright.{operator}", icon=icon)


class RINGWRIGHT_PT_inspect(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_inspect"
    bl_label = "Inspect"
    bl_order = 4

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings = self.layout, context.scene.ringwright
        row = layout.row(align=True)
        row.operator("ringwright.inspect", icon="VIEWZOOM")
        row.operator("ringwright.count_rings", icon="MESH_CIRCLE")
        if settings.summary:
            self._draw_findings(layout, settings)
        elif cage_of(context.scene) is not None:
            wrapped(layout, "Inspect the cage to see its findings.", icon="INFO")
        if len(settings.rings):
            wrapped(layout, settings.ring_summary + ".")
            layout.template_list("RINGWRIGHT_UL_rings", "", settings, "rings", settings, "active_ring", rows=3)
            if settings.active_ring < len(settings.rings):
                wrapped(layout, settings.rings[settings.active_ring].sentence)

    def _draw_findings(self, layout: bpy.types.UILayout, settings: Any) -> None:
        wrapped(layout, settings.summary + ".")
        if not len(settings.findings):
            layout.label(text="Sound: nothing was found", icon="CHECKMARK")
            return
        layout.template_list("RINGWRIGHT_UL_findings", "", settings, "findings", settings, "active_finding", rows=3)
        if settings.active_finding < len(settings.findings):
            finding = settings.findings[settings.active_finding]
            wrapped(layout, finding.reason)
            wrapped(layout, finding.mend)
            row = layout.row(align=True)
            row.operator("ringwright.show_finding", text="Show", icon="VIEWZOOM").index = -1
            if finding.kind in MENDS:
                row.operator("ringwright.mend_finding", text=MENDS[finding.kind][0], icon="TOOL_SETTINGS").index = -1


class RINGWRIGHT_PT_overlay(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_overlay"
    bl_label = "Overlay"
    bl_parent_id = "RINGWRIGHT_PT_inspect"

    def draw_header(self, context: bpy.types.Context) -> None:
        self.layout.prop(context.scene.ringwright, "overlay", text="")

    def draw(self, context: bpy.types.Context) -> None:
        settings = context.scene.ringwright
        column = self.layout.column(align=True)
        column.active = settings.overlay
        for name in ("show_limbs", "show_counts", "show_poles", "show_joints", "show_faces"):
            column.prop(settings, name)
        self.layout.operator("ringwright.show_deviation", icon="COLOR")


class RINGWRIGHT_PT_hand_on(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_hand_on"
    bl_label = "Hand On"
    bl_order = 5
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.layout
        column = layout.column()
        column.use_property_split = True
        column.use_property_decorate = False
        column.active = len(context.scene.ringwright.limbs) > 0
        column.prop(context.scene.ringwright, "unit")
        column = layout.column(align=True)
        column.operator("ringwright.save_plan", icon="EXPORT")
        column.operator("ringwright.load_plan", icon="IMPORT")
        column.operator("ringwright.clear_plan", icon="TRASH")


CLASSES = (
    RINGWRIGHT_UL_limbs, RINGWRIGHT_UL_findings, RINGWRIGHT_UL_rings, RINGWRIGHT_MT_limb_sources, RINGWRIGHT_PT_target,
    RINGWRIGHT_PT_limbs, RINGWRIGHT_PT_joins, RINGWRIGHT_PT_cage, RINGWRIGHT_PT_mend, RINGWRIGHT_PT_inspect, RINGWRIGHT_PT_overlay,
    RINGWRIGHT_PT_hand_on,
)
