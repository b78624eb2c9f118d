"""A whole body from a cluttered rig in the window: plan, build given up by Esc, build, rig, flex test, better bends; each one undo."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays
from mathutils import Vector

BODY = Path(__file__).resolve().parents[2] / "build" / "window" / "body.npz"
"""Where the test has put the sculpt and the bones."""
PATIENCE = 120.0
"""Seconds that a build or a search may take here."""


def scenario(hand: Hand) -> Steps:
    for item in list(bpy.data.objects):
        if item.type != "LIGHT":
            bpy.data.objects.remove(item)
    body = dict(np.load(BODY))
    target, _ = _target(body), _armature(hand, body)
    bpy.context.scene.ringwright.target = target
    yield from hand.sidebar("Ringwright")
    hand.look((0.25, 1.0, -0.1), (2.5, 0, 10.0), 42.0)
    yield from hand.photograph("rig")
    yield from _undone(hand, "plan_from_armature")
    hand.fact("limbs", [row.key for row in bpy.context.scene.ringwright.limbs])
    bpy.data.objects["Rig"].hide_set(True)
    yield from hand.photograph("planned")
    yield from _build_and_esc(hand)
    yield from _build(hand)
    bpy.data.objects["Body"].hide_set(True)
    yield from hand.photograph("built")
    yield from _undone(hand, "rig_cage")
    yield from _undone(hand, "flex_cage")
    yield from hand.photograph("flexed")
    yield from _search(hand)


def _build_and_esc(hand: Hand) -> Steps:
    """Begin the build as its button does and give it up at once."""
    before = sorted(bpy.data.objects.keys())
    with hand.override():
        bpy.ops.ringwright.build_cage("INVOKE_DEFAULT", True)
    yield 0.3
    yield from hand.photograph("building")
    hand.fact("build under way", _runs(hand, "build_cage"))
    yield from hand.press("ESC")
    yield from _until(lambda: not _runs(hand, "build_cage"))
    hand.fact("objects after a build given up", sorted(bpy.data.objects.keys()) == before)


def _build(hand: Hand) -> Steps:
    with hand.override():
        bpy.ops.ringwright.build_cage("INVOKE_DEFAULT", True)
    yield from _until(lambda: not _runs(hand, "build_cage"))
    yield 0.5
    settings = bpy.context.scene.ringwright
    hand.fact("quads", len(settings.cage.data.polygons))
    hand.fact("errors", [row.reason for row in settings.findings if row.severity == "error"])


def _search(hand: Hand) -> Steps:
    """A short search that runs to its end: the cage that stands afterwards is one undo away from the one before."""
    with hand.override():
        bpy.ops.ed.undo_push(message="Before")
    before = mesh_arrays(bpy.context.scene.ringwright.cage)
    with hand.override():
        bpy.ops.ringwright.improve_cage("INVOKE_DEFAULT", True, trials=16)
    yield 3.0
    yield from hand.photograph("searching")
    yield from _until(lambda: not _runs(hand, "improve_cage"))
    yield 0.5
    changed = mesh_arrays(bpy.context.scene.ringwright.cage) != before
    yield from hand.photograph("improved")
    hand.fact("the search changed the cage", changed)
    if changed:
        yield from _ctrl_z(hand)
    hand.fact("as before the search", mesh_arrays(bpy.context.scene.ringwright.cage) == before)


def _until(done: object) -> Steps:
    waited = 0.0
    while not done() and waited < PATIENCE:  # type: ignore[operator]
        waited += 0.25
        yield 0.25


def _runs(hand: Hand, name: str) -> bool:
    return any(each.bl_idname == f"RINGWRIGHT_OT_{name}" for each in hand.window.modal_operators)


def _ctrl_z(hand: Hand) -> Steps:
    hand.x, hand.y = hand.region.x + 200, hand.region.y + 200
    yield from hand.move(hand.x + 5, hand.y + 5)
    yield from hand.press("Z", ctrl=True)
    yield 1.0


def _undone(hand: Hand, name: str) -> Steps:
    """Do a step, take it back by one Ctrl Z, do it again."""
    with hand.override():
        bpy.ops.ed.undo_push(message="Before")
    before = _state()
    with hand.override():
        hand.fact(name, sorted(getattr(bpy.ops.ringwright, name)("EXEC_DEFAULT", True)))
    changed = _state() != before
    yield from _ctrl_z(hand)
    hand.fact(f"one undo takes {name} back", [changed, _state() == before])
    if name == "plan_from_armature":
        bpy.context.view_layer.objects.active = bpy.data.objects["Rig"]
    with hand.override():
        getattr(bpy.ops.ringwright, name)("EXEC_DEFAULT", True)
    yield 0.3


def _state() -> list[object]:
    settings = bpy.context.scene.ringwright
    return [len(settings.limbs), len(settings.joins), len(settings.bends), sorted(bpy.data.objects.keys()),
            sorted(bpy.data.armatures.keys()), sorted(bpy.data.actions.keys()), len(bpy.context.scene.timeline_markers)]


def _target(body: dict[str, np.ndarray]) -> bpy.types.Object:
    mesh = bpy.data.meshes.new("Body")
    mesh.from_pydata(body["positions"].tolist(), [], body["triangles"].tolist())
    item = bpy.data.objects.new("Body", mesh)
    bpy.context.scene.collection.objects.link(item)
    return item


def _armature(hand: Hand, body: dict[str, np.ndarray]) -> bpy.types.Object:
    rig = bpy.data.objects.new("Rig", bpy.data.armatures.new("Rig"))
    bpy.context.scene.collection.objects.link(rig)
    rig.show_in_front = True
    bpy.context.view_layer.objects.active = rig
    with hand.override():
        bpy.ops.object.mode_set(mode="EDIT")
    bones = rig.data.edit_bones
    for name, head, tail in zip(body["names"], body["heads"], body["tails"], strict=True):
        bone = bones.new(str(name))
        bone.head, bone.tail = Vector(head), Vector(tail)
    for name, parent in zip(body["names"], body["parents"], strict=True):
        bones[str(name)].parent = bones[str(parent)] if parent else None
    with hand.override():
        bpy.ops.object.mode_set(mode="OBJECT")
    return rig
