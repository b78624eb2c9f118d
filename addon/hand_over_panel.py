"""The sidebar's last panel: does it bend, and off it goes."""

from __future__ import annotations

import bpy

from .panels import CATEGORY


class RINGWRIGHT_PT_hand_over(bpy.types.Panel):
    """Rig, flex test, export"""

    bl_idname = "RINGWRIGHT_PT_hand_over"
    bl_label = "Rig and Export"
    bl_parent_id = "RINGWRIGHT_PT_hand_on"
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = CATEGORY

    def draw(self, _: bpy.types.Context) -> None:
        """Buttons in the order of the work."""
        column = self.layout.column(align=True)
        column.operator("ringwright.plan_from_armature", icon="OUTLINER_OB_ARMATURE")
        column.operator("ringwright.rig_cage", icon="ARMATURE_DATA")
        column.operator("ringwright.flex_cage", icon="CON_ROTLIKE")
        column.operator("ringwright.improve_cage", icon="TRACKING_REFINE_FORWARDS")
        row = self.layout.row(align=True)
        row.operator("ringwright.make_symmetric", icon="MOD_MIRROR")
        row.operator("ringwright.mirror_half")
        self.layout.operator("ringwright.unwrap_cage", icon="UV")
        self.layout.operator("ringwright.export_set", icon="EXPORT")


CLASSES = (RINGWRIGHT_PT_hand_over,)
