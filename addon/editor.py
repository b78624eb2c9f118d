"""What the editor gets: settings, operators, panels, overlay, keys; registered in order, taken back in reverse."""

from __future__ import annotations

from typing import Any

import bpy

from . import (
    hand_over_panel,
    hanging_view,
    kept_target,
    keys,
    live_build,
    overlay,
    panels,
    plan_preview,
    preferences,
    properties,
    translation,
)
from .operators import (
    cages,
    draw_limb,
    faces,
    inspections,
    joins,
    limb_sources,
    limbs,
    mending,
    patches,
    plans,
    ready_plans,
    rigs,
    rings,
    symmetry,
    unwraps,
)

OPERATORS = (plans, limbs, limb_sources, ready_plans, joins, cages, inspections, mending, rings, patches, faces, draw_limb, rigs, symmetry,
             unwraps)

CLASSES: tuple[Any, ...] = (*properties.CLASSES, *preferences.CLASSES, *(each for family in OPERATORS for each in family.CLASSES),
                            *panels.CLASSES, *hand_over_panel.CLASSES)


def register() -> None:
    """Register everything with the host."""
    for each in CLASSES:
        bpy.utils.register_class(each)
    properties.register_pointer()
    kept_target.register()
    live_build.register()
    plan_preview.register()
    overlay.register()
    keys.register()
    translation.register()


def unregister() -> None:
    """Take everything back."""
    translation.unregister()
    keys.unregister()
    hanging_view.stop_all()
    overlay.unregister()
    plan_preview.unregister()
    live_build.unregister()
    kept_target.unregister()
    properties.unregister_pointer()
    for each in reversed(CLASSES):
        bpy.utils.unregister_class(each)
