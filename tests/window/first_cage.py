"""From a sculpt to a cage with mouse and keys alone: four fingers and a palm drawn, forked, built, inspected, undone, redone."""

from __future__ import annotations

import tomllib

import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays, plan_joints, square_view
from mathutils import Quaternion, Vector

FINGERS = ("little", "ring", "middle", "index")
TILTED = {"ring": 35.0, "index": -30.0}
"""Degrees by which the view is turned round the hand's length while a finger is drawn; the others are drawn from the back."""


def scenario(hand: Hand) -> Steps:
    target, joints = bpy.data.objects["Target"], plan_joints()
    _clear_scene()
    settings = bpy.context.scene.ringwright
    yield from hand.sidebar("Ringwright")
    yield from hand.photograph("empty")
    bpy.context.view_layer.objects.active = target
    hand.fact("target chosen", sorted(bpy.ops.ringwright.choose_target()))
    with hand.override():
        bpy.ops.ed.undo_push(message="Start")
    before = _scene()
    _face(hand, joints, 0.0)
    yield 0.5
    yield from hand.photograph("target")
    for number, name in enumerate(FINGERS):
        _face(hand, joints, TILTED.get(name, 0.0))
        yield from _draw(hand, name, joints[name], closed=True)
        limb = _stored(number)
        settings.limbs[number].label = name
        hand.fact(f"{name} sides and spans", [limb["sides"], limb.get("spans")])
        hand.fact(f"{name} off centre", _off_centre(target, np.array(limb["joints"]), joints[name]))
    _face(hand, joints, 0.0)
    yield from _draw(hand, "palm", joints["palm"], closed=False)
    settings.limbs[len(FINGERS)].label = "palm"
    yield from hand.photograph("limbs")
    for row in settings.limbs:
        row.marked = row.key in FINGERS
    settings.limbs[len(FINGERS)].sides = 0
    with hand.override():
        hand.fact("fork", sorted(bpy.ops.ringwright.add_fork("EXEC_DEFAULT", True)))
    yield 0.3
    yield from hand.move(*hand.pixel(joints["palm"].mean(axis=0)))
    yield from _by_key(hand, "B", lambda: settings.summary != "")  # the cage is inspected as soon as it stands
    cage = settings.cage
    hand.fact("faces", len(cage.data.polygons))
    hand.fact("summary", settings.summary)
    yield from hand.photograph("built")
    settings.findings.clear()
    settings.summary = ""
    yield from _by_key(hand, "I", lambda: settings.summary != "")
    hand.fact("inspected", settings.summary)
    hand.fact("findings", [row.reason for row in settings.findings])
    built, name = _scene(), cage.name
    target.hide_set(True)
    yield from hand.photograph("cage_alone")
    target.hide_set(False)
    yield from _press_until(hand, lambda: _scene() == before, ctrl=True)
    hand.fact("undone", _scene() == before)
    hand.fact("cage gone", name not in bpy.data.objects)
    yield from _press_until(hand, lambda: _scene() == built, ctrl=True, shift=True)
    hand.fact("redone", _scene() == built)
    hand.fact("target untouched", _scene()["Target"] == before["Target"])


def _clear_scene() -> None:
    for item in list(bpy.data.objects):
        if item.name not in {"Target"}:
            bpy.data.objects.remove(item)


def _scene() -> dict[str, object]:
    """Every mesh of the scene, bit for bit, its plan and the rows of the list."""
    found: dict[str, object] = {item.name: mesh_arrays(item) for item in bpy.context.scene.objects if item.type == "MESH"}
    settings = bpy.context.scene.ringwright
    plans = [owner.get("ringwright_plan", "") for owner in (bpy.context.scene, *bpy.context.scene.objects)]
    return {**found, "plans": plans, "rows": [(row.key, row.sides, row.spans) for row in settings.limbs]}


