"""The host's own grid fill on a border, beside which patches are held."""

from __future__ import annotations

import time
from dataclasses import dataclass

import bpy
import numpy as np

from ringwright.core.polymesh import FloatArray, IntArray


@dataclass(frozen=True)
class GridFill:
    """What the host made of a border.

    positions : (V, 3) float64
    quads : (F, 4) int64
    seconds : processor time of the operator alone
    """

    positions: FloatArray
    quads: IntArray
    seconds: float


def grid_fill(border: FloatArray) -> GridFill | None:
    """The host's grid fill with its own defaults, or None where it refuses or leaves other faces than quads."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    count = len(border)
    mesh = bpy.data.meshes.new("border")
    mesh.from_pydata(border.tolist(), [(i, (i + 1) % count) for i in range(count)], [])
    held = bpy.data.objects.new("border", mesh)
    bpy.context.scene.collection.objects.link(held)
    bpy.context.view_layer.objects.active = held
    held.select_set(True)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    begin = time.process_time()
    try:
        done = bpy.ops.mesh.fill_grid() == {"FINISHED"}
    except RuntimeError:
        done = False
    seconds = time.process_time() - begin
    bpy.ops.object.mode_set(mode="OBJECT")
    faces = [list(polygon.vertices) for polygon in mesh.polygons]
    if not done or not faces or any(len(face) != 4 for face in faces):
        return None
    return GridFill(np.array([vertex.co[:] for vertex in mesh.vertices]), np.array(faces), seconds)
