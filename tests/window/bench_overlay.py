"""What the overlay costs a redraw: cages of 5,000 and 50,000 quads, alone and on a target of a million triangles.

Usage: ``EDITOR FILE.blend --python driver.py -- bench_overlay FOLDER``, with the demo's file; figures go to FOLDER/facts.json and to
the console. Redraws with the overlay on and off are timed in turn, and the overlay's own callbacks within them.
"""

from __future__ import annotations

import time
from statistics import median
from typing import Any

import bpy
import numpy as np
from driver import Hand, Steps

QUADS = (5_000, 50_000)
REPEATS = 3


def scenario(hand: Hand) -> Steps:
    settings = bpy.context.scene.ringwright
    settings.live = False
    settings.target, settings.cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True, inspect=False)
    dense = _dense_target(1_000_000)
    settings.target = None
    sample = bpy.data.objects["Cage"]
    bpy.data.objects["Target"].hide_set(True)
    watch = _Watch()
    yield 0.5
    for quads in QUADS:
        cage = _many(sample, quads)
        settings.cage = cage
        for with_target in (False, True):
            dense.hide_set(not with_target)
            name = f"{len(cage.data.polygons):,} quads" + (", target of 1,000,000 triangles" if with_target else "")
            hand.fact(name, (yield from _measured(hand, watch, cage)))
            print(f"{name}: {hand.facts[name]}", flush=True)
        cage.hide_set(True)


class _Watch:
    """Times the overlay's callbacks."""

    def __init__(self) -> None:
        import sys

        module = next(each for name, each in sys.modules.items() if name.endswith("ringwright.addon.overlay"))
        self.overlay = module._overlay
        self.times: list[float] = []
        self.overlay.stop()
        self.overlay._draw_space, self.overlay._draw_pixels = map(self._timed, (self.overlay._draw_space, self.overlay._draw_pixels))
        self.overlay.start()

    def _timed(self, draw: Any) -> Any:
        def timed() -> None:
            begun = time.perf_counter()
            draw()
            self.times.append(time.perf_counter() - begun)

        return timed


def _measured(hand: Hand, watch: _Watch, cage: bpy.types.Object) -> Steps:
    settings = bpy.context.scene.ringwright
    whole: dict[bool, list[float]] = {True: [], False: []}
    own, settings.overlay = [], True
    yield 1.0
    watch.overlay.mark_stale()
    first = yield from _redraw(hand, watch)
    for turn in range(2 * REPEATS):
        settings.overlay = turn % 2 == 0
        yield 0.05
        seconds, callbacks = yield from _redraw(hand, watch)
        whole[settings.overlay].append(seconds)
        if settings.overlay:
            own.append(callbacks)
    settings.overlay = True
    return {"redraw without overlay, ms": round(1000 * median(whole[False]), 1), "with overlay, ms": round(1000 * median(whole[True]), 1),
            "overlay's own part, ms": round(1000 * median(own), 1), "gathering once after a change, ms": round(1000 * first[1], 1)}


def _redraw(hand: Hand, watch: _Watch) -> Steps:
    """Seconds of a whole redraw of the window, and of the overlay in it."""
    watch.times.clear()
    begun = time.perf_counter()
    with hand.override():
        bpy.ops.wm.redraw_timer(type="DRAW_WIN_SWAP", iterations=1)
    yield 0.0
    return time.perf_counter() - begun, sum(watch.times)


def _many(sample: bpy.types.Object, quads: int) -> bpy.types.Object:
    """A cage of copies of the demo's, side by side, so that poles, open rings and joints grow with the faces."""
    copies = round(quads / len(sample.data.polygons))
    positions = np.empty(3 * len(sample.data.vertices), dtype=np.float32)
    corners = np.empty(len(sample.data.loops), dtype=np.int32)
    joints = np.empty(len(sample.data.vertices), dtype=bool)
    sample.data.vertices.foreach_get("co", positions)
    sample.data.loops.foreach_get("vertex_index", corners)
    sample.data.attributes["joint_ring"].data.foreach_get("value", joints)
    steps = np.zeros((copies, 1, 3), dtype=np.float32)
    steps[:, 0, 1] = 0.45 * np.arange(copies)
    mesh = bpy.data.meshes.new("Many")
    mesh.from_pydata((positions.reshape(1, -1, 3) + steps).reshape(-1, 3).tolist(), [],
                     (corners.reshape(1, -1, 4) + len(joints) * np.arange(copies)[:, None, None]).reshape(-1, 4).tolist())
    layer = mesh.attributes.new("joint_ring", "BOOLEAN", "POINT")
    layer.data.foreach_set("value", np.tile(joints, copies))
    item = bpy.data.objects.new("Many", mesh)
    bpy.context.scene.collection.objects.link(item)
    item.show_wire = item.show_in_front = True
    return item


def _dense_target(triangles: int) -> bpy.types.Object:
    """A wavy sheet of at least that many triangles."""
    side = int(np.ceil(np.sqrt(triangles / 2))) + 1
    x, y = np.meshgrid(np.linspace(0, 4, side, dtype=np.float32), np.linspace(0, 4, side, dtype=np.float32))
    corner = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel()
    quads = np.column_stack([corner, corner + 1, corner + side + 1, corner + side]).astype(np.int32)
    mesh = bpy.data.meshes.new("Dense")
    mesh.vertices.add(side * side)
    mesh.loops.add(quads.size)
    mesh.polygons.add(len(quads))
    mesh.attributes["position"].data.foreach_set("vector", np.column_stack([x.ravel(), y.ravel(), 0.05 * np.sin(20 * x.ravel())]).ravel())
    mesh.attributes[".corner_vert"].data.foreach_set("value", quads.ravel())
    mesh.polygons.foreach_set("loop_start", np.arange(0, quads.size, 4, dtype=np.int32))
    mesh.update(calc_edges=True)
    item = bpy.data.objects.new("Dense", mesh)
    bpy.context.scene.collection.objects.link(item)
    item.hide_set(True)
    return item