def _face(hand: Hand, joints: dict[str, np.ndarray], degrees: float) -> None:
    """Look at the hand from its back, or turned round its length."""
    focus = np.mean([joints[name].mean(axis=0) for name in (*FINGERS, "palm")], axis=0)
    along = joints["middle"][-1] - joints["palm"][0]
    direction = Quaternion(Vector(along), np.radians(degrees)) @ Vector(square_view(joints))
    hand.look(direction, focus, 1.5 * np.linalg.norm(along))


def _by_key(hand: Hand, key: str, done: object) -> Steps:
    """Press a key of the extension's own and wait until its work is done."""
    yield from hand.press(key, ctrl=True, alt=True, shift=True)
    for _ in range(120):
        yield 0.5
        if done():
            return


def _draw(hand: Hand, name: str, joints: np.ndarray, *, closed: bool) -> Steps:
    """Click on every joint, a little beside it; turn the wheel up and down once; confirm."""
    pictures = name == "index"
    yield from hand.move(*hand.pixel(joints[0]))
    yield from hand.draw_limb()
    for index, joint in enumerate(joints):
        x, y = hand.pixel(joint)
        yield from hand.click(x + 2, y - 2, shift=True)
        if pictures and index == 2:
            nxt = hand.pixel(joints[min(3, len(joints) - 1)])
            yield from hand.move(*nxt)
            yield from hand.photograph("drawing")
    yield from hand.press("WHEELUPMOUSE")
    if pictures:
        yield from hand.photograph("more_sides")
    if name != "ring":
        yield from hand.press("WHEELDOWNMOUSE")
    if name == "index":
        yield from hand.press("WHEELUPMOUSE", ctrl=True)
    if closed:
        yield from hand.press("T")
    if pictures:
        yield from hand.press("BACK_SPACE")
        yield from hand.press("T")
    yield from hand.press("RET")
    yield 0.3


def _stored(number: int) -> dict[str, object]:
    return tomllib.loads(bpy.context.scene["ringwright_plan"])["limb"][number]


def _off_centre(target: bpy.types.Object, drawn: np.ndarray, true: np.ndarray) -> float:
    """Largest distance of the drawn joints past the root from the middle of the sculpt's slice there, as a share of its girth.

    The slice stands square to the sculpt's own bones, which the tool does not know. The root lies in the palm, whose slice
    is open.
    """
    worst = 0.0
    for index in range(1, len(drawn)):
        along = true[min(index + 1, len(true) - 1)] - true[index - 1]
        outline = _slice(target, drawn[index], along / np.linalg.norm(along))
        steps = np.roll(outline, -1, axis=0) - outline
        lengths = np.linalg.norm(steps, axis=1)
        areas = np.linalg.norm(np.cross(outline - drawn[index], steps), axis=1) / 2
        thirds = (drawn[index] + outline + np.roll(outline, -1, axis=0)) / 3
        middle = (areas[:, None] * thirds).sum(axis=0) / areas.sum()
        worst = max(worst, float(np.linalg.norm(middle - drawn[index]) / lengths.sum()))
    return worst


def _slice(target: bpy.types.Object, point: np.ndarray, along: np.ndarray, rays: int = 96) -> np.ndarray:
    """Where rays from an inner point square to a direction leave the target, (rays, 3)."""
    side = np.cross(along, [0.3, 0.5, 0.8])
    side /= np.linalg.norm(side)
    angles = 2 * np.pi * np.arange(rays) / rays
    ways = np.cos(angles)[:, None] * side + np.sin(angles)[:, None] * np.cross(along, side)
    return np.array([target.ray_cast(point, way)[1][:] for way in ways])


def _press_until(hand: Hand, reached: object, **modifiers: bool) -> Steps:
    """Press Z with modifiers until the scene is as wanted, or no longer changes."""
    for _ in range(40):
        yield from hand.press("Z", **modifiers)
        yield 0.2
        if reached():
            return
