"""Use the host's data for a while and leave nothing behind in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import bpy


@contextmanager
def borrowed_data() -> Iterator[None]:
    """Remove, at the end of the block, every datablock that was made or loaded inside it."""
    before = {block.session_uid for block in bpy.data.user_map()}
    try:
        yield
    finally:
        bpy.data.batch_remove([block for block in bpy.data.user_map() if block.session_uid not in before])


@contextmanager
def private_scene() -> Iterator[bpy.types.Scene]:
    """A new scene as the context's, empty; at the end of the block it is gone with all that was made or loaded in it."""
    window = bpy.context.window or bpy.context.window_manager.windows[0]
    with borrowed_data():
        before = window.scene
        window.scene = scene = bpy.data.scenes.new("Ringwright")
        try:
            yield scene
        finally:
            window.scene = before


def imported_objects(operator: Callable[..., set[str]], path: Path, **options: object) -> list[bpy.types.Object]:
    """The objects that one of the host's importers makes of a file.

    options : of the importer
    """
    before = set(bpy.data.objects)
    operator(filepath=str(path), **options)
    return [item for item in bpy.data.objects if item not in before]
