"""Draw Limb given up at every stage: what the host would save is the same to the last bit."""

from __future__ import annotations

from collections.abc import Callable

import bpy
import numpy as np
from driver import Hand, Steps, plan_joints, square_view

from support.saved_bytes import saved_bytes, until_quiet

Joints = dict[str, np.ndarray]


def scenario(hand: Hand) -> Steps:
    joints = plan_joints()
    settings = bpy.context.scene.ringwright
    settings.target, settings.cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    bpy.data.objects["Cage"].hide_set(True)
    focus = np.mean([joints["middle"].mean(axis=0), joints["palm"].mean(axis=0)], axis=0)
    hand.look(square_view(joints), focus, 1.6 * np.linalg.norm(joints["middle"][-1] - joints["palm"][0]))
    yield 0.5
    yield from until_quiet()
    changed: dict[str, list[str]] = {}
    ran: dict[str, list[bool]] = {}
    for stage in STAGES:
        name = stage.__name__.strip("_")
        before = saved_bytes()
        yield from hand.move(*hand.pixel(joints["middle"][0] + 0.5 * (joints["ring"][0] - joints["middle"][0])))
        yield from hand.draw_limb() if stage is not _limb_edited else _edit(hand, "middle")
        began = hand.tool_runs
        yield from stage(hand, joints)
        went_on = hand.tool_runs
        yield from hand.press("RIGHTMOUSE" if stage is _three_clicks else "ESC")
        yield 0.2
        ran[name] = [began, went_on, not hand.tool_runs]
        after = saved_bytes()
        changed[name] = [block for block in before.keys() | after.keys() if before.get(block) != after.get(block)]
    hand.fact("began, went on and ended", ran)
    hand.fact("changed", {name: blocks for name, blocks in changed.items() if blocks})
    bpy.data.objects["Target"].location.x += 1e-6
    hand.fact("a change would be seen", saved_bytes() != before)


def _edit(hand: Hand, limb: str) -> Steps:
    with hand.override():
        bpy.ops.ringwright.draw_limb("INVOKE_DEFAULT", True, limb=limb)
    yield 0.3


def _clicks(hand: Hand, points: np.ndarray) -> Steps:
    for point in points:
        yield from hand.click(*hand.pixel(point), shift=True)


def _begun(hand: Hand, joints: Joints) -> Steps:
    yield 0.1


def _pointed(hand: Hand, joints: Joints) -> Steps:
    for point in joints["index"]:
        yield from hand.move(*hand.pixel(point))


def _one_click(hand: Hand, joints: Joints) -> Steps:
    yield from _clicks(hand, joints["index"][:1])


def _three_clicks(hand: Hand, joints: Joints) -> Steps:
    yield from _clicks(hand, joints["index"][:3])


def _joint_inserted(hand: Hand, joints: Joints) -> Steps:
    yield from _clicks(hand, joints["index"][:2])
    yield from hand.click(*hand.pixel(joints["index"][:2].mean(axis=0)), ctrl=True)


def _joint_deleted(hand: Hand, joints: Joints) -> Steps:
    yield from _three_clicks(hand, joints)
    yield from hand.move(*hand.pixel(joints["index"][1]))
    yield from hand.press("X")


def _counts_changed(hand: Hand, joints: Joints) -> Steps:
    yield from _clicks(hand, joints["index"][:2])
    for kind in ("WHEELUPMOUSE", "WHEELDOWNMOUSE", "PAGE_UP"):
        yield from hand.press(kind)
        yield from hand.press(kind, ctrl=True)


def _keys_pressed(hand: Hand, joints: Joints) -> Steps:
    yield from _clicks(hand, joints["index"][:2])
    for kind in ("T", "C", "M"):
        yield from hand.press(kind)
    yield from hand.move(*hand.pixel(joints["index"][2]))


def _stepped_back_and_forth(hand: Hand, joints: Joints) -> Steps:
    yield from _three_clicks(hand, joints)
    yield from hand.press("BACK_SPACE")
    yield from hand.press("Z", ctrl=True)
    yield from hand.press("Z", ctrl=True, shift=True)


def _in_the_middle_of_a_drag(hand: Hand, joints: Joints) -> Steps:
    yield from _clicks(hand, joints["index"][:2])
    yield from hand.move(*hand.pixel(joints["index"][1]))
    hand.send("LEFTMOUSE", "PRESS")
    yield 0.1
    yield from hand.move(*hand.pixel(joints["index"][2]))


def _after_a_drag(hand: Hand, joints: Joints) -> Steps:
    hand.send("LEFTMOUSE", "RELEASE")  # of the drag that was given up
    yield 0.1
    yield from _clicks(hand, joints["index"][:2])
    yield from hand.drag(hand.pixel(joints["index"][1]), hand.pixel(joints["index"][2]))


def _joined_to_a_tip(hand: Hand, joints: Joints) -> Steps:
    yield from hand.click(*hand.pixel(joints["palm"][-1]))
    yield from _clicks(hand, joints["index"][1:3])


def _joined_to_a_side(hand: Hand, joints: Joints) -> Steps:
    yield from hand.click(*hand.pixel(joints["palm"].mean(axis=0)))
    yield from _clicks(hand, joints["index"][1:3])


def _confirmed_too_early(hand: Hand, joints: Joints) -> Steps:
    yield from _one_click(hand, joints)
    yield from hand.press("RET")


def _confirmed_and_refused(hand: Hand, joints: Joints) -> Steps:
    """The index finger's root is in use by the fork: the limb cannot be joined to it, and the tool goes on."""
    yield from _clicks(hand, joints["little"][:1])
    yield from hand.click(*hand.pixel(joints["index"][0]))
    yield from hand.press("RET")


def _limb_edited(hand: Hand, joints: Joints) -> Steps:
    yield from hand.drag(hand.pixel(joints["middle"][1]), hand.pixel(joints["middle"][1] + 0.2 * (joints["ring"][1] - joints["middle"][1])))
    yield from hand.press("WHEELUPMOUSE")


STAGES: tuple[Callable[[Hand, Joints], Steps], ...] = (
    _begun, _pointed, _one_click, _three_clicks, _joint_inserted, _joint_deleted, _counts_changed, _keys_pressed,
    _stepped_back_and_forth, _in_the_middle_of_a_drag, _after_a_drag, _joined_to_a_tip, _joined_to_a_side, _confirmed_too_early,
    _confirmed_and_refused, _limb_edited,
)
