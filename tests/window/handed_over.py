"""From a cage to what is handed on, in a real window: rig, flex test, scrubbing, better bends given up by Esc, unwrap, export, undo."""

from __future__ import annotations

import tempfile
from pathlib import Path

import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays, plan_joints, square_view

from support.saved_bytes import saved_bytes

PANELS: dict[str, type] = {}


def scenario(hand: Hand) -> Steps:
    settings, joints = bpy.context.scene.ringwright, plan_joints()
    target, cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    settings.target, settings.cage = target, cage
    bpy.context.view_layer.objects.active = cage
    PANELS.update({panel: getattr(bpy.types, f"RINGWRIGHT_PT_{panel}") for panel in OTHERS})
    _other_panels(shown=False)
    yield from hand.sidebar("Ringwright")
    focus = np.mean([joints["middle"].mean(axis=0), joints["palm"].mean(axis=0)], axis=0)
    hand.look(square_view(joints), focus, 2.0 * np.linalg.norm(joints["middle"][-1] - joints["palm"][0]))
    yield from hand.photograph("before")
    yield from _esc_during_the_search(hand)
    yield from _rig(hand, cage)
    yield from _flex(hand, cage, target)
    yield from _unwrap(hand, cage)
    folder = Path(tempfile.mkdtemp())
    hand.fact("export", _call(hand, "export_set", directory=str(folder)))
    hand.fact("files", sorted(path.name for path in folder.iterdir()))
    yield from hand.photograph("exported")
    _other_panels(shown=True)


def _call(hand: Hand, name: str, **options: object) -> list[str]:
    with hand.override():
        return sorted(getattr(bpy.ops.ringwright, name)("EXEC_DEFAULT", True, **options))


OTHERS = ("target", "limbs", "joins", "cage", "mend", "inspect", "overlay")


def _other_panels(*, shown: bool) -> None:
    """Take the panels above away, so that the last one shows whole, or bring them back; the last one is opened."""
    for panel in OTHERS if shown else OTHERS[::-1]:
        (bpy.utils.register_class if shown else bpy.utils.unregister_class)(PANELS[panel])
    if not shown:
        hand_on, hand_over = bpy.types.RINGWRIGHT_PT_hand_on, bpy.types.RINGWRIGHT_PT_hand_over
        for kind in (hand_over, hand_on):
            bpy.utils.unregister_class(kind)
        hand_on.bl_options = set()
        for kind in (hand_on, hand_over):
            bpy.utils.register_class(kind)


def _quiet() -> Steps:
    """Wait until two savings in a row are alike."""
    last: dict[str, str] = {}
    for _ in range(30):
        now = saved_bytes()
        if now == last:
            return
        last = now
        yield 0.5


def _searches(hand: Hand) -> bool:
    return any(each.bl_idname == "RINGWRIGHT_OT_improve_cage" for each in hand.window.modal_operators)


def _esc_during_the_search(hand: Hand) -> Steps:
    """Begin the search as its button does, let it build a few cages, press Esc: what the host would save is the same to the last bit."""
    yield from hand.move(*hand.pixel(bpy.data.objects["Target"].matrix_world.translation))
    yield from _quiet()
    before = saved_bytes()
    with hand.override():
        bpy.ops.ringwright.improve_cage("INVOKE_DEFAULT", True)
    yield 0.5
    hand.fact("search began", _searches(hand))
    with hand.override():
        hand.fact("a second search", sorted(bpy.ops.ringwright.improve_cage("INVOKE_DEFAULT", True)))
    yield 4.0
    yield from hand.photograph("searching")
    hand.fact("search goes on", _searches(hand))
    yield from hand.press("ESC")
    yield 0.5
    hand.fact("search ended", not _searches(hand))
    yield from hand.photograph("search_cancelled")
    after = saved_bytes()
    hand.fact("changed by a cancelled search", [block for block in before.keys() | after.keys() if before.get(block) != after.get(block)])
    bpy.data.objects["Target"].location.x += 1e-6
    hand.fact("a change would be seen", saved_bytes() != before)
    bpy.data.objects["Target"].location.x -= 1e-6


def _rig(hand: Hand, cage: bpy.types.Object) -> Steps:
    with hand.override():
        bpy.ops.ed.undo_push(message="Before the rig")
    before = mesh_arrays(cage), len(cage.vertex_groups), len(bpy.data.armatures)
    hand.fact("rig", _call(hand, "rig_cage"))
    yield 0.3
    yield from hand.move(*hand.pixel((0, 0, 0)))
    hand.x, hand.y = hand.region.x + 200, hand.region.y + 200
    yield from hand.press("Z", ctrl=True)
    yield 0.5
    cage = bpy.context.scene.ringwright.cage
    hand.fact("one undo takes the rig back", (mesh_arrays(cage), len(cage.vertex_groups), len(bpy.data.armatures)) == before)
    hand.fact("rig again", _call(hand, "rig_cage"))
    yield from hand.photograph("rigged")


def _flex(hand: Hand, cage: bpy.types.Object, target: bpy.types.Object) -> Steps:
    scene = bpy.context.scene
    bpy.data.objects["Target"].hide_set(True)
    hand.fact("flex", _call(hand, "flex_cage"))
    bends = scene.ringwright.bends
    hand.fact("verdicts", {row.bone: row.verdict for row in bends})
    yield from hand.photograph("flexed")
    frames = []
    for index in range(2):
        hand.fact(f"show bend {index}", _call(hand, "show_bend", index=index))
        frames.append(scene.frame_current)
        yield from hand.photograph(f"bend_{index}")
    hand.fact("frames of the worst bends", frames)
    marker = next(each for each in scene.timeline_markers if "fist" in each.name)
    scene.frame_set(marker.frame)
    yield from hand.photograph("fist")
    scene.frame_set(1)
    hand.fact("undo of the flex test", _undone(hand))
    yield 0.5
    hand.fact("markers after undo", len(bpy.context.scene.timeline_markers))


def _undone(hand: Hand) -> bool:
    with hand.override():
        bpy.ops.ed.undo_push(message="Before")
        _call(hand, "flex_cage")
        count = len(bpy.context.scene.timeline_markers)
        bpy.ops.ed.undo()
    return count > 0


def _unwrap(hand: Hand, cage: bpy.types.Object) -> Steps:
    hand.fact("unwrap", _call(hand, "unwrap_cage"))
    hand.fact("map", bpy.context.scene.ringwright.summary)
    yield from hand.photograph("unwrapped")
