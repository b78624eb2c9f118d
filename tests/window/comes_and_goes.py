"""The extension switched off and on again in a running editor: nothing of it stays, and it comes back whole."""

from __future__ import annotations

import importlib

import addon_utils
import bpy
from driver import Hand, Steps

NAME = "bl_ext.user_default.ringwright"
translations = importlib.import_module(f"{NAME}.addon.translation")


def scenario(hand: Hand) -> Steps:
    scene = bpy.context.scene
    scene.ringwright.target, scene.ringwright.cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    hand.fact("keys", [item.idname for item in _own_keys()])
    hand.fact("colliding keys", _collisions())
    yield from hand.sidebar("Ringwright")
    yield from _key_changed(hand)
    yield from _in_german(hand)
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


def _key_changed(hand: Hand) -> Steps:
    """The entry in the artist's own keymap gets another key, as in the host's keymap editor; that key works and the old one does not."""
    entries = [item for keymap in bpy.context.window_manager.keyconfigs.user.keymaps for item in keymap.keymap_items
               if item.idname == "ringwright.draw_limb"]
    hand.fact("in the keymap editor", [item.is_user_modified for item in entries])
    entries[0].type, entries[0].ctrl, entries[0].alt, entries[0].shift = "F19", False, False, False
    yield 0.3
    region = hand.region
    yield from hand.move(region.x + region.width / 3, region.y + region.height / 2)
    yield from hand.draw_limb()
    old = hand.tool_runs
    yield from hand.press("F19")
    yield 0.3
    hand.fact("old key, new key", [old, hand.tool_runs])
    yield from hand.press("ESC")
    keymap = next(each for each in bpy.context.window_manager.keyconfigs.user.keymaps
                  if any(item.idname == "ringwright.draw_limb" for item in each.keymap_items))
    keymap.restore_item_to_default(entries[0])
    yield 0.2


def _german(words: str) -> str:
    return bpy.app.translations.pgettext_iface(words, "Operator")


def _said_otherwise() -> dict[str, str]:
    """Words that the host's own catalogue has too, with another meaning than the table's: it is asked first."""
    table = translations.read_table(translations.FOLDER / "de.toml")
    shown = {words: bpy.app.translations.pgettext_iface(words) for words in table}
    return {words: own for words, own in shown.items() if own != table[words]}


def _in_german(hand: Hand) -> Steps:
    """The interface in the second language, for a moment."""
    view = bpy.context.preferences.view
    hand.fact("the host speaks other languages", bpy.app.build_options.international)
    view.language = "de_DE"
    yield 0.3
    hand.fact("in German", [_german("Build Cage"), bpy.app.translations.pgettext_rpt("There is no finding; inspect first")])
    hand.fact("said otherwise by the host", _said_otherwise())
    yield from hand.photograph("german")
    yield from _draw_off_the_target(hand, "german_drawing")
    addon_utils.disable(NAME, default_set=False)
    hand.fact("words left behind in German", _german("Build Cage"))
    addon_utils.enable(NAME, default_set=False)
    view.language = "en_US"
    yield 0.3


def _draw_off_the_target(hand: Hand, picture: str = "") -> Steps:
    """Click beside the target, drag nothing, step back further than there are steps, confirm too early, give up."""
    hand.look((0, 0, -1), (5, 5, 0), 1.0)
    region = hand.region
    middle = (region.x + region.width / 3, region.y + region.height / 2)
    yield from hand.move(*middle)
    with hand.override():
        hand.fact("tool began", sorted(bpy.ops.ringwright.draw_limb("INVOKE_DEFAULT", True)))
    yield from hand.click(*middle)
    if picture:
        yield from hand.photograph(picture)
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
