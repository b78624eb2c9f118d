"""Every operator, invoked as a button or the search menu does it, where it has nothing to work on: one sentence, never a fault."""

from __future__ import annotations

from collections.abc import Callable

import bpy
from driver import Hand, Steps


def scenario(hand: Hand) -> Steps:
    names = [name for name in dir(bpy.ops.ringwright) if not _asks_for_a_file(name)]
    hand.fact("operators", names)
    refusals: dict[str, dict[str, str]] = {}
    for place in PLACES:
        place()
        yield 0.3
        region = hand.region
        yield from hand.move(region.x + region.width / 3, region.y + region.height / 2)
        said = refusals[place.__name__.strip("_")] = {}
        for name in names:
            try:
                with hand.override():
                    getattr(bpy.ops.ringwright, name)("INVOKE_DEFAULT", True)
            except RuntimeError as refusal:
                said[name] = str(refusal).removeprefix("Error: ").strip()
            yield 0.05
            while hand.window.modal_operators:
                yield from hand.press("ESC")
                yield 0.1
    hand.fact("refusals", refusals)


def _asks_for_a_file(name: str) -> bool:
    """Whether the host's file browser would open."""
    properties = getattr(bpy.ops.ringwright, name).get_rna_type().properties
    return any(path in properties for path in ("filepath", "directory"))


def _empty_scene() -> None:
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)


def _cube_as_target_and_cage() -> None:
    bpy.ops.mesh.primitive_cube_add()
    for name in ("target", "cage"):
        setattr(bpy.context.scene.ringwright, name, bpy.context.object)


def _all_hidden() -> None:
    for item in bpy.data.objects:
        item.hide_set(True)


def _several_in_edit_mode() -> None:
    for item in bpy.data.objects:
        item.hide_set(False)
    bpy.ops.mesh.primitive_plane_add()
    bpy.ops.object.select_all(action="SELECT")
    bpy.ops.object.mode_set(mode="EDIT")


PLACES: tuple[Callable[[], None], ...] = (_empty_scene, _cube_as_target_and_cage, _all_hidden, _several_in_edit_mode)
