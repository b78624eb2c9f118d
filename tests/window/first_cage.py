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
    yield from _cancelled_draw(hand, joints["index"])
    for number, name in enumerate(FINGERS):
        yield from _draw(hand, joints[name], closed=True, pictures=name == "index")
        row = settings.limbs[number]
        row.label = name
        hand.fact(f"{name} sides", row.sides)
        hand.fact(f"{name} off", _off_line(_stored_joints(number), joints[name]))
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


def _cancelled_draw(hand: Hand, joints: np.ndarray) -> Steps:
    """Click twice and cancel: the scene is what it was."""
    before = _blocks()
    yield from _start(hand, hand.pixel(joints[0]))
    for joint in joints[:2]:
        yield from hand.click(*hand.pixel(joint))
    yield from hand.press("WHEELUPMOUSE")
    yield from hand.press("ESC")
    yield 0.2
    hand.fact("cancel changes nothing", _blocks() == before)


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


def _off_line(drawn: np.ndarray, true: np.ndarray) -> float:
    """Largest distance of the drawn inner joints from the sculpt's own centre line."""
    worst = 0.0
    for point in drawn[1:-1]:
        starts, bones = true[:-1], np.diff(true, axis=0)
        share = np.clip(np.einsum("ij,ij->i", point - starts, bones) / np.einsum("ij,ij->i", bones, bones), 0, 1)
        worst = max(worst, float(np.linalg.norm(starts + share[:, None] * bones - point, axis=1).min()))
    return worst


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
