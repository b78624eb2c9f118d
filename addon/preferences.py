"""The artist's own defaults, kept with the extension."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, StringProperty

from ..core.plan import DEFAULT_JOINT_LOOPS, JOINT_LOOPS_RANGE, SIDES_RANGE
from ..core.profiles import Profile
from .commands.arguments import profile_names, read_profile_named

EXTENSION = __package__.rpartition(".")[0] if __package__ else ""
SIZES = {"min": 0.5, "max": 3.0, "default": 1.0}
"""How much smaller or larger than the interface what is drawn over the viewport may be."""
PLAIN, FROM_FILE = "PLAIN", "FILE"
PROFILE_ITEMS = (
    (PLAIN, "Plain", "Judge only what every mesh must be"),
    *((name, name.title(), read_profile_named(name).about.rstrip(".")) for name in profile_names()),
    (FROM_FILE, "From File", "Judge by a profile of your own, a TOML file"),
)


class RINGWRIGHT_AP_preferences(bpy.types.AddonPreferences):
    """Defaults for new limbs, sizes of the overlay, what an inspection judges by."""

    bl_idname = EXTENSION

    sides: IntProperty(name="Sides", description="Edges round a limb that is drawn; 0 leaves them to be chosen from the girth", min=0,
                       max=SIDES_RANGE[1], step=2, default=8)
    joint_loops: IntProperty(name="Joint Loops", description="Rings gathered round every inner joint of a limb that is drawn",
                             min=JOINT_LOOPS_RANGE[0], max=JOINT_LOOPS_RANGE[1], default=DEFAULT_JOINT_LOOPS)
    centre_joints: BoolProperty(name="Centre Joints", default=True,
                                description="Move a joint that is drawn into the middle of the slice across the limb, "
                                            "instead of leaving it half way behind the pointer")
    marker_size: FloatProperty(name="Marker Size", description="Size of joints and poles over the viewport, 1 is the usual", **SIZES)
    line_width: FloatProperty(name="Line Width", description="Width of lines over the viewport, 1 is the usual", **SIZES)
    text_size: FloatProperty(name="Text Size", description="Size of ring counts and names over the viewport, 1 is the usual", **SIZES)
    profile: EnumProperty(name="Profile", items=PROFILE_ITEMS, description="What an inspection judges by")
    profile_file: StringProperty(name="Profile File", description="The profile of your own, a TOML file", subtype="FILE_PATH")

    def draw(self, _: bpy.types.Context) -> None:
        """Three groups, in the order of the work."""
        for names in (("sides", "joint_loops", "centre_joints"), ("marker_size", "line_width", "text_size"), ("profile", "profile_file")):
            column = self.layout.column()
            column.use_property_split = True
            for name in names:
                if name != "profile_file" or self.profile == FROM_FILE:
                    column.prop(self, name)


def preference(name: str) -> Any:
    """A preference's value; its default where the extension runs without being listed among the host's add-ons."""
    found = bpy.context.preferences.addons.get(EXTENSION)
    if found is not None and found.preferences is not None:
        return getattr(found.preferences, name)
    return RINGWRIGHT_AP_preferences.bl_rna.properties[name].default


def preferred_profile() -> Profile:
    """The profile that the artist has chosen.

    Raises FileError or ProfileError where a file of their own cannot be read.
    """
    choice = preference("profile")
    if choice == FROM_FILE:
        return read_profile_named(bpy.path.abspath(preference("profile_file")))
    return read_profile_named(None if choice == PLAIN else choice)


CLASSES = (RINGWRIGHT_AP_preferences,)
