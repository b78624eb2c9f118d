"""Build the cage as soon as its plan changes, and tell the panels what is being built.

An undo or redo never stops between a change of the plan and the cage that was built from it.
"""

from __future__ import annotations

from typing import Any

import bpy
from bpy.app.handlers import persistent

from . import kept_target, plan_storage
from .cage_build import CageBuild
from .plan_storage import cage_of, is_built
from .viewports import redraw_viewports

TICK = 0.01
"""Seconds between two looks at a build that is under way."""
PAUSE = 0.02
"""Seconds without a further change before the build begins: a slider sends several changes at once."""

running: CageBuild | None = None
"""The build that is under way."""
_timer: bpy.types.Timer | None = None
_was_built = False
"""Whether the cage fitted its plan before the undo or redo that is under way."""


def begin(context: bpy.types.Context, build: CageBuild) -> None:
    """A build is under way; its operator is to look at it every tick."""
    global running, _timer
    running, _timer = build, context.window_manager.event_timer_add(TICK, window=context.window)


def end() -> None:
    """It is no longer; without Build Live the target is not needed any more."""
    global running, _timer
    manager = bpy.context.window_manager
    if _timer is not None:
        manager.event_timer_remove(_timer)
    running = _timer = None
    for window in manager.windows:
        window.workspace.status_text_set(None)
    redraw_viewports(bpy.context)
    scene = bpy.context.scene
    if scene is None or not scene.ringwright.live:
        kept_target.forget()


def ask(scene: bpy.types.Scene) -> None:
    """Have the cage built soon where it no longer is what its plan asks for."""
    if bpy.app.background or not scene.ringwright.live or cage_of(scene) is None or is_built(scene):
        return
    if not bpy.app.timers.is_registered(_build):
        bpy.app.timers.register(_build, first_interval=PAUSE)


def cancel() -> None:
    """Give up what was asked for and what is being built."""
    for timer in (_build, _undo_once_more, _redo_once_more):
        if bpy.app.timers.is_registered(timer):
            bpy.app.timers.unregister(timer)
    _drop()


def _drop() -> None:
    """Give up what is being built; the scene is at once as it was before."""
    if running is not None:
        running.drop()


def _build() -> None:
    scene = bpy.context.window_manager.windows[0].scene
    if running is not None:
        running.is_outdated = True
        return
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0]):
        operator = bpy.ops.ringwright.build_cage
        if scene.ringwright.live and not is_built(scene) and operator.poll():
            operator("INVOKE_DEFAULT", True, inspect=False, moved="ASK")


@persistent  # type: ignore[untyped-decorator]
def _before_step(scene: bpy.types.Scene, *_: Any) -> None:
    global _was_built
    cancel()
    _was_built = is_built(scene)


@persistent  # type: ignore[untyped-decorator]
def _after_undo(scene: bpy.types.Scene, *_: Any) -> None:
    _go_on(scene, _undo_once_more)


@persistent  # type: ignore[untyped-decorator]
def _after_redo(scene: bpy.types.Scene, *_: Any) -> None:
    _go_on(scene, _redo_once_more)


def _go_on(scene: bpy.types.Scene, step: Any) -> None:
    """Where the step came from a built cage and led to one that is not, it stopped in the middle of one change."""
    if not bpy.app.background and _was_built and scene.ringwright.live and cage_of(scene) is not None and not is_built(scene):
        bpy.app.timers.register(step, first_interval=0.0)


def _undo_once_more() -> None:
    _step(bpy.ops.ed.undo)


def _redo_once_more() -> None:
    _step(bpy.ops.ed.redo)


def _step(operator: Any) -> None:
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0]):
        if operator.poll():
            operator()


@persistent  # type: ignore[untyped-decorator]
def _before_saving(*_: Any) -> None:
    cancel()  # a file keeps no half-built cage


HANDLERS = (("undo_pre", _before_step), ("redo_pre", _before_step), ("undo_post", _after_undo), ("redo_post", _after_redo),
            ("save_pre", _before_saving))


def register() -> None:
    """Listen to changes of the plan."""
    plan_storage.listeners.append(ask)
    for name, handler in HANDLERS:
        getattr(bpy.app.handlers, name).append(handler)


def unregister() -> None:
    """Stop listening."""
    cancel()
    if running is not None:
        running.wait()
        end()
    plan_storage.listeners.remove(ask)
    for name, handler in HANDLERS:
        getattr(bpy.app.handlers, name).remove(handler)
