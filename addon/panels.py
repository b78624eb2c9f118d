"""The sidebar's panels in the order of the work; they draw and change nothing."""

from __future__ import annotations

from typing import Any

import bpy

from ..core.count_figures import JoinCounts, join_counts, sides_of
from ..core.errors import PlanError
from ..core.plan import LimbPlan
from . import live_build, plan_preview
from .operators.mending import mend_label
from .phrases import phrase
from .plan_storage import cage_of, is_built, limb_names, load_plan, readable_plan, target_of

CATEGORY = "Ringwright"
SEVERITY_ICONS = {"error": "CANCEL", "warning": "ERROR", "note": "INFO"}
FIELD = 34
"""Pixels of the narrowest field in which two digits can be read."""
NARROW = 220
"""Pixels of a sidebar in which a label and its fields need a line each."""
JOIN_ICONS = {"fork": "OUTLINER_OB_FORCE_FIELD", "socket": "PIVOT_CURSOR", "splice": "LINKED"}
LETTER = 6.2
"""Pixels of a letter at the interface's own size, on average (measured)."""
MARGIN = 24
"""Pixels of a panel's width that words cannot use."""


def _width() -> float:
    """Pixels of the sidebar at the interface's own size."""
    region = bpy.context.region
    return 220.0 if region is None else region.width / bpy.context.preferences.system.ui_scale


def wrapped(layout: bpy.types.UILayout, text: str, icon: str = "NONE") -> None:
    """A sentence over several lines."""
    letters = int((_width() - MARGIN) / LETTER) - (3 if icon != "NONE" else 0)
    words, line, column = phrase(text).split(), "", layout.column(align=True)
    for word in [*words, ""]:
        if line and (not word or len(line) + len(word) >= letters):
            column.label(text=line, icon=icon)
            icon, line = ("BLANK1" if icon != "NONE" else "NONE"), ""
        line = f"{line} {word}".strip()


class RINGWRIGHT_UL_limbs(bpy.types.UIList):
    """Limbs with their mark, name and counts."""

    def draw_item(self, context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str) -> None:
        row = layout.row(align=True)
        row.prop(item, "marked", text="", icon="CHECKBOX_HLT" if item.marked else "CHECKBOX_DEHLT", emboss=False)
        row.prop(item, "label", text="", emboss=False)
        counts = row.row(align=True)
        counts.alignment = "RIGHT"
        known = plan_preview.shown_figures(context.scene).limbs.get(item.key)
        sides = item.sides or ("auto" if known is None else known.body)
        counts.label(text=str(sides) if _width() < NARROW else phrase("{count} sides", count=sides))
        counts.label(text="", icon="RADIOBUT_ON" if item.closed else "RADIOBUT_OFF")


class RINGWRIGHT_UL_findings(bpy.types.UIList):
    """Findings by severity."""

    def draw_item(self, _context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str, index: int = 0) -> None:
        _shown_row(layout, "ringwright.show_finding", index, item.reason, SEVERITY_ICONS[item.severity])


class RINGWRIGHT_UL_rings(bpy.types.UIList):
    """Pairs of rings, then ends."""

    def draw_item(self, _context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str, index: int = 0) -> None:
        icon = "ERROR" if item.mismatch else ("CHECKMARK" if item.second >= 0 else "MESH_CIRCLE")
        _shown_row(layout, "ringwright.show_ring", index, item.sentence, icon)


def _shown_row(layout: bpy.types.UILayout, operator: str, index: int, words: str, icon: str) -> None:
    """A row of a list that is selected and brought into view where it is clicked."""
    row = layout.row(align=True)
    text = row.row()
    text.alignment = "LEFT"
    text.operator(operator, text=words, icon=icon, emboss=False, translate=False).index = index
    row.operator(operator, text="", icon="VIEWZOOM", emboss=False).index = index


class SidebarPanel:
    """Mixin: where all panels sit."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = CATEGORY


def _headline(layout: bpy.types.UILayout, text: str, icon: str = "NONE") -> None:
    """State in short at the right end of a panel's header, so that it shows while the panel is closed."""
    row = layout.row()
    row.alignment = "RIGHT"
    row.label(text=text, icon=icon)
    row.separator(factor=0.5)  # the host draws its grip over what stands at the very end


