"""What the tools share that point at the target in a 3D viewport: the pointer, what lies under it, and a clean end."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import bpy
import numpy as np

from ...core.limb_pointing import ThickPlace, pierce
from ...core.outward import FlippedSurface
from ...core.polymesh import FloatArray
from ...core.surface import Surface
from ..hanging_view import HangingView
from ..plan_storage import target_of
from ..ray_tree import RayTree
from ..viewports import Viewport, redraw_viewports, viewport_under
from .asking import has_target, in_object_mode

NAVIGATION = {"MIDDLEMOUSE", "NDOF_MOTION", "TRACKPADPAN", "TRACKPADZOOM", "MOUSEROTATE", "MOUSESMARTZOOM", "NUMPAD_0", "NUMPAD_1",
              "NUMPAD_2", "NUMPAD_3", "NUMPAD_4", "NUMPAD_5", "NUMPAD_6", "NUMPAD_7", "NUMPAD_8", "NUMPAD_9", "NUMPAD_PERIOD",
              "NUMPAD_PLUS", "NUMPAD_MINUS"}
WHEEL = {"WHEELUPMOUSE": 1, "WHEELDOWNMOUSE": -1}
CONFIRM = {"RET", "NUMPAD_ENTER"}
CANCEL = {"ESC", "RIGHTMOUSE"}
ICON_ROOM = {"EVENT_CTRL": 2.0, "EVENT_ESC": 2.0, "EVENT_BACKSPACE": 2.0, "EVENT_SPACEKEY": 4.0}
"""Keys whose picture reaches past its square into the words beside it."""


class ViewportTool:
    """Mixin: a tool that runs until it is confirmed or given up; nothing in the scene changes before."""

    _surface: Surface
    _view: HangingView
    _viewport: Viewport | None
    _pointer: FloatArray

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_target(cls, context) and in_object_mode(cls, context)

    def take(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """One event of the running tool; what ``modal`` returns."""
        raise NotImplementedError

    def begin(self, context: bpy.types.Context, view: HangingView) -> set[str]:
        """Run; the target is read once, as it is now.

        Raises MeshError where the target has no surface.
        """
        self._surface = RayTree(target_of(context.scene), context.evaluated_depsgraph_get())
        self._faces_known = False
        self._view, self._viewport, self._pointer = view, None, np.zeros(2)
        context.window_manager.modal_handler_add(self)
        view.start()
        redraw_viewports(context)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Take an event; a fault must not leave callbacks behind that draw for ever."""
        try:
            return self.take(context, event)
        except Exception:
            self.end(context, {"CANCELLED"})
            raise

    def cancel(self, context: bpy.types.Context) -> None:
        """The host ends the tool by itself, as when a file is opened."""
        self.end(context, {"CANCELLED"})

    def end(self, context: bpy.types.Context, result: set[str]) -> set[str]:
        """Take down what the tool has put up; returns the result."""
        self._view.stop()
        context.workspace.status_text_set(None)
        redraw_viewports(context)
        return result

    def point(self, context: bpy.types.Context, event: bpy.types.Event) -> None:
        """Follow the pointer."""
        self._viewport = viewport_under(context.window, event.mouse_x, event.mouse_y)
        self._pointer = np.zeros(2) if self._viewport is None else self._viewport.local(event.mouse_x, event.mouse_y)

    def thick_place(self) -> ThickPlace | None:
        """The part of the target under the pointer; None where the pointer is off the target."""
        if self._viewport is None:
            return None
        origin, direction = self._viewport.ray(self._pointer)
        through = pierce(self._surface, origin, direction)
        if through is not None and not self._faces_known:
            first = self._surface.cast(origin[None], direction[None])
            if float(first.normals[0] @ direction) > 0:
                self._surface = FlippedSurface(self._surface)
            self._faces_known = True
        return through


def draw_keys(header: Any, keys: Iterable[tuple[str, str]]) -> None:
    """Write keys and what they do into the status bar."""
    row = header.layout.row(align=True)
    for icon, text in keys:
        row.label(text="", icon=icon)
        row.separator(factor=ICON_ROOM.get(icon, 0.1))
        row.label(text=text)
        row.separator(factor=1.2)
