"""Build Live: a number changed in the panel builds the cage anew; what was moved by hand stays; undo takes the build back."""

from __future__ import annotations

import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays

PATIENCE = 120


def scenario(hand: Hand) -> Steps:
    settings = bpy.context.scene.ringwright
    settings.target = bpy.data.objects["Target"]
    with hand.override():
        bpy.ops.ringwright.load_plan(filepath=_short_plan(hand))
        bpy.ops.ringwright.build_cage("EXEC_DEFAULT", True)
    yield 0.3
    cage = settings.cage
    cage.data.vertices[20].co.x += 0.004
    cage.data.update()
    moved = np.array(cage.data.vertices[20].co)
    with hand.override():
        bpy.ops.ed.undo_push(message="Moved by hand")
    hand.fact("before", len(cage.data.polygons))
    first = mesh_arrays(cage)
    settings.live = True
    settings.limbs[0].joint_loops = settings.limbs[0].joint_loops
    yield from _until(lambda: mesh_arrays(settings.cage) != first, 8)
    hand.fact("kept within", float(np.linalg.norm(np.array(settings.cage.data.vertices[20].co) - moved)))
    settings.limbs[0].sides = 12
    yield from _until(lambda: len(settings.cage.data.polygons) != hand.facts["before"], PATIENCE)
    hand.fact("after", len(settings.cage.data.polygons))
    settings.live = False
    name = settings.cage.name
    for _ in range(3):
        with hand.override():
            bpy.ops.ed.undo()
        yield 0.2
        if len(bpy.data.objects[name].data.polygons) == hand.facts["before"]:
            break
    hand.fact("undone", len(bpy.data.objects[name].data.polygons))


def _until(reached: object, ticks: int) -> Steps:
    for _ in range(ticks):
        yield 0.25
        if reached():
            return


def _short_plan(hand: Hand) -> str:
    """The demo's middle finger alone."""
    import tomllib

    limb = next(limb for limb in tomllib.loads(bpy.data.objects["Cage"]["ringwright_plan"])["limb"] if limb["name"] == "middle")
    bpy.data.objects.remove(bpy.data.objects["Cage"])
    path = hand.folder / "finger.toml"
    joints = limb["joints"][1:]
    path.write_text(f'schema = 1\n[[limb]]\nname = "middle"\njoints = {joints}\nsides = 8\nspans = 3\ntip = "closed"\n', encoding="utf-8")
    return str(path)
