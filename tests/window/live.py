"""Build Live: a number changed in the panel builds the cage anew beside the artist's own work.

A draft stands at once, Esc gives up, what was moved by hand stays or is asked for, and one undo takes change and cage back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import addon_utils
import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays

NAME = "bl_ext.user_default.ringwright"
PATIENCE = 120.0
BEFORE, AFTER = 8, 12
"""Sides of the finger before and after the change."""


def scenario(hand: Hand) -> Steps:
    settings = bpy.context.scene.ringwright
    settings.target = bpy.data.objects["Target"]
    _short_plan(hand)
    with hand.override():
        bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True, inspect=False)
    yield from hand.sidebar("Ringwright")
    first = faces()
    hand.fact("before", first)
    yield from _moved_vertex_stays(hand)
    yield from _sides(hand, AFTER)
    yield from until(lambda: faces() != first)
    hand.fact("draft", faces())
    yield from hand.photograph("building")
    yield from until(is_idle)
    hand.fact("after", faces())
    built = mesh_arrays(settings.cage)
    hand.fact("sides after one undo", (yield from _step(hand, bpy.ops.ed.undo)))
    hand.fact("undone", faces())
    hand.fact("sides after one redo", (yield from _step(hand, bpy.ops.ed.redo)))
    hand.fact("same cage after one redo", mesh_arrays(bpy.context.scene.ringwright.cage) == built)
    yield from _cancelled(hand)
    yield from _asked(hand)
    yield from _switched_off(hand)


def _moved_vertex_stays(hand: Hand) -> Steps:
    """Another value that leaves the faces as they are, after a vertex was moved by hand."""
    cage = bpy.context.scene.ringwright.cage
    cage.data.vertices[20].co.x += 0.004
    cage.data.update()
    with hand.override():
        bpy.ops.ed.undo_push(message="Moved by hand")
    before = mesh_arrays(cage)
    row = bpy.context.scene.ringwright.limbs[0]
    row.joint_loops = 1
    yield from until(lambda: mesh_arrays(bpy.context.scene.ringwright.cage) != before and is_idle())
    hand.fact("kept", int(np.count_nonzero(_shifts() > 1e-4)))
    hand.fact("kept within", abs(float(_shifts().max()) - 0.004))
    with hand.override():
        bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True, inspect=False, moved="DROP")
    hand.fact("kept by laying all anew", int(np.count_nonzero(_shifts() > 1e-4)))


def _shifts() -> np.ndarray:
    """How far every vertex lies from where it was built."""
    mesh = bpy.context.scene.ringwright.cage.data
    places, built = np.empty(3 * len(mesh.vertices), dtype=np.float32), np.empty(3 * len(mesh.vertices), dtype=np.float32)
    mesh.vertices.foreach_get("co", places)
    mesh.attributes["ringwright_built"].data.foreach_get("vector", built)
    return np.linalg.norm((places - built).reshape(-1, 3), axis=1)


def _sides(hand: Hand, sides: int) -> Steps:
    """Change the number as the panel does: the value, then the host's own undo step."""
    bpy.context.scene.ringwright.limbs[0].sides = sides
    with hand.override():
        bpy.ops.ed.undo_push(message="Sides")
    yield 0.0


def _step(hand: Hand, operator: Callable[[], set[str]]) -> Steps:
    with hand.override():
        operator()
    for _ in range(5):  # a slow redraw may lie between two ticks
        yield 0.3
    return bpy.context.scene.ringwright.limbs[0].sides


def _cancelled(hand: Hand) -> Steps:
    """Esc while the draft stands: the cage is what it was."""
    settings = bpy.context.scene.ringwright
    before, blocks = mesh_arrays(settings.cage), len(bpy.data.meshes)
    yield from hand.move(*_middle(hand))
    settings.live = False
    yield from _sides(hand, 16)
    with hand.override():
        hand.fact("began", sorted(bpy.ops.ringwright.build_cage("INVOKE_DEFAULT", True)))
    hand.send("ESC", "PRESS")
    yield 0.1
    hand.send("ESC", "RELEASE")
    yield from until(is_idle)
    hand.fact("as before after Esc", mesh_arrays(bpy.context.scene.ringwright.cage) == before and len(bpy.data.meshes) == blocks)
    yield from hand.photograph("plan_changed")
    with hand.override():
        bpy.ops.ringwright.revert_plan("EXEC_DEFAULT", True)
    settings.live = True
    yield from until(is_idle)
    hand.fact("sides after reverting", bpy.context.scene.ringwright.limbs[0].sides)


def _asked(hand: Hand) -> Steps:
    """A vertex moved by hand on a limb whose faces change: nothing is lost before the artist has chosen."""
    cage = bpy.context.scene.ringwright.cage
    cage.data.vertices[20].co.x += 0.004
    cage.data.update()
    before = mesh_arrays(cage)
    yield from _sides(hand, 16)
    yield from until(lambda: bpy.context.scene.ringwright.loses_moves and is_idle())
    hand.fact("asked", bpy.context.scene.ringwright.notice)
    hand.fact("kept till the choice", mesh_arrays(bpy.context.scene.ringwright.cage) == before)
    yield from hand.photograph("choice")


def _switched_off(hand: Hand) -> Steps:
    """The extension is switched off while it builds: its thread ends, the cage is what it was; then it builds again."""
    name, before = bpy.context.scene.ringwright.cage.name, mesh_arrays(bpy.context.scene.ringwright.cage)
    with hand.override():
        bpy.ops.ringwright.build_cage("INVOKE_DEFAULT", True, moved="DROP")
    addon_utils.disable(NAME, default_set=False)
    yield 0.5
    hand.fact("threads after switching off", [each.name for each in threading.enumerate()])
    hand.fact("as before after switching off", mesh_arrays(bpy.data.objects[name]) == before)
    addon_utils.enable(NAME, default_set=False)
    yield 0.5
    with hand.override():
        bpy.ops.ringwright.build_cage("INVOKE_DEFAULT", True, moved="DROP")
    yield from until(is_idle)
    hand.fact("built after switching on", faces())


def _middle(hand: Hand) -> tuple[float, float]:
    region = hand.region
    return region.x + region.width / 3, region.y + region.height / 2


def faces() -> int:
    return len(bpy.context.scene.ringwright.cage.data.polygons)


def is_idle() -> bool:
    """Whether no build is under way or about to begin."""
    return not any(each and each.bl_idname == "RINGWRIGHT_OT_build_cage" for each in bpy.context.window_manager.windows[0].modal_operators)


def until(reached: Callable[[], bool]) -> Steps:
    """Wait till something holds, but never for ever."""
    end = time.monotonic() + PATIENCE
    yield 0.1
    while time.monotonic() < end:
        if reached():
            return
        yield 0.02
    raise TimeoutError("the editor did not get there")


def _short_plan(hand: Hand) -> None:
    """The demo's middle finger alone."""
    import tomllib

    limb = next(limb for limb in tomllib.loads(bpy.data.objects["Cage"]["ringwright_plan"])["limb"] if limb["name"] == "middle")
    bpy.data.objects.remove(bpy.data.objects["Cage"])
    path = hand.folder / "finger.toml"
    joints = limb["joints"][1:]
    path.write_text(f'schema = 1\n[[limb]]\nname = "middle"\njoints = {joints}\nsides = {BEFORE}\nspans = 3\ntip = "closed"\n',
                    encoding="utf-8")
    with hand.override():
        bpy.ops.ringwright.load_plan("EXEC_DEFAULT", True, filepath=str(path))
