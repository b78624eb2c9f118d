"""Ready-Made Plan in the window: an arm from eight clicks on the demo's sculpt, a finger left out and taken back, a cage built of it."""

from __future__ import annotations

import bpy
import numpy as np
from driver import Hand, Steps
from mathutils import Vector


def scenario(hand: Hand) -> Steps:
    joints = _joints()
    settings = bpy.context.scene.ringwright
    settings.target = bpy.data.objects["Target"]
    yield from hand.sidebar("Ringwright")
    hand.look((0, 0, -1), (0.55, 0.02, 0.1), 1.6)
    yield 0.3
    with hand.override():
        bpy.ops.ringwright.ready_made_plan("INVOKE_DEFAULT", template="arm")
    yield 0.5
    yield from hand.move(*hand.pixel(joints["upper_arm"][0]))
    yield from hand.photograph("asked")
    for name in ("upper_arm", "forearm", "palm"):
        yield from hand.click(*hand.pixel(_joint(joints[name])))
    yield from hand.press("RET")  # refused: a fingertip is missing; the tool goes on
    yield 0.3
    hand.fact("limbs after a refusal", len(settings.limbs))
    for name in ("thumb", "index", "middle", "ring"):
        yield from hand.click(*hand.pixel(_tip(joints[name])))
    yield from hand.photograph("pointed")
    yield from hand.press("BACK_SPACE")
    yield from hand.click(*hand.pixel(_tip(joints["ring"])))
    yield from hand.press("SPACE")  # the little finger is left out, and with it everything has had its turn
    yield 1.0
    hand.fact("limbs", [row.key for row in settings.limbs])
    yield from hand.photograph("planned")
    with hand.override():
        bpy.ops.ed.undo()
    yield 0.5
    hand.fact("limbs after undo", len(bpy.context.scene.ringwright.limbs))
    with hand.override():
        bpy.ops.ed.redo()
        hand.fact("build", sorted(bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True)))
    yield 1.0
    hand.fact("findings", [row.reason for row in bpy.context.scene.ringwright.findings])
    yield from hand.photograph("built")


def _joints() -> dict[str, np.ndarray]:
    """Joints of the demo's plan, which is given up with its cage."""
    import tomllib

    cage = bpy.data.objects["Cage"]
    limbs = tomllib.loads(cage["ringwright_plan"])["limb"]
    bpy.data.objects.remove(cage)
    return {limb["name"]: np.array(limb["joints"]) for limb in limbs}


def _tip(joints: np.ndarray) -> Vector:
    """A place just short of a digit's end, as an artist clicks it."""
    return Vector(joints[-1] + 0.15 * (joints[-1] - joints[-2]))


def _joint(joints: np.ndarray) -> Vector:
    """A place a little along a limb's first bone."""
    return Vector(joints[0] + 0.15 * (joints[1] - joints[0]))
