"""From a cage to what is handed on, in a real window: rig, flex test, scrubbing, better bends given up by Esc, unwrap, export, undo."""

from __future__ import annotations

import tempfile
from pathlib import Path

import bpy
import numpy as np
from driver import Hand, Steps, mesh_arrays, plan_joints, square_view

from support.saved_bytes import saved_bytes, until_quiet

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
    yield from _rig(hand)
    yield from _flex(hand)
    yield from _unwrap(hand)
    folder = Path(tempfile.mkdtemp())
    hand.fact("export", _call(hand, "export_set", directory=str(folder)))
    hand.fact("files", sorted(path.name for path in folder.iterdir()))
    yield from hand.photograph("exported")
    yield from _symmetry(hand)
    _other_panels(shown=True)


def _symmetry(hand: Hand) -> Steps:
    """A lopsided tube as the cage: made symmetric, then one half mirrored, each taken back by one undo."""
    with hand.override():
        bpy.ops.mesh.primitive_cylinder_add(vertices=12, radius=0.1, depth=0.4, end_fill_type="NOTHING", location=(0, 0, 0))
    tube = bpy.context.view_layer.objects.active
    for vertex in tube.data.vertices:
        vertex.co.x += 0.02 * np.sin(40.0 * vertex.co.y + 7.0 * vertex.co.z + vertex.index)
    bpy.context.scene.ringwright.cage = tube
    yield 0.3
    yield from _undone(hand, "make_symmetric")
    points = np.array([list(vertex.co) for vertex in bpy.context.scene.ringwright.cage.data.vertices])
    images = np.linalg.norm(points[:, None] - points * [-1, 1, 1], axis=2).min(axis=1)
    hand.fact("farthest image", float(images.max()))
    yield from _undone(hand, "mirror_half")


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


def _searches(hand: Hand) -> bool:
    return any(each.bl_idname == "RINGWRIGHT_OT_improve_cage" for each in hand.window.modal_operators)


def _esc_during_the_search(hand: Hand) -> Steps:
    """Begin the search as its button does, let it build a few cages, press Esc: what the host would save is the same."""
    yield from hand.move(*hand.pixel(bpy.data.objects["Target"].matrix_world.translation))
    yield from until_quiet()
    before = saved_bytes()
    yield from _search_and_esc(hand)
    after = saved_bytes()
    differing = [block for block in before.keys() | after.keys() if before.get(block) != after.get(block)]
    hand.fact("changed by a cancelled search", sorted(differing))
    yield from hand.photograph("search_cancelled")
    bpy.data.objects["Target"].location.x += 1e-6
    hand.fact("a change would be seen", saved_bytes() != after)
    bpy.data.objects["Target"].location.x -= 1e-6
    bpy.data.meshes["Target"].vertices[0].co.x += 1e-6
    hand.fact("a moved vertex would be seen", saved_bytes() != after)


def _search_and_esc(hand: Hand) -> Steps:
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


def _undone(hand: Hand, name: str) -> Steps:
    """Do a step, take it back by one Ctrl Z over the viewport, see whether all is as it was, and do it again."""
    with hand.override():
        bpy.ops.ed.undo_push(message="Before")
    before = _scene()
    hand.fact(name, _call(hand, name))
    changed = _scene() != before
    hand.x, hand.y = hand.region.x + 200, hand.region.y + 200
    yield from hand.move(hand.x + 5, hand.y + 5)
    yield from hand.press("Z", ctrl=True)
    yield 0.5
    hand.fact(f"one undo takes {name} back", [changed, _scene() == before])
    _call(hand, name)
    yield 0.3


def _scene() -> list[object]:
    """All that the steps of handing on change."""
    scene, cage = bpy.context.scene, bpy.context.scene.ringwright.cage
    groups = [[each.group for each in vertex.groups] for vertex in cage.data.vertices]
    return [mesh_arrays(cage), [group.name for group in cage.vertex_groups], groups, cage.modifiers.keys(), sorted(bpy.data.objects.keys()),
            sorted(bpy.data.armatures.keys()), sorted(bpy.data.actions.keys()), [marker.frame for marker in scene.timeline_markers],
            [edge.use_seam for edge in cage.data.edges], cage.data.uv_layers.keys(), len(scene.ringwright.bends), scene.frame_end]


def _rig(hand: Hand) -> Steps:
    yield from _undone(hand, "rig_cage")
    yield from hand.photograph("rigged")


def _flex(hand: Hand) -> Steps:
    bpy.data.objects["Target"].hide_set(True)
    yield from _undone(hand, "flex_cage")
    scene = bpy.context.scene
    hand.fact("verdicts", {row.bone: row.verdict for row in scene.ringwright.bends})
    yield from hand.photograph("flexed")
    frames = []
    for index in range(2):
        _call(hand, "show_bend", index=index)
        frames.append(scene.frame_current)
        yield from hand.photograph(f"bend_{index}")
    hand.fact("frames of the worst bends", frames)
    marker = next(each for each in scene.timeline_markers if "fist" in each.name)
    scene.frame_set(marker.frame)
    yield from hand.photograph("fist")
    scene.frame_set(1)


def _unwrap(hand: Hand) -> Steps:
    yield from _undone(hand, "unwrap_cage")
    hand.fact("map", bpy.context.scene.ringwright.summary)
    yield from hand.photograph("unwrapped")
