"""Fill Patch as an artist uses it: a hole filled with a click, then every choice turned in the panel of the last operation."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np
from driver import Hand, Steps

NAME = "RINGWRIGHT_OT_fill_patch"


def scenario(hand: Hand) -> Steps:
    _put_sheet((10, 8, 8, 8))
    hand.look((0.35, 0.35, -1), (0, 0, 0), 5.0)
    yield from hand.sidebar("Ringwright")
    yield from _select(BORDER)
    yield from _fill(hand)
    _note(hand, "plain")
    hand.area.spaces.active.show_region_hud = True
    yield from hand.photograph("filled")
    yield from _turn(hand, {"nudge": 2})
    _note(hand, "turned in the panel")
    yield from hand.photograph("turned in the panel")
    for name, (vertices, choices) in CHOICES.items():
        yield from _undo_all(hand)
        yield from _select(vertices)
        yield from _fill(hand, **choices)
        _note(hand, name)
        yield from hand.photograph(name)
    yield from _turned_by_hand(hand)


BORDER = range(34)
CHOICES = {
    "plain again": (BORDER, {}),
    "nudged": (BORDER, {"nudge": 2}),
    "nudged back": (BORDER, {"nudge": -3}),
    "nudged across": (BORDER, {"nudge_across": 3}),
    "turned": (BORDER, {"rotate": 1}),
    "padded side": (BORDER, {"side_padding": (0, 0, 6, 0, 0, 0, 0, 0)}),
    "round": (BORDER, {"corners": "NONE"}),
    "following": (BORDER, {"follow": True}),
    "selected corners": ((1, 9, 18, 26), {"corners": "SELECTED"}),
}


def _put_sheet(counts: tuple[int, ...]) -> None:
    """A square hole with such sides, and a row of quads round it that bends down."""
    corners = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)], dtype=float)
    sides = [corners[k] + (corners[(k + 1) % 4] - corners[k]) * (np.arange(count) / count)[:, None] for k, count in enumerate(counts)]
    border = np.column_stack([np.concatenate(sides), np.zeros(sum(counts))])
    rim = 1.25 * border - [0, 0, 0.2]
    count = len(border)
    faces = [[at, count + at, count + (at + 1) % count, (at + 1) % count] for at in range(count)]
    for other in list(bpy.context.scene.objects):
        other.hide_set(True)
    mesh = bpy.data.meshes.new("Sheet")
    mesh.from_pydata(np.vstack([border, rim]).tolist(), [], faces)
    item = bpy.data.objects.new("Sheet", mesh)
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    item.select_set(True)
    bpy.context.scene.ringwright.target = None
    bpy.ops.ed.undo_push()
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.ed.undo_push()


def _sheet() -> bpy.types.Mesh:
    """The sheet's mesh; an undo step may have made it anew."""
    return bpy.data.objects["Sheet"].data


def _select(vertices: object) -> Steps:
    host = bmesh.from_edit_mesh(_sheet())
    for element in (*host.verts, *host.edges, *host.faces):
        element.select = False
    host.verts.ensure_lookup_table()
    for index in vertices:
        host.verts[index].select = True
    host.select_flush_mode()
    bmesh.update_edit_mesh(_sheet())
    bpy.ops.ed.undo_push()
    yield 0.3


def _fill(hand: Hand, **choices: object) -> Steps:
    with hand.override():
        bpy.ops.ringwright.fill_patch("EXEC_REGION_WIN", True, **choices)
    yield 0.4


def _turn(hand: Hand, changes: dict[str, object]) -> Steps:
    """Change values of the last operation and let the host do it again, as its panel does."""
    operator = hand.window_manager_operator(NAME)
    for name, value in changes.items():
        setattr(operator.properties, name, value)
    with hand.override():
        bpy.ops.ed.undo_redo()
    yield 0.4


def _undo_all(hand: Hand) -> Steps:
    """Back to the open hole."""
    for _ in range(6):
        if len(bmesh.from_edit_mesh(_sheet()).faces) == 34:
            break
        with hand.override():
            bpy.ops.ed.undo()
        yield 0.2


def _note(hand: Hand, name: str) -> None:
    host = bmesh.from_edit_mesh(_sheet())
    host.verts.index_update()
    places = sorted(tuple(round(value, 4) for value in vertex.co) for vertex in host.verts)
    poles = [vertex for vertex in host.verts if not vertex.is_boundary and len(vertex.link_edges) != 4]
    hand.fact(name, {"faces": len(host.faces), "quads": all(len(face.verts) == 4 for face in host.faces), "poles": len(poles),
                     "places": str(hash(tuple(places)))})


def _turned_by_hand(hand: Hand) -> Steps:
    """The floating panel of the last operation, opened by its key: what the artist sees."""
    region = hand.region
    yield from hand.move(region.x + region.width / 3, region.y + region.height / 2)
    yield from hand.press("F9")
    yield 0.6
    yield from hand.photograph("panel")
    yield from hand.press("ESC")
