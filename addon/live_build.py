"""Build the cage anew a moment after a value was changed, so that a run of changes builds once."""

from __future__ import annotations

import bpy

PAUSE = 0.3
"""Seconds without a further change before the build begins."""


def ask() -> None:
    """Have the cage built soon; asking again begins the pause anew."""
    if bpy.app.background:
        return
    cancel()
    bpy.app.timers.register(_build, first_interval=PAUSE)


def cancel() -> None:
    """Give up a build that was asked for and has not begun."""
    if bpy.app.timers.is_registered(_build):
        bpy.app.timers.unregister(_build)


def _build() -> None:
    window = bpy.context.window_manager.windows[0]
    with bpy.context.temp_override(window=window):
        operator = bpy.ops.ringwright.build_cage
        if bpy.context.scene.ringwright.live and operator.poll():
            try:
                operator("EXEC_DEFAULT", True, inspect=False)
            except RuntimeError as error:
                bpy.context.scene.ringwright.notice = str(error).removeprefix("Error: ").strip()
