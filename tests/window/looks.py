"""A built cage, inspected, wounded and mended with the selection tools."""

from __future__ import annotations

import tomllib

import bpy
import numpy as np
from driver import Hand, Steps, wound
from mathutils import Vector


def scenario(hand: Hand) -> Steps:
    scene = bpy.context.scene
    settings = scene.ringwright
    target, cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    settings.target, settings.cage = target, cage
    joints = {limb["name"]: np.array(limb["joints"]) for limb in tomllib.loads(cage["ringwright_plan"])["limb"]}
    for item in bpy.data.objects:
        item.hide_set(item.type != "MESH")
    target.hide_set(True)
    bpy.context.view_layer.objects.active = cage
    yield from hand.sidebar("Ringwright")
    everything = np.concatenate(list(joints.values()))
    middle, size = everything.mean(axis=0), np.linalg.norm(np.ptp(everything, axis=0))
    _look(hand, middle, size)
    yield from hand.photograph("whole_plan")
    with hand.override():
        hand.fact("build", sorted(bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True)))
        hand.fact("inspect", sorted(bpy.ops.ringwright.inspect("EXEC_DEFAULT", True)))
    yield from hand.photograph("built_anew")
    hand.fact("sound", settings.summary)
    wound(cage, joints)
    with hand.override():
        hand.fact("inspect wounded", sorted(bpy.ops.ringwright.inspect("EXEC_DEFAULT", True)))
        hand.fact("rings", sorted(bpy.ops.ringwright.count_rings("EXEC_DEFAULT", True)))
    hand.fact("findings", [f"{row.severity}: {row.reason}" for row in settings.findings])
    hand.fact("ring rows", [row.sentence for row in settings.rings])
    _look(hand, middle, size)
    _scroll(hand)
    yield from hand.photograph("wounded")
    settings.active_finding = next(index for index, row in enumerate(settings.findings) if row.kind == "triangles")
    with hand.override():
        hand.fact("mend", sorted(bpy.ops.ringwright.mend_finding("EXEC_DEFAULT", True)))
    with hand.override():
        hand.fact("show", sorted(bpy.ops.ringwright.show_ring("EXEC_DEFAULT", True, index=0)))
    yield 0.5
    yield from hand.photograph("ring_shown")
    with hand.override():
        hand.fact("splice", sorted(bpy.ops.ringwright.splice_rings("EXEC_DEFAULT", True)))
    yield from hand.photograph("spliced")
    with hand.override():
        bpy.ops.mesh.select_all(action="SELECT")
        hand.fact("settle", sorted(bpy.ops.ringwright.settle("EXEC_DEFAULT", True)))
        bpy.ops.object.mode_set(mode="OBJECT")
        bpy.ops.ringwright.inspect("EXEC_DEFAULT", True)
    hand.fact("mended", settings.summary)
    hand.fact("mended findings", [row.reason for row in settings.findings])
    _look(hand, middle, size)
    yield from hand.photograph("mended")
    with hand.override():
        hand.fact("deviation", sorted(bpy.ops.ringwright.show_deviation("EXEC_DEFAULT", True)))
    yield from hand.photograph("deviation")


def _look(hand: Hand, middle: np.ndarray, size: float) -> None:
    """The whole forelimb, left of the sidebar."""
    hand.look((-0.2, -0.78, -0.6), middle, 1.35 * size)
    view = hand.region.data
    view.view_location += view.view_rotation @ Vector((0.16 * size, 0, 0))
    view.update()


def _scroll(hand: Hand) -> None:
    """Close the upper panels, as an artist does who is at the end of the work."""
    region = next(region for region in hand.area.regions if region.type == "UI")
    with bpy.context.temp_override(window=hand.window, area=hand.area, region=region):
        if bpy.ops.view2d.scroll_down.poll():
            for _ in range(12):
                bpy.ops.view2d.scroll_down(deltay=60)
