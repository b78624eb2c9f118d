"""The sidebar's last panel: does it bend, and off it goes."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import bpy

from ..core.errors import RingwrightError
from ..core.plan import LimbPlan, read_plan
from ..core.skeleton import Skeleton, skeleton_of
from .operators.improving import progress_of_search
from .panels import CATEGORY, wrapped
from .phrases import phrase
from .plan_storage import cage_of, plan_text
from .rigging import rig_of, stands_as

VERDICT_ICONS = {"good": "CHECKMARK", "fair": "INFO", "poor": "ERROR"}


class RINGWRIGHT_UL_bends(bpy.types.UIList):
    """Joints with their verdict and the volume that they keep."""

    def draw_item(self, _context: bpy.types.Context, layout: bpy.types.UILayout, _data: Any, item: Any, _icon: int, _active: Any,
                  _property: str) -> None:
        row = layout.row(align=True)
        row.label(text=item.bone, icon=VERDICT_ICONS[item.verdict])
        figure = row.row()
        figure.alignment = "RIGHT"
        figure.label(text=f"{item.volume:.0%}")


class RINGWRIGHT_PT_hand_over(bpy.types.Panel):
    """Rig, flex test, export"""

    bl_idname = "RINGWRIGHT_PT_hand_over"
    bl_label = "Rig and Export"
    bl_parent_id = "RINGWRIGHT_PT_hand_on"
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = CATEGORY

    def draw(self, context: bpy.types.Context) -> None:
        """Buttons in the order of the work."""
        layout = self.layout
        layout.operator("ringwright.plan_from_armature", icon="OUTLINER_OB_ARMATURE")
        layout.operator("ringwright.rig_cage", icon="ARMATURE_DATA")
        _draw_rig_state(layout, context)
        layout.operator("ringwright.flex_cage", icon="CON_ROTLIKE")
        _draw_bends(layout, context.scene.ringwright)
        _draw_search(layout)
        row = layout.row(align=True)
        row.operator("ringwright.make_symmetric", icon="MOD_MIRROR")
        row.operator("ringwright.mirror_half")
        layout.operator("ringwright.unwrap_cage", icon="UV")
        layout.operator("ringwright.export_set", icon="EXPORT")


def _draw_rig_state(layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
    """Whether the rig is the plan's."""
    cage = cage_of(context.scene)
    rig, skeleton = None if cage is None else rig_of(cage), _skeleton(plan_text(context.scene))
    if rig is None or skeleton is None:
        return
    if stands_as(rig, skeleton):
        layout.label(text=phrase("{count} bones", count=len(skeleton.bones)), icon="CHECKMARK")
    else:
        wrapped(layout, "The rig's bones are not those of the plan; rig the cage anew.", icon="ERROR")


@lru_cache(maxsize=4)
def _skeleton(text: str) -> Skeleton | None:
    """The bones of a plan's text; None where it has none or cannot be read."""
    try:
        plan = read_plan(text) if text else LimbPlan(())
        return skeleton_of(plan) if plan.limbs else None
    except RingwrightError:
        return None


def _draw_bends(layout: bpy.types.UILayout, settings: Any) -> None:
    """The verdict on every joint, and the worst bend of one."""
    if not len(settings.bends):
        return
    row = layout.row()
    row.label(text="Joint")
    figure = row.row()
    figure.alignment = "RIGHT"
    figure.label(text="Volume Kept")
    layout.template_list("RINGWRIGHT_UL_bends", "", settings, "bends", settings, "active_bend", rows=3)
    if settings.active_bend < len(settings.bends):
        bend = settings.bends[settings.active_bend]
        wrapped(layout, phrase("{verdict}: {figures}.", verdict=_verdict(bend.verdict), figures=bend.sentence))
        if bend.help:
            wrapped(layout, bend.help)
        layout.operator("ringwright.show_bend", icon="VIEWZOOM").index = -1


def _verdict(grade: str) -> str:
    return {"good": phrase("Bends well"), "fair": phrase("Bends fairly"), "poor": phrase("Bends poorly")}[grade]


def _draw_search(layout: bpy.types.UILayout) -> None:
    """The buttons that begin the search, or how far it has come."""
    progress = progress_of_search()
    if progress is None:
        row = layout.row(align=True)
        row.operator("ringwright.improve_cage", icon="TRACKING_REFINE_FORWARDS").keep_joints = False
        row.operator("ringwright.improve_cage", text="Keep Joints").keep_joints = True
        return
    layout.progress(text=phrase("Improving; Esc gives up"), factor=progress[1])
    wrapped(layout, progress[0])


CLASSES = (RINGWRIGHT_UL_bends, RINGWRIGHT_PT_hand_over)
