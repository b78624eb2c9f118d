"""A view that a tool hangs on the viewports while it runs, and that goes with the extension if the tool is still running then."""

from __future__ import annotations

from typing import Any

import bpy

_hanging: list[HangingView] = []
"""The views that hang on the viewports; at most one, while a tool runs."""


class HangingView:
    """Mixin: callbacks on all 3D viewports."""

    _handles: tuple[Any, ...] = ()

    def start(self) -> None:
        """Hang the callbacks on all 3D viewports."""
        space = bpy.types.SpaceView3D
        _hanging.append(self)
        self._handles = (space.draw_handler_add(self.draw_space, (), "WINDOW", "POST_VIEW"),
                         space.draw_handler_add(self.draw_pixels, (), "WINDOW", "POST_PIXEL"))

    def stop(self) -> None:
        """Take the callbacks down."""
        for handle in self._handles:
            bpy.types.SpaceView3D.draw_handler_remove(handle, "WINDOW")
        self._handles = ()
        _hanging[:] = [each for each in _hanging if each is not self]

    def draw_space(self) -> None:
        """Draw in the world's coordinates."""
        raise NotImplementedError

    def draw_pixels(self) -> None:
        """Draw in the region's pixels."""
        raise NotImplementedError


def hanging_view() -> HangingView | None:
    """The view of the tool that is running, or None."""
    return _hanging[-1] if _hanging else None


def stop_all() -> None:
    """Take down what a tool has left that was running when the extension is switched off."""
    for view in tuple(_hanging):
        view.stop()
        bpy.context.workspace.status_text_set(None)
