"""Ring operators as an artist uses them: reduce, splice, make quads, choices turned in the last operation, and Ctrl Z after each."""

from __future__ import annotations

import hashlib

import bmesh
import bpy
import numpy as np
from driver import Hand, Steps

CALLS = {
    "reduce_ring": {"ring": 3, "count": 14, "rows": 3},
    "splice_rings": {},
    "make_quads": {},
}
PLAIN = {"rows": 0, "hidden": "ANY", "keep_clear": "", "use_selection": False}
"""The host remembers choices from one call to the next."""
TURNED = {
    "reduce_ring": ({**PLAIN, "ring": 2, "count": 16}, {"rows": 4, "count": 14, "use_selection": True}),
    "splice_rings": (PLAIN, {"rows": 7, "hidden": "LEFT", "use_selection": True}),
    "make_quads": ({"inner_vertices": "NEVER"}, {"inner_vertices": "BEST"}),
}
"""By operator: choices of the first call, and what is turned in the panel of the last operation."""
CHOICES = {"rows": {"rows": 8}, "hidden": {"hidden": "BACK"}, "keep clear": {"keep_clear": "bends"}}


def scenario(hand: Hand) -> Steps:
    _put_tubes()
    hand.look((-1, 0.6, -0.3), (0, 0, 3.6), 11.0)
    yield from hand.sidebar("Ringwright")
    before = _digest()
    hand.fact("before", before)
    yield from hand.photograph("before")
    for call, choices in CALLS.items():
        with hand.override():
            hand.fact(call, sorted(getattr(bpy.ops.ringwright, call)("EXEC_REGION_WIN", True, **choices)))
        yield 0.4
        hand.fact(f"{call} changed", _digest() != before)
        yield from hand.photograph(call)
        yield from _undo(hand)
        hand.fact(f"{call} undone", _digest())
    for name, choice in CHOICES.items():
        with hand.override():
            bpy.ops.ringwright.splice_rings("EXEC_REGION_WIN", True, **{**PLAIN, **choice})
        yield 0.4
        hand.fact(name, _digest())
        yield from hand.photograph(name)
        yield from _undo(hand)
        hand.fact(f"{name} undone", _digest())
    for call, (first, changes) in TURNED.items():
        yield from _called_and_turned(hand, call, first, changes)
    # Last, with real events: a value turned with the wheel over its field in the panel of the last operation.
    with hand.override():
        bpy.ops.ringwright.splice_rings("EXEC_REGION_WIN", True, **PLAIN)
    yield 0.4
    hand.fact("plain", _digest())


def _called_and_turned(hand: Hand, call: str, first: dict[str, object], changes: dict[str, object]) -> Steps:
    """The same choices given in the call, and turned in the last operation: the mesh must come out the same."""
    operator = getattr(bpy.ops.ringwright, call)
    _select(rings=call != "make_quads")
    before = _digest()
    with hand.override():
        operator("EXEC_REGION_WIN", True, **{**first, **changes})
    yield 0.4
    hand.fact(f"{call} called", _digest())
    yield from _undo(hand)
    hand.fact(f"{call} back", _digest() == before)
    with hand.override():
        operator("EXEC_REGION_WIN", True, **first)
    yield 0.4
    hand.fact(f"{call} first", _digest())
    yield from _turn(hand, call, changes)
    hand.fact(f"{call} turned", _digest())
    yield from hand.photograph(f"{call}_turned")
    yield from _undo(hand)
    hand.fact(f"{call} taken back", _digest() == before)


