"""Progress of long work at the editor's mouse pointer."""

from __future__ import annotations

from types import TracebackType

import bpy


class EditorProgress:
    """Shows the share of the work done while the block runs."""

    def __init__(self, context: bpy.types.Context) -> None:
        self._manager = context.window_manager

    def __enter__(self) -> EditorProgress:
        self._manager.progress_begin(0, 100)
        return self

    def __call__(self, stage: str, share: float) -> None:
        """Tell how far the work is, 0 to 1."""
        self._manager.progress_update(int(100 * share))

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._manager.progress_end()
