"""Use the host's data for a while and leave nothing behind in it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

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
def private_scene(name: str) -> Iterator[bpy.types.Scene]:
    """A scene of one's own, with its view layer as the context's; gone at the end of the block with all that was made in it."""
    with borrowed_data():
        scene = bpy.data.scenes.new(name)
        with bpy.context.temp_override(scene=scene, view_layer=scene.view_layers[0], collection=scene.collection):
            yield scene