def _put_tubes() -> None:
    """A hand's ring of 20 over an arm's of 10, with a bit of everything that a mesh carries, a triangle pair and an n-gon."""
    positions: list[tuple[float, float, float]] = []
    faces: list[list[int]] = []
    for sides, bottom in ((10, 0.0), (20, 4.2)):
        first = len(positions)
        angles = 2 * np.pi * np.arange(sides) / sides
        positions += [(float(np.cos(angle)), float(np.sin(angle)), bottom + 0.5 * row) for row in range(7) for angle in angles]
        faces += [[first + row * sides + at, first + row * sides + (at + 1) % sides, first + (row + 1) * sides + (at + 1) % sides,
                   first + (row + 1) * sides + at] for row in range(6) for at in range(sides)]
    # Two rows of two quads of the upper tube become one n-gon, with a loose vertex in its middle.
    corner, middle = 70 + 3 * 20 + 12, 70 + 4 * 20 + 13
    faces = [face for face in faces if middle not in face]
    faces.append([corner, corner + 1, corner + 2, corner + 22, corner + 42, corner + 41, corner + 40, corner + 20])
    cut = faces.pop(12)
    faces += [cut[:3], [cut[0], *cut[2:]]]
    for other in list(bpy.context.scene.objects):
        other.hide_set(True)
    mesh = bpy.data.meshes.new("Tubes")
    mesh.from_pydata(positions, [], faces)
    item = bpy.data.objects.new("Tubes", mesh)
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    item.select_set(True)
    random = np.random.default_rng(2)
    mesh.uv_layers.new(name="Map").data.foreach_set("uv", random.random(2 * len(mesh.loops)).astype(np.float32))
    for edge in list(mesh.edges)[::5]:
        edge.use_seam = set(edge.vertices) != {cut[0], cut[2]}  # a seam would stay
    for name in ("bends", "skin"):
        group = item.vertex_groups.new(name=name)
        for vertex in mesh.vertices:
            group.add([vertex.index], float(vertex.co.x > 0) if name == "bends" else float(random.random()), "REPLACE")
    item.shape_key_add(name="Basis")
    item.shape_key_add(name="Fist", from_mix=False).data.foreach_set("co", random.random(3 * len(mesh.vertices)).astype(np.float32))
    item.active_shape_key_index = 0  # as adding one in the interface does
    bpy.context.scene.ringwright.target = None
    bpy.ops.ed.undo_push()
    bpy.ops.object.mode_set(mode="EDIT")
    host = bmesh.from_edit_mesh(mesh)
    for element in (*host.verts, *host.edges, *host.faces):
        element.select = False
    bmesh.update_edit_mesh(mesh)
    bpy.ops.ed.undo_push()


def _digest() -> str:
    """One number for every bit that the mesh under edit carries, selection and order included."""
    host = bmesh.from_edit_mesh(bpy.data.objects["Tubes"].data)
    told = hashlib.sha256()
    for vertex in host.verts:
        told.update(repr([list(vertex.co), vertex.select, *(list(vertex[layer]) for layer in host.verts.layers.shape.values()),
                          *(sorted(vertex[layer].items()) for layer in host.verts.layers.deform.values())]).encode())
    for face in host.faces:
        told.update(repr([[vertex.index for vertex in face.verts], face.select, face.material_index,
                          [list(corner[layer].uv) for layer in host.loops.layers.uv.values() for corner in face.loops]]).encode())
    for edge in host.edges:
        told.update(repr([[vertex.index for vertex in edge.verts], edge.seam, edge.smooth, edge.select]).encode())
    return told.hexdigest()


def _select(*, rings: bool) -> None:
    """The upper tube's lowest ring and the faces on one side of it, the lower tube's highest ring; or nothing."""
    mesh = bpy.data.objects["Tubes"].data
    host = bmesh.from_edit_mesh(mesh)
    for vertex in host.verts:
        on_rings = abs(vertex.co.z - 4.2) < 1e-4 or abs(vertex.co.z - 3.0) < 1e-4
        vertex.select = rings and (on_rings or (vertex.co.x > 0.3 and 4.0 < vertex.co.z < 6.0))
    host.select_flush(rings)
    bmesh.update_edit_mesh(mesh)
    bpy.ops.ed.undo_push(message="Select")


def _turn(hand: Hand, call: str, changes: dict[str, object]) -> Steps:
    """Change values of the last operation and let the host do it again, as its panel does."""
    operator = hand.window_manager_operator(f"RINGWRIGHT_OT_{call}")
    for name, value in changes.items():
        setattr(operator.properties, name, value)
    with hand.override():
        bpy.ops.ed.undo_redo()
        # Called from a script, the host pushes no undo step for what it does again; with one, it brings shape keys up to date.
        bpy.ops.ed.undo_push(message="Turned")
    yield 0.4


def _undo(hand: Hand) -> Steps:
    """The key, over the viewport."""
    region = hand.region
    yield from hand.move(region.x + region.width / 2, region.y + region.height / 2)
    yield from hand.press("Z", ctrl=True)
    yield 0.5