class RINGWRIGHT_PT_target(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_target"
    bl_label = "Target"
    bl_order = 0

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        target = target_of(context.scene)
        _headline(self.layout, "" if target is None else _short(_evaluated_faces(context, target)), "ERROR" if target is None else "NONE")

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
        row.label(text=phrase("{count} faces", count=f"{_evaluated_faces(context, target):,}"), icon="CHECKMARK")
        row.operator("ringwright.toggle_target", text="", icon="HIDE_OFF" if target.visible_get() else "HIDE_ON", emboss=False)


def _evaluated_faces(context: bpy.types.Context, target: bpy.types.Object) -> int:
    """Faces of the target as it is seen, modifiers counted."""
    evaluated = target.evaluated_get(context.view_layer.depsgraph)
    return len(evaluated.data.polygons)


def _short(count: int) -> str:
    """A number in few letters."""
    for limit, word in ((1_000_000, "M"), (1_000, "k")):
        if count >= limit:
            return f"{count / limit:.3g}{word}"
    return str(count)


class RINGWRIGHT_PT_limbs(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_limbs"
    bl_label = "Limbs"
    bl_order = 1

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        count = len(context.scene.ringwright.limbs)
        _headline(self.layout, str(count))

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings = self.layout, context.scene.ringwright
        draw = layout.column()
        draw.scale_y = 1.3
        draw.operator("ringwright.draw_limb", icon="GREASEPENCIL").limb = ""
        draw.menu("RINGWRIGHT_MT_ready_made_plans", icon="PRESET")
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
            _draw_limb(layout, settings.limbs[settings.active_limb], context)


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
    suits = kind in {"ARMATURE", "CURVE", "EMPTY"} or context.mode == "EDIT_MESH"
    if suits:
        row.menu("RINGWRIGHT_MT_limb_sources", text="", icon="DOWNARROW_HLT")
    else:
        row.menu("RINGWRIGHT_MT_limb_sources", text="Limbs from Objects")


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
    if settings.notice and not settings.loses_moves:
        wrapped(layout, settings.notice, icon="ERROR")


def _draw_limb(layout: bpy.types.UILayout, row: Any, context: bpy.types.Context) -> None:
    plan, figures = readable_plan(context.scene), plan_preview.shown_figures(context.scene)
    limb = next((limb for limb in plan.limbs if limb.name == row.key), None)
    if limb is None:
        return
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    chosen = sides_of(limb, figures)
    column.prop(row, "sides", text="Sides" if row.sides else phrase("Sides ({count})", count=chosen) if chosen else "Sides (Auto)")
    column.prop(row, "spans", text="Spans" if row.spans else "Spans (Auto)")
    if len(limb.joints) > 2:
        _draw_fields(column, row, "bone_spans", len(limb.joints) - 1, phrase("Each Bone"))
    column.prop(row, "joint_loops")
    column.prop(row, "radius", text="Radius" if row.radius else "Radius (Any)")
    tip = column.column()
    tip.active = plan.tip_join(limb.name) is None
    tip.prop(row, "closed")
    header, body = layout.panel("ringwright_seam", default_closed=True)
    header.label(text="Seam" if limb.up is None else "Seam (Turned)")
    if body is not None:
        body.use_property_split = True
        body.use_property_decorate = False
        body.prop(row, "up")
    layout.operator("ringwright.draw_limb", text=phrase("Edit {count} Joints", count=len(limb.joints)), icon="EMPTY_AXIS").limb = limb.name


def _draw_fields(layout: bpy.types.UILayout, row: Any, name: str, count: int, label: str) -> None:
    """Numbers that belong together under one label, as many a line as can be read."""
    shown, narrow = min(count, len(getattr(row, name))), _width() < NARROW
    a_line = max(1, int((_width() - MARGIN) * (1.0 if narrow else 0.6) / FIELD))
    if narrow:
        layout.label(text=label)
    for first in range(0, shown, a_line):
        line = layout if narrow else _labelled(layout, label if first == 0 else "")
        fields = line.row(align=True)
        fields.use_property_split = False
        for index in range(first, min(first + a_line, shown)):
            fields.prop(row, name, index=index, text="")


def _labelled(layout: bpy.types.UILayout, label: str) -> bpy.types.UILayout:
    """The right part of a line with a label before it, as the host's own split fields have it."""
    split = layout.split(factor=0.4)
    words = split.row()
    words.alignment = "RIGHT"
    words.label(text=label)
    return split


class RINGWRIGHT_PT_joins(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_joins"
    bl_label = "Joins"
    bl_order = 2

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        joins = join_counts(readable_plan(context.scene), plan_preview.shown_figures(context.scene))
        unlike = sum(join.step_downs > 0 for join in joins)
        _headline(self.layout, phrase("{count} unlike", count=unlike) if unlike else str(len(joins)), "ERROR" if unlike else "NONE")

    def draw(self, context: bpy.types.Context) -> None:
        layout, settings, plan = self.layout, context.scene.ringwright, readable_plan(context.scene)
        if len(plan.limbs) < 2:
            wrapped(layout, "Joins connect limbs; there are too few yet.", icon="INFO")
            return
        active = settings.limbs[settings.active_limb].key if settings.active_limb < len(settings.limbs) else ""
        marked = [row.key for row in settings.limbs if row.marked and row.key != active]
        wrapped(layout, phrase("Active: {limb}. Marked: {others}.", limb=active, others=", ".join(marked)) if marked
                else phrase("Active: {limb}. Mark the limbs to join to it.", limb=active))
        row = layout.row(align=True)
        row.operator("ringwright.add_fork", text="Fork")
        row.operator("ringwright.add_socket", text="Socket")
        row.operator("ringwright.add_splice", text="Splice")
        for row, join in zip(settings.joins, join_counts(plan, plan_preview.shown_figures(context.scene)), strict=False):
            _draw_join(layout, row, join, plan)


def _draw_join(layout: bpy.types.UILayout, row: Any, join: JoinCounts, plan: LimbPlan) -> None:
    """What meets at a join, its counts, and the numbers that can be changed there."""
    box = layout.box().column(align=True)
    line = box.row(align=True)
    unlike = join.step_downs > 0
    line.label(text=_join_words(join), icon="ERROR" if unlike else JOIN_ICONS[join.kind])
    remove = line.operator("ringwright.remove_join", text="", icon="X", emboss=False)
    remove.kind, remove.index = join.kind, join.index
    counts = box.row()
    counts.alert = unlike
    counts.label(text=_count_words(join), icon="BLANK1")
    if join.kind == "fork":
        _draw_fields(box, row, "webs", len(plan.forks[join.index].branches) - 1, phrase("Webs"))
    elif join.kind == "splice":
        _labelled(box, phrase("Rows" if row.rows else "Rows (Auto)")).prop(row, "rows", text="")


def _join_words(join: JoinCounts) -> str:
    if join.kind == "fork":
        return phrase("{limb}: {count} branches", limb=join.trunk, count=len(join.branches))
    return f"{join.trunk}: {join.branches[0]}"


def _count_words(join: JoinCounts) -> str:
    """Both counts, and what brings one to the other."""
    if join.below is None or join.above is None:
        return phrase("counts chosen by the build")
    if join.step_downs:
        return phrase("{below} to {above}, step-downs: {count}", below=join.below, above=join.above, count=join.step_downs)
    return phrase("{count} edges", count=join.above)


class RINGWRIGHT_PT_cage(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_cage"
    bl_label = "Cage"
    bl_order = 3

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        cage = cage_of(context.scene)
        stale = cage is not None and len(context.scene.ringwright.limbs) > 0 and not is_built(context.scene)
        _headline(self.layout, "" if cage is None else f"{len(cage.data.polygons):,}", "ERROR" if stale else "NONE")

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
        if live_build.running is not None:
            _draw_progress(layout, live_build.running.stage, live_build.running.share)
            return
        build = layout.column()
        build.scale_y = 1.3
        build.operator("ringwright.build_cage", text="Build Cage" if cage is None else "Build Cage Anew", icon="MOD_BUILD")
        _draw_cage_state(layout, context)


def _draw_progress(layout: bpy.types.UILayout, stage: str, share: float) -> None:
    row = layout.row(align=True)
    row.progress(text=stage, factor=share)
    row.operator("ringwright.cancel_build", text="", icon="X")


def _draw_cage_state(layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
    """What the cage is, and what could be done next."""
    settings, cage = context.scene.ringwright, cage_of(context.scene)
    refusal = plan_preview.refusal_of(context.scene)
    if cage is None:
        wrapped(layout, "Draw limbs first." if not len(settings.limbs) else refusal or "The plan is ready to be built.",
                icon="ERROR" if refusal else "INFO")
        return
    if is_built(context.scene) or not len(settings.limbs):
        layout.label(text=phrase("{count} faces", count=f"{len(cage.data.polygons):,}"), icon="CHECKMARK")
        return
    wrapped(layout, settings.notice if settings.loses_moves else "The plan has changed since the cage was built.", icon="ERROR")
    row = layout.column(align=True)
    if settings.loses_moves:
        row.operator("ringwright.build_cage", text="Lay Them Anew", icon="MOD_BUILD").moved = "KEEP"
    row.operator("ringwright.revert_plan", icon="LOOP_BACK")


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
                               ("fill_patch", "MESH_GRID"), ("make_quads", "MESH_PLANE"), ("count_rings", "MESH_CIRCLE")):
            column.operator(f"ringwright.{operator}", icon=icon)


class RINGWRIGHT_PT_inspect(SidebarPanel, bpy.types.Panel):
    bl_idname = "RINGWRIGHT_PT_inspect"
    bl_label = "Inspect"
    bl_order = 4

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        settings = context.scene.ringwright
        errors, warnings = (_count(settings, severity) for severity in ("error", "warning"))
        if settings.summary:
            icon = SEVERITY_ICONS["error" if errors else "warning"] if errors or warnings else "CHECKMARK"
            _headline(self.layout, str(errors or warnings or ""), icon)

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
        row = layout.row(align=True)
        for severity, icon in SEVERITY_ICONS.items():
            row.label(text=str(_count(settings, severity)), icon=icon)
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
            mend = mend_label(finding.kind, finding.elements)
            if mend:
                row.operator("ringwright.mend_finding", text=mend, icon="TOOL_SETTINGS").index = -1


def _count(settings: Any, severity: str) -> int:
    return sum(finding.severity == severity for finding in settings.findings)


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
        for name in ("show_limbs", "show_planned", "show_counts", "show_poles", "show_joints", "show_faces"):
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
