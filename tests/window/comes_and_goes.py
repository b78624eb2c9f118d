"""The extension switched off and on again in a running editor: nothing of it stays, and it comes back whole."""

from __future__ import annotations

import addon_utils
import bpy
from driver import Hand, Steps

NAME = "bl_ext.user_default.ringwright"


def scenario(hand: Hand) -> Steps:
    scene = bpy.context.scene
    scene.ringwright.target, scene.ringwright.cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    hand.fact("keys", [item.idname for item in _own_keys()])
    hand.fact("colliding keys", _collisions())
    yield from hand.sidebar("Ringwright")
    yield from _draw_off_the_target(hand)
    addon_utils.disable(NAME, default_set=False)
    yield 0.5
    hand.fact("left behind", _left_behind())
    yield from hand.photograph("switched_off")
    addon_utils.enable(NAME, default_set=False)
    yield 0.5
    hand.fact("limbs again", [row.key for row in bpy.context.scene.ringwright.limbs])
    with hand.override():
        hand.fact("ready again", bpy.ops.ringwright.draw_limb.poll())
    yield from hand.photograph("switched_on")


def _draw_off_the_target(hand: Hand) -> Steps:
    """Click beside the target, drag nothing, step back further than there are steps, confirm too early, give up."""
    hand.look((0, 0, -1), (5, 5, 0), 1.0)
    region = hand.region
    middle = (region.x + region.width / 3, region.y + region.height / 2)
    yield from hand.move(*middle)
    with hand.override():
        hand.fact("tool began", sorted(bpy.ops.ringwright.draw_limb("INVOKE_DEFAULT", True)))
    yield from hand.click(*middle)
    for kind in ("BACK_SPACE", "BACK_SPACE", "X", "RET", "WHEELDOWNMOUSE"):
        yield from hand.press(kind)
    yield from hand.press("WHEELUPMOUSE", ctrl=True)
    yield from hand.press("RIGHTMOUSE")
    yield 0.3
    hand.fact("no limb came", len(bpy.context.scene.ringwright.limbs))


def _own_keys() -> list[bpy.types.KeyMapItem]:
    keymaps = bpy.context.window_manager.keyconfigs.addon.keymaps
    return [item for keymap in keymaps for item in keymap.keymap_items if item.idname.startswith("ringwright.")]


def _collisions() -> list[str]:
    """Entries of the host's own keymap for the same keys, in the 3D viewport, in meshes and objects, and everywhere."""
    def keys(item: bpy.types.KeyMapItem) -> tuple[object, ...]:
        return item.type, bool(item.ctrl), bool(item.alt), bool(item.shift), bool(item.oskey)

    own = {keys(item) for item in _own_keys()}
    found = []
    for keymap in bpy.context.window_manager.keyconfigs.default.keymaps:
        if keymap.space_type in {"EMPTY", "VIEW_3D"}:
            found += [f"{keymap.name}: {item.idname}" for item in keymap.keymap_items if keys(item) in own]
    return found


def _left_behind() -> list[str]:
    found = [name for name in dir(bpy.types) if name.startswith("RINGWRIGHT")] + list(dir(bpy.ops.ringwright))
    found += ["Scene.ringwright"] if hasattr(bpy.types.Scene, "ringwright") else []
    found += [item.idname for item in _own_keys()]
    for name in dir(bpy.app.handlers):
        handlers = getattr(bpy.app.handlers, name)
        found += [name for each in handlers if "ringwright" in getattr(each, "__module__", "")] if isinstance(handlers, list) else []
    return found
