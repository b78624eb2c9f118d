"""The artist's own defaults, kept with the extension."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import BoolProperty, IntProperty

from ..core.plan import DEFAULT_JOINT_LOOPS, JOINT_LOOPS_RANGE, SIDES_RANGE

EXTENSION = __package__.rpartition(".")[0] if __package__ else ""


class RINGWRIGHT_AP_preferences(bpy.types.AddonPreferences):
    """Defaults for new limbs."""

    bl_idname = EXTENSION

    sides: IntProperty(name="Sides", description="Edges round a limb that is drawn; 0 leaves them to be chosen from the girth", min=0,
                       max=SIDES_RANGE[1], step=2, default=8)
    joint_loops: IntProperty(name="Joint Loops", description="Rings gathered round every inner joint of a limb that is drawn",
                             min=JOINT_LOOPS_RANGE[0], max=JOINT_LOOPS_RANGE[1], default=DEFAULT_JOINT_LOOPS)
    centre_joints: BoolProperty(name="Centre Joints", default=True,
                                description="Move a joint that is drawn into the middle of the slice across the limb, "
                                            "instead of leaving it half way behind the pointer")

    def draw(self, _: bpy.types.Context) -> None:
        column = self.layout.column()
        column.use_property_split = True
        for name in ("sides", "joint_loops", "centre_joints"):
            column.prop(self, name)


def preference(name: str) -> Any:
    """A preference's value; its default where the extension runs without being listed among the host's add-ons."""
    found = bpy.context.preferences.addons.get(EXTENSION)
    if found is not None and found.preferences is not None:
        return getattr(found.preferences, name)
    return RINGWRIGHT_AP_preferences.bl_rna.properties[name].default


CLASSES = (RINGWRIGHT_AP_preferences,)
