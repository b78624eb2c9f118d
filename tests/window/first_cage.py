"""From a sculpt to a cage by hand: four fingers and a palm drawn with the mouse, forked, built, inspected, undone, redone."""

from __future__ import annotations

import tomllib

import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays

FINGERS = ("little", "ring", "middle", "index")


def scenario(hand: Hand) -> Steps:
    target, joints = bpy.data.objects["Target"], _plan_joints()
    before = mesh_arrays(target)
    _clear_scene()
    settings = bpy.context.scene.ringwright
    yield from hand.sidebar("Ringwright")
    yield from hand.photograph("empty")
    bpy.context.view_layer.objects.active = target
    hand.fact("target chosen", sorted(bpy.ops.ringwright.choose_target()))
    with hand.override():
        bpy.ops.ed.undo_push(message="Start")
    focus = np.mean([joints[name].mean(axis=0) for name in (*FINGERS, "palm")], axis=0)
    size = np.linalg.norm(joints["middle"][-1] - joints["palm"][0])
    hand.look(_square_view(joints), focus, 1.5 * size)
    yield 0.5
    for stage in range(4):
        yield from _cancelled_draw(hand, joints["index"], stage)
    for number, name in enumerate(FINGERS):
        yield from _draw(hand, joints[name], closed=True, pictures=name == "index")
        row = settings.limbs[number]
        row.label = name
        hand.fact(f"{name} sides", row.sides)
        hand.fact(f"{name} off centre", _off_centre(target, _stored_joints(number), joints[name]))
    yield from _draw(hand, joints["palm"], closed=False, pictures=False)
    settings.limbs[len(FINGERS)].label = "palm"
    yield from hand.photograph("limbs")
    for row in settings.limbs:
        row.marked = row.key in FINGERS
    settings.limbs[len(FINGERS)].sides = 0
    with hand.override():
        hand.fact("fork", sorted(bpy.ops.ringwright.add_fork("EXEC_DEFAULT", True)))
        yield 0.2
        hand.fact("build", sorted(bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True)))
    cage = settings.cage
    hand.fact("faces", len(cage.data.polygons))
    hand.fact("summary", settings.summary)
    hand.fact("findings", [row.reason for row in settings.findings])
    yield from hand.photograph("built")
    built, name = mesh_arrays(cage), cage.name
    target.hide_set(True)
    yield from hand.photograph("cage_alone")
    target.hide_set(False)
    hand.fact("undone", (yield from _undo_all(hand, name)))
    hand.fact("redone", (yield from _redo_all(hand, name)) == built)
    hand.fact("target untouched", mesh_arrays(bpy.data.objects["Target"]) == before)


def _plan_joints() -> dict[str, np.ndarray]:
    plan = tomllib.loads(bpy.data.objects["Cage"]["ringwright_plan"])
    return {limb["name"]: np.array(limb["joints"]) for limb in plan["limb"]}


def _clear_scene() -> None:
    for item in list(bpy.data.objects):
        if item.name not in {"Target"}:
            bpy.data.objects.remove(item)


def _square_view(joints: dict[str, np.ndarray]) -> np.ndarray:
    """A direction square to the hand's back, as an artist would turn the view."""
    along = joints["middle"][-1] - joints["palm"][0]
    across = joints["index"][0] - joints["little"][0]
    normal = np.cross(along, across)
    return normal / np.linalg.norm(normal)


def _start(hand: Hand, place: tuple[float, float]) -> Steps:
    yield from hand.move(*place)
    with hand.override():
        bpy.ops.ringwright.draw_limb("INVOKE_DEFAULT", True)
    yield 0.3


def _cancelled_draw(hand: Hand, joints: np.ndarray, stage: int) -> Steps:
    """Give up at the start, after clicks, with a joint inserted and the counts changed, in the middle of a drag: nothing has changed."""
    before = _blocks()
    yield from _start(hand, hand.pixel(joints[0]))
    if stage >= 1:
        for joint in joints[:2]:
            yield from hand.click(*hand.pixel(joint))
    if stage == 2:
        yield from hand.click(*hand.pixel(joints[:2].mean(axis=0)), ctrl=True)
        yield from hand.press("WHEELUPMOUSE")
        yield from hand.press("WHEELUPMOUSE", ctrl=True)
        yield from hand.press("T")
    if stage == 3:
        yield from hand.move(*hand.pixel(joints[1]))
        hand.send("LEFTMOUSE", "PRESS")
        yield 0.1
        yield from hand.move(*hand.pixel(joints[2]))
    yield from hand.press("ESC")
    if stage == 3:
        hand.send("LEFTMOUSE", "RELEASE")
    yield 0.2
    hand.fact(f"cancel at stage {stage} changes nothing", _blocks() == before)


def _blocks() -> list[str]:
    blocks = sorted(f"{type(block).__name__} {block.name} {block.users}" for block in bpy.data.user_map())
    return [*blocks, str(dict(bpy.context.scene.items())), str(len(bpy.context.scene.ringwright.limbs))]


def _draw(hand: Hand, joints: np.ndarray, *, closed: bool, pictures: bool) -> Steps:
    """Click on every joint, a little beside it; turn the wheel up and down once; confirm."""
    yield from _start(hand, hand.pixel(joints[0]))
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
    yield from hand.press("WHEELDOWNMOUSE")
    if closed:
        yield from hand.press("T")
    if pictures:
        yield from hand.press("BACK_SPACE")
        yield from hand.press("T")
    yield from hand.press("RET")
    yield 0.3


def _stored_joints(number: int) -> np.ndarray:
    return np.array(tomllib.loads(bpy.context.scene["ringwright_plan"])["limb"][number]["joints"])


def _off_centre(target: bpy.types.Object, drawn: np.ndarray, true: np.ndarray) -> float:
    """Largest distance of the drawn inner joints from the middle of the sculpt's slice there, as a share of its girth.

    The slice stands square to the sculpt's own bones, which the tool does not know.
    """
    worst = 0.0
    for index in range(1, len(drawn) - 1):
        along = true[index + 1] - true[index - 1]
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


def _undo_all(hand: Hand, name: str) -> Steps:
    for _ in range(40):
        with hand.override():
            if not bpy.ops.ed.undo.poll():
                break
            bpy.ops.ed.undo()
        yield 0.05
        if not len(bpy.context.scene.ringwright.limbs) and name not in bpy.data.objects:
            break
    return name not in bpy.data.objects and not len(bpy.context.scene.ringwright.limbs)


def _redo_all(hand: Hand, name: str) -> Steps:
    for _ in range(40):
        with hand.override():
            if not bpy.ops.ed.redo.poll():
                break
            bpy.ops.ed.redo()
        yield 0.05
    return mesh_arrays(bpy.data.objects[name]) if name in bpy.data.objects else None
