"""Draw Limb beyond plain clicks: joined by a click, drawn from the tip, joints dragged, inserted and deleted, mirrored, redone."""

from __future__ import annotations

import tomllib

import bpy
import numpy as np
from driver import Hand, Steps, plan_joints, square_view

Joints = dict[str, np.ndarray]


def scenario(hand: Hand) -> Steps:
    joints = plan_joints()
    for item in [item for item in bpy.data.objects if item.name != "Target"]:
        bpy.data.objects.remove(item)
    bpy.context.scene.ringwright.target = bpy.data.objects["Target"]
    focus = np.mean([joints["middle"].mean(axis=0), joints["palm"].mean(axis=0)], axis=0)
    hand.look(square_view(joints), focus, 1.8 * np.linalg.norm(joints["middle"][-1] - joints["palm"][0]))
    with hand.override():
        bpy.ops.ed.undo_push(message="Start")
    yield from hand.sidebar("Ringwright")
    yield from _joined(hand, joints)
    yield from _changed(hand, joints)
    yield from _mirrored_and_redone(hand, joints)
    yield from _left_with_the_extension(hand, joints)


def _draw(hand: Hand, name: str, clicks: list[tuple[np.ndarray, bool]], *keys: str) -> Steps:
    """Click through these points, joined where asked, press keys, confirm, and name the limb."""
    yield from hand.move(*hand.pixel(clicks[0][0]))
    yield from hand.draw_limb()
    for point, joins in clicks:
        yield from hand.click(*hand.pixel(point), shift=not joins)
    for key in keys:
        yield from hand.press(key)
    if "M" in keys:
        yield from hand.photograph("mirrored")
    yield from hand.press("RET")
    yield 0.3
    settings = bpy.context.scene.ringwright
    settings.limbs[settings.active_limb].label = name
    yield 0.1


def _free(points: np.ndarray) -> list[tuple[np.ndarray, bool]]:
    return [(point, False) for point in points]


def _plan() -> dict[str, object]:
    return tomllib.loads(bpy.context.scene.get("ringwright_plan", ""))


def _limb(name: str) -> dict[str, object]:
    return next(limb for limb in _plan()["limb"] if limb["name"] == name)


def _joined(hand: Hand, joints: Joints) -> Steps:
    """A palm; a finger from its tip, a second one drawn towards it, a thumb from its side, a forearm drawn from its root."""
    palm, middle, ring, thumb = (joints[name] for name in ("palm", "middle", "ring", "thumb"))
    yield from _draw(hand, "palm", _free(palm))
    yield from _draw(hand, "middle", [(palm[-1], True), *_free(middle[1:])], "T")
    hand.fact("after one finger", [_plan().get("splice"), _plan().get("fork")])
    yield from hand.move(*hand.pixel(ring[-1]))
    yield from hand.draw_limb()
    for point in ring[:0:-1]:
        yield from hand.click(*hand.pixel(point), shift=True)
    yield from hand.move(*hand.pixel(palm[-1]))
    yield from hand.photograph("fork_by_a_click")
    yield from hand.click(*hand.pixel(palm[-1]))
    yield from hand.press("T")
    yield from hand.press("RET")
    yield 0.3
    bpy.context.scene.ringwright.limbs[2].label = "ring"
    hand.fact("after two fingers", [_plan().get("splice"), _plan().get("fork")])
    drawn = np.array(_limb("ring")["joints"])
    hand.fact("drawn from its tip", bool(np.linalg.norm(drawn[0] - palm[-1]) < np.linalg.norm(drawn[-1] - palm[-1])))
    yield from _draw(hand, "thumb", [(palm.mean(axis=0), True), *_free(thumb[1:])], "T")
    hand.fact("thumb", _plan().get("socket"))
    root = np.array(_limb("palm")["joints"])[0]
    yield from _draw(hand, "wrist", [(root, True), (root + 0.8 * (palm[0] - palm[1]), False)])
    hand.fact("wrist", _plan().get("splice"))
    yield from hand.photograph("joined")


def _changed(hand: Hand, joints: Joints) -> Steps:
    """The thumb again: a joint dragged, one inserted, one deleted, the last step taken back and forth."""
    before = np.array(_limb("thumb")["joints"])
    with hand.override():
        bpy.ops.ringwright.draw_limb("INVOKE_DEFAULT", True, limb="thumb")
    yield 0.3
    to = before[1] + 0.25 * (before[2] - before[1])
    yield from hand.drag(hand.pixel(before[1]), hand.pixel(to))
    yield from hand.click(*hand.pixel(before[2:4].mean(axis=0)), ctrl=True)
    yield from hand.move(*hand.pixel(before[2]))
    yield from hand.press("X")
    yield from hand.press("BACK_SPACE")
    yield from hand.press("Z", ctrl=True, shift=True)
    yield from hand.photograph("joints_changed")
    yield from hand.press("RET")
    yield 0.3
    after = np.array(_limb("thumb")["joints"])
    along = (to - before[1]) / np.linalg.norm(to - before[1])
    hand.fact("dragged", float((after[1] - before[1]) @ along / np.linalg.norm(to - before[1])))
    hand.fact("joints before and after", [len(before), len(after)])
    hand.fact("joint deleted", bool(np.linalg.norm(after - before[2], axis=1).min() > 1e-4))
    hand.fact("still a socket", _plan().get("socket"))


def _mirrored_and_redone(hand: Hand, joints: Joints) -> Steps:
    """A mirror plane by its key; sides changed afterwards in the panel of the last operation."""
    yield from _draw(hand, "index", _free(joints["index"]), "T", "M", "PAGE_UP")
    hand.fact("mirror", [_plan().get("symmetry"), _limb("index")["sides"]])
    with hand.override():
        bpy.ops.ed.undo_push(message="Named")
    yield from _draw(hand, "limb", _free(joints["little"]), "T")
    operator = hand.window_manager_operator("RINGWRIGHT_OT_draw_limb")
    hand.fact("last operation", [operator.sides, operator.closed, len(operator.joints)])
    operator.sides = 14
    with hand.override():
        hand.fact("redo", sorted(bpy.ops.ed.undo_redo()))
    yield 0.3
    hand.fact("after the redo", [_limb("limb")["sides"], len(_plan()["limb"])])


def _left_with_the_extension(hand: Hand, joints: Joints) -> Steps:
    """The extension is switched off while the tool is running."""
    import addon_utils

    yield from hand.move(*hand.pixel(joints["index"][0]))
    yield from hand.draw_limb()
    yield from hand.click(*hand.pixel(joints["index"][0]), shift=True)
    hand.fact("runs", hand.tool_runs)
    addon_utils.disable("bl_ext.user_default.ringwright", default_set=False)
    yield 0.3
    yield from hand.move(*hand.pixel(joints["index"][1]))
    yield from hand.photograph("switched_off_while_drawing")
    hand.fact("runs no longer", not hand.tool_runs)
    addon_utils.enable("bl_ext.user_default.ringwright", default_set=False)
    yield 0.3
    yield from hand.move(*hand.pixel(joints["index"][2]))
