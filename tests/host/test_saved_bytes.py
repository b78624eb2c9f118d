"""The proof of "nothing has changed" sees a change of any kind."""

from __future__ import annotations

from collections.abc import Callable

import bpy
import pytest

from support.saved_bytes import saved_bytes


def _shift_object() -> None:
    bpy.data.objects["Cube"].location.x += 1e-6


def _shift_vertex() -> None:
    bpy.data.meshes["Cube"].vertices[3].co.y += 1e-6


def _add_block() -> None:
    bpy.data.materials.new("skin").use_fake_user = True


def _note_on_scene() -> None:
    bpy.context.scene["note"] = "a"


@pytest.mark.parametrize("change", [_shift_object, _shift_vertex, _add_block, _note_on_scene], ids=lambda each: each.__name__)
def test_tells_a_change(change: Callable[[], None]) -> None:
    bpy.ops.mesh.primitive_cube_add()
    before = saved_bytes()
    assert "OB Cube" in before and saved_bytes() == before
    change()
    assert saved_bytes() != before
