"""Keyboard entries of the 3D viewport; they show, and can be changed, in the host's keymap editor."""

from __future__ import annotations

from typing import Any

import bpy

ENTRIES = (
    ("ringwright.draw_limb", {"type": "L", "ctrl": True, "alt": True, "shift": True}),
    ("ringwright.build_cage", {"type": "B", "ctrl": True, "alt": True, "shift": True}),
    ("ringwright.inspect", {"type": "I", "ctrl": True, "alt": True, "shift": True}),
)
"""Three modifiers at once: the host's own keymap leaves these combinations free."""

_added: list[tuple[Any, Any]] = []
"""Keymaps and their entries, to be taken out again."""


def register() -> None:
    """Add the entries; without a window there is no keymap to add to."""
    keyconfig = bpy.context.window_manager.keyconfigs.addon if bpy.context.window_manager else None
    if keyconfig is None:
        return
    keymap = keyconfig.keymaps.new(name="3D View", space_type="VIEW_3D")
    for operator, key in ENTRIES:
        _added.append((keymap, keymap.keymap_items.new(operator, value="PRESS", **key)))


def unregister() -> None:
    """Take the entries out."""
    while _added:
        keymap, item = _added.pop()
        keymap.keymap_items.remove(item)
