"""Ready-made plans on invented creatures' parts in the window: each from a few clicks, undone and redone as one step, built."""

from __future__ import annotations

import json
from pathlib import Path

import bpy
import numpy as np
from driver import Hand, Steps
from mathutils import Vector

PARTS = Path(__file__).resolve().parents[2] / "build" / "window" / "parts"
"""Where the test has put the parts: the editor has no libraries to grow them with."""


def scenario(hand: Hand) -> Steps:
    for item in list(bpy.data.objects):
        if item.type != "LIGHT":
            bpy.data.objects.remove(item)
    yield from hand.sidebar("Ringwright")
    for file in sorted(PARTS.glob("*.npz")):
        yield from _part(hand, file.stem, dict(np.load(file)))


def _part(hand: Hand, name: str, part: dict[str, np.ndarray]) -> Steps:
    settings = bpy.context.scene.ringwright
    target = _target(name, part)
    settings.target = target
    extent = np.ptp(part["positions"], axis=0)
    focus, size = part["positions"].mean(axis=0), float(extent.max())
    places = json.loads(str(part["places"]))
    _look(hand, places[0]["view"], focus, size)
    yield 0.4
    with hand.override():
        bpy.ops.ringwright.ready_made_plan("INVOKE_DEFAULT", template=name)
    yield 0.4
    for place in places:
        _look(hand, place["view"], focus, size)
        yield 0.2
        if place["position"] is None:
            yield from hand.press("SPACE")
        else:
            yield from hand.click(*hand.pixel(place["position"]))
    yield 1.0
    hand.fact(f"{name} limbs", [row.key for row in settings.limbs])
    hand.fact(f"{name} joins", len(settings.joins))
    yield from hand.photograph(f"{name}_planned")
    yield from _undone(hand, name)
    with hand.override():
        hand.fact(f"{name} built", sorted(bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True)))
    settings = bpy.context.scene.ringwright
    hand.fact(f"{name} quads", 0 if settings.cage is None else len(settings.cage.data.polygons))
    hand.fact(f"{name} errors", [row.reason for row in settings.findings if row.severity == "error"])
    bpy.data.objects[name].hide_set(True)
    yield from hand.photograph(f"{name}_built")
    with hand.override():
        bpy.ops.ringwright.clear_plan("EXEC_DEFAULT", True)
    for item in [each for each in bpy.data.objects if each.type == "MESH"]:
        bpy.data.objects.remove(item)


def _look(hand: Hand, direction: list[float], focus: np.ndarray, size: float) -> None:
    """As an artist turns the view, left of the sidebar."""
    hand.look(direction, focus, 1.7 * size)
    view = hand.region.data
    view.view_location += view.view_rotation @ Vector((0.2 * size, 0, 0))
    view.update()


def _undone(hand: Hand, name: str) -> Steps:
    """One Ctrl Z takes the whole plan back, Ctrl Shift Z brings it again."""
    hand.x, hand.y = hand.region.x + 200, hand.region.y + 200
    yield from hand.move(hand.x + 5, hand.y + 5)
    yield from hand.press("Z", ctrl=True)
    yield 0.5
    hand.fact(f"{name} limbs after undo", len(bpy.context.scene.ringwright.limbs))
    yield from hand.press("Z", ctrl=True, shift=True)
    yield 0.5
    hand.fact(f"{name} limbs after redo", len(bpy.context.scene.ringwright.limbs))


def _target(name: str, part: dict[str, np.ndarray]) -> bpy.types.Object:
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(part["positions"].tolist(), [], part["triangles"].tolist())
    item = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    return item
