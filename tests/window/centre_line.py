"""Draw Limb on a bent limb whose centre line is known: turned, scaled, under a modifier, in perspective, clicked off its middle."""

from __future__ import annotations

import tomllib

import bpy
import numpy as np
from driver import Hand, Steps
from mathutils import Euler, Matrix, Vector

BEND, RADIUS = 1.0, 0.2
"""Of the arc and of the limb round it, in the object's own units."""
ARC = np.radians(150.0)
AROUND, ALONG = 24, 60
SCALE = 40.0
ANGLES = np.radians([25.0, 50.0, 75.0, 100.0, 125.0])
OFF_MIDDLE = 0.35
"""How far beside the middle the clicks are, in radii."""


def scenario(hand: Hand) -> Steps:
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)
    target = _bent_limb()
    bpy.context.scene.ringwright.target = target
    world = np.array(target.matrix_world)
    true = _centre(ANGLES) @ world[:3, :3].T + world[:3, 3]
    _look_in_perspective(hand, target)
    yield from hand.sidebar("Ringwright")
    side = SCALE * RADIUS * OFF_MIDDLE
    yield from hand.move(*hand.pixel(true[0]))
    yield from hand.draw_limb()
    outward = (true - np.array(target.matrix_world.translation)) / (SCALE * BEND)
    for index, point in enumerate(true):
        yield from hand.click(*hand.pixel(point + (side if index % 2 else -side) * outward[index]))
    yield from hand.photograph("drawn")
    yield from hand.press("RET")
    yield 0.3
    (limb,) = tomllib.loads(bpy.context.scene["ringwright_plan"])["limb"]
    drawn = np.array(limb["joints"])
    hand.fact("joints", len(drawn))
    hand.fact("off centre", [float(distance) for distance in _off_centre(drawn, world)])


def _centre(angles: np.ndarray) -> np.ndarray:
    """Points of the centre line, (n, 3), in the object's own space."""
    return BEND * np.stack([np.cos(angles), np.sin(angles), np.zeros(len(angles))], axis=1)


def _off_centre(drawn: np.ndarray, world: np.ndarray) -> np.ndarray:
    """Distance of world points from the arc, as a share of the limb's girth, (n,)."""
    own = (drawn - world[:3, 3]) @ np.linalg.inv(world[:3, :3]).T
    across = np.hypot(own[:, 0], own[:, 1]) - BEND
    return np.hypot(across, own[:, 2]) / (2 * np.pi * RADIUS)


def _bent_limb() -> bpy.types.Object:
    """A closed, bent tube, in centimetres as it were, turned, and made finer by a modifier."""
    turns, stations = 2 * np.pi * np.arange(AROUND) / AROUND, np.linspace(0.0, ARC, ALONG)
    across = BEND + RADIUS * np.cos(turns)
    rings = np.stack([np.outer(np.cos(stations), across), np.outer(np.sin(stations), across),
                      np.tile(RADIUS * np.sin(turns), (ALONG, 1))], axis=2)
    number = np.arange(ALONG * AROUND).reshape(ALONG, AROUND)
    quads = np.stack([number[:-1], np.roll(number, -1, axis=1)[:-1], np.roll(number, -1, axis=1)[1:], number[1:]], axis=2).reshape(-1, 4)
    mesh = bpy.data.meshes.new("Tube")
    mesh.from_pydata(rings.reshape(-1, 3).tolist(), [], [*quads.tolist(), number[0][::-1].tolist(), number[-1].tolist()])
    item = bpy.data.objects.new("Tube", mesh)
    item.matrix_world = Matrix.LocRotScale(Vector((30, -20, 10)), Euler((0.4, -0.3, 0.9)), Vector((SCALE, SCALE, SCALE)))
    item.modifiers.new("Finer", "SUBSURF").levels = 2
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.update()
    return item


def _look_in_perspective(hand: Hand, target: bpy.types.Object) -> None:
    """Down on the bend, slanting."""
    axis = target.matrix_world.to_3x3() @ Vector((0.25, 0.35, -1.0))
    hand.look(axis, target.matrix_world @ Vector((0.1, 0.5, 0.0)), 3.2 * SCALE)
    hand.region.data.view_perspective = "PERSP"
    hand.area.spaces.active.clip_end = 10_000.0
    hand.region.data.update()
