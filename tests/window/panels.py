"""Photographs of every panel, each overlay and the tool at work, in a dark and a light theme, at the interface's size and twice it."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
from driver import Hand, Steps, plan_joints, wound
from mathutils import Vector

Joints = dict[str, np.ndarray]


def scenario(hand: Hand) -> Steps:
    settings, joints = bpy.context.scene.ringwright, plan_joints()
    target, cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    for item in bpy.data.objects:
        item.hide_set(item.type != "MESH")
    _open_all_panels()
    yield from hand.sidebar("Ringwright")
    _look(hand, joints, list(joints))
    yield from hand.photograph("nothing_chosen")
    settings.target, settings.cage = target, cage
    bpy.context.view_layer.objects.active = cage
    with hand.override():
        bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True, inspect=False)
    wound(cage, joints)
    with hand.override():
        bpy.ops.ringwright.inspect("EXEC_DEFAULT", True)
        bpy.ops.ringwright.count_rings("EXEC_DEFAULT", True)
    target.hide_set(True)
    yield from hand.photograph("all_panels")
    with hand.override():
        bpy.ops.object.mode_set(mode="EDIT")
    yield from _looks(hand, "dark", joints)
    hand.fact("light theme", _light())
    yield from _looks(hand, "light", joints)


def _overlays(hand: Hand, look: str) -> Steps:
    """Each layer of the overlay alone, then all."""
    settings = bpy.context.scene.ringwright
    layers = [each.identifier for each in settings.bl_rna.properties if each.identifier.startswith("show_")]
    for layer in layers:
        for other in layers:
            setattr(settings, other, other == layer)
        yield from hand.photograph(f"overlay_{layer.removeprefix('show_')}_{look}")
    with hand.override():
        bpy.ops.ringwright.show_deviation("EXEC_DEFAULT", True)
    yield from hand.photograph(f"overlay_deviation_{look}")
    with hand.override():
        bpy.ops.ringwright.show_deviation("EXEC_DEFAULT", True)
    for layer in layers:
        setattr(settings, layer, True)
    hand.fact("layers", layers)


def _looks(hand: Hand, theme: str, joints: Joints) -> Steps:
    """All panels with the mesh under edit, each overlay, then the tool at work, in two sizes."""
    for scale in (1.0, 2.0):
        bpy.context.preferences.view.ui_scale = scale
        yield 0.5
        name = f"{theme}_{scale:.0f}x"
        yield from hand.photograph(f"panels_{name}")
        with hand.override():
            bpy.ops.object.mode_set(mode="OBJECT")
        yield from _overlays(hand, name)
        bpy.data.objects["Target"].hide_set(False)
        bpy.data.objects["Cage"].hide_set(True)
        _look(hand, joints, ["palm", "index", "little", "thumb"])
        yield 0.3
        yield from hand.move(*hand.pixel(joints["index"][0]))
        yield from hand.draw_limb()
        for joint in joints["index"][:3]:
            yield from hand.click(*hand.pixel(joint), shift=True)
        yield from hand.move(*hand.pixel(joints["index"][3]))
        yield from hand.photograph(f"drawing_{name}")
        yield from hand.press("ESC")
        bpy.data.objects["Target"].hide_set(True)
        bpy.data.objects["Cage"].hide_set(False)
        bpy.context.view_layer.objects.active = bpy.data.objects["Cage"]
        _look(hand, joints, list(joints))
        with hand.override():
            bpy.ops.object.mode_set(mode="EDIT")
    bpy.context.preferences.view.ui_scale = 1.0
    yield 0.3


def _look(hand: Hand, joints: Joints, names: list[str]) -> None:
    """These limbs, left of the sidebar."""
    points = np.concatenate([joints[name] for name in names])
    size = np.linalg.norm(np.ptp(points, axis=0))
    hand.look((-0.2, -0.78, -0.6), points.mean(axis=0), 1.35 * size)
    view = hand.region.data
    view.view_location += view.view_rotation @ Vector((0.16 * size, 0, 0))
    view.update()


def _open_all_panels() -> None:
    """Register panels that begin closed as open ones: a photograph shall show what is in them."""
    panels = [getattr(bpy.types, name) for name in dir(bpy.types) if name.startswith("RINGWRIGHT_PT_")]
    closed = [each for each in panels if "DEFAULT_CLOSED" in getattr(each, "bl_options", ())]
    inside = [each for each in panels if getattr(each, "bl_parent_id", "") in {parent.bl_idname for parent in closed}]
    again = [*closed, *(each for each in inside if each not in closed)]
    for each in reversed(again):
        bpy.utils.unregister_class(each)
    for each in again:
        each.bl_options = set(getattr(each, "bl_options", ())) - {"DEFAULT_CLOSED"}
        bpy.utils.register_class(each)


def _light() -> bool:
    """The host's light theme; whether there is one."""
    folders = [Path(folder) for folder in bpy.utils.preset_paths("interface_theme")]
    light = next((path for folder in folders for path in sorted(folder.glob("*ight*.xml"))), None)
    if light is not None:
        bpy.ops.script.execute_preset(filepath=str(light), menu_idname="USERPREF_MT_interface_theme_presets")
    return light is not None
