"""Operators on the mesh under edit: what the core makes is what the host gets, and what is not touched stays as it was."""

from __future__ import annotations

from typing import Any

# The host's module brings the others along, so it comes first.
# isort: off
import bpy
import bmesh
# isort: on
import numpy as np
import pytest

from ringwright.addon.cage_object import read_cage
from ringwright.addon.mesh_bridge import read_mesh
from ringwright.core.adjacency import build_adjacency
from ringwright.core.make_quads import make_quads
from ringwright.core.mismatches import pair_rings
from ringwright.core.patch import fill_mesh_loop
from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.ring_reduction import step_ring
from ringwright.core.ring_splice import splice_rings
from ringwright.core.rings import boundary_rings
from support.edited_host import assert_same, edit, put, result

pytestmark = pytest.mark.usefixtures("extension")

MATRIX = np.array([[1.0, 0.0, 0.0, 3.0], [0.0, 0.0, -2.0, 0.5], [0.0, 1.0, 0.0, -1.0], [0.0, 0.0, 0.0, 1.0]])
"""Turned, moved and stretched: an object that the artist has not applied."""


def tube_arrays(sides: int, rows: int, bottom: float = 0.0) -> tuple[FloatArray, list[list[int]]]:
    angles = 2 * np.pi * np.arange(sides) / sides
    positions = np.array([[np.cos(angle), np.sin(angle), bottom + row * 0.5] for row in range(rows + 1) for angle in angles])
    faces = [[row * sides + at, row * sides + (at + 1) % sides, (row + 1) * sides + (at + 1) % sides, (row + 1) * sides + at]
             for row in range(rows) for at in range(sides)]
    return positions, faces


def tube(sides: int = 12, rows: int = 8) -> bpy.types.Object:
    return put(*tube_arrays(sides, rows))


def dress(item: bpy.types.Object) -> None:
    """Give a mesh a bit of everything that a mesh can carry."""
    mesh, random = item.data, np.random.default_rng(5)
    count = len(mesh.vertices)
    for name in ("Skin", "Nail"):
        mesh.materials.append(bpy.data.materials.new(name))
    mesh.polygons.foreach_set("material_index", np.arange(len(mesh.polygons)) % 2)
    mesh.uv_layers.new(name="Map").data.foreach_set("uv", random.random(2 * len(mesh.loops)).astype(np.float32))
    colours = mesh.color_attributes.new("Paint", "FLOAT_COLOR", "POINT")
    colours.data.foreach_set("color", random.random(4 * count).astype(np.float32))
    corner_colours = mesh.color_attributes.new("Tint", "BYTE_COLOR", "CORNER")
    corner_colours.data.foreach_set("color", random.random(4 * len(mesh.loops)).astype(np.float32))
    mesh.attributes.new("crease_edge", "FLOAT", "EDGE").data.foreach_set("value", random.random(len(mesh.edges)).astype(np.float32))
    mesh.attributes.new("heat", "FLOAT", "POINT").data.foreach_set("value", random.random(count).astype(np.float32))
    mesh.attributes.new("tag", "INT", "FACE").data.foreach_set("value", np.arange(len(mesh.polygons), dtype=np.int32))
    for index, edge in enumerate(mesh.edges):
        edge.use_seam, edge.use_edge_sharp = index % 5 == 0, index % 7 == 0
    for name in ("Upper", "Lower"):
        group = item.vertex_groups.new(name=name)
        for vertex in range(count):
            group.add([vertex], float(random.random()), "REPLACE")
    item.shape_key_add(name="Basis")
    for name in ("Fist", "Spread"):
        key = item.shape_key_add(name=name, from_mix=False)
        moved = np.array([list(point.co) for point in key.data]) + random.normal(scale=0.1, size=(count, 3))
        key.data.foreach_set("co", moved.astype(np.float32).ravel())


def carried(item: bpy.types.Object) -> dict[str, dict[Any, Any]]:
    """Everything that the mesh carries, told by vertex numbers."""
    mesh = item.data
    keys = [] if mesh.shape_keys is None else mesh.shape_keys.key_blocks
    vertices = {vertex.index: (tuple(vertex.co), tuple(sorted((each.group, each.weight) for each in vertex.groups)),
                               tuple(tuple(key.data[vertex.index].co) for key in keys),
                               tuple(mesh.attributes[name].data[vertex.index].value for name in ("heat",) if name in mesh.attributes),
                               tuple(tuple(each.data[vertex.index].color) for each in mesh.color_attributes if each.domain == "POINT"))
                for vertex in mesh.vertices}
    crease = mesh.attributes.get("crease_edge")
    edges = {tuple(sorted(edge.vertices)): (edge.use_seam, edge.use_edge_sharp, None if crease is None else crease.data[edge.index].value)
             for edge in mesh.edges}
    faces = {tuple(face.vertices): (face.material_index, mesh.attributes["tag"].data[face.index].value if "tag" in mesh.attributes else 0,
                                    tuple(tuple(layer.data[corner].uv) for layer in mesh.uv_layers for corner in face.loop_indices),
                                    tuple(tuple(each.data[corner].color) for each in mesh.color_attributes if each.domain == "CORNER"
                                          for corner in face.loop_indices))
             for face in mesh.polygons}
    return {"vertices": vertices, "edges": edges, "faces": faces}


def rings_of(item: bpy.types.Object) -> tuple[PolyMesh, Any, Any]:
    mesh = read_mesh(item.data)
    adjacency = build_adjacency(mesh)
    return mesh, adjacency, boundary_rings(mesh, adjacency)


@pytest.mark.parametrize("count", [8, 10, 16])
def test_reduce_ring_is_the_core_call(count: int) -> None:
    item = tube()
    mesh, adjacency, rings = rings_of(item)
    expected = step_ring(mesh, adjacency, rings.ring(1), count).edit.mesh
    edit(item, rings.ring(1))
    assert bpy.ops.ringwright.reduce_ring(count=count) == {"FINISHED"}
    assert_same(result(item), expected)


def test_reduce_ring_by_number_on_the_hidden_side() -> None:
    item = tube()
    mesh, adjacency, rings = rings_of(item)
    expected = step_ring(mesh, adjacency, rings.ring(0), 10, hidden=(0, 1, 0), rows=3, pole_distance=1).edit.mesh
    edit(item)
    bpy.ops.ringwright.reduce_ring(ring=0, count=10, rows=3, hidden="BACK", pole_distance=1)
    assert_same(result(item), expected)


def hand_and_arm() -> bpy.types.Object:
    upper, lower = tube_arrays(20, 4, 3.0), tube_arrays(10, 4)
    shift = len(lower[0])
    return put(np.concatenate([lower[0], upper[0]]), lower[1] + [[corner + shift for corner in face] for face in upper[1]])


@pytest.mark.parametrize("how", ["selected", "named", "all"])
def test_splice_rings_is_the_core_call(how: str) -> None:
    item = hand_and_arm()
    mesh, adjacency, rings = rings_of(item)
    pairs = [(pair.fuller, pair.sparser) for pair in pair_rings(mesh, rings).pairs]
    assert [sorted(rings.edge_counts[list(pair)].tolist()) for pair in pairs] == [[10, 20]]
    expected = splice_rings(mesh, adjacency, rings, pairs).edit.mesh
    edit(item, np.concatenate([rings.ring(index) for index in pairs[0]]) if how == "selected" else ())
    assert bpy.ops.ringwright.splice_rings(pairs=f"{pairs[0][0]},{pairs[0][1]}" if how == "named" else "") == {"FINISHED"}
    assert_same(result(item), expected)


def cube_with_a_hole() -> bpy.types.Object:
    bpy.ops.mesh.primitive_grid_add(x_subdivisions=8, y_subdivisions=8, size=2)
    item = bpy.context.object
    edit(item, faces=[at for at in range(64) if 2 <= at % 8 < 6 and 2 <= at // 8 < 5])
    bpy.ops.mesh.delete(type="FACE")
    bpy.ops.object.mode_set(mode="OBJECT")
    return item


def test_fill_patch_is_the_core_call() -> None:
    item = cube_with_a_hole()
    mesh, _, rings = rings_of(item)
    hole = int(np.argmin(rings.lengths))
    expected = fill_mesh_loop(mesh, rings.ring(hole)).mesh
    edit(item, rings.ring(hole))
    assert bpy.ops.ringwright.fill_patch() == {"FINISHED"}
    assert_same(result(item), expected)


def test_a_patch_goes_on_with_what_its_border_carries() -> None:
    """Texture, group, colour and shape key that are linear across a flat sheet stay so in the hole's patch."""
    item = cube_with_a_hole()
    mesh = item.data
    layer = mesh.uv_layers["UVMap"] if mesh.uv_layers else mesh.uv_layers.new(name="UVMap")
    group = item.vertex_groups.new(name="Across")
    for vertex in mesh.vertices:
        group.add([vertex.index], (vertex.co.x + 1) / 2, "REPLACE")
    for loop in mesh.loops:
        place = mesh.vertices[loop.vertex_index].co
        layer.data[loop.index].uv = ((place.x + 1) / 2, (place.y + 1) / 2)
    item.shape_key_add(name="Basis")
    for point in item.shape_key_add(name="Tilted", from_mix=False).data:
        point.co.z += point.co.x
    _, _, rings = rings_of(item)
    edit(item, rings.ring(int(np.argmin(rings.lengths))))
    bpy.ops.ringwright.fill_patch()
    bpy.ops.object.mode_set(mode="OBJECT")
    mesh, corners = item.data, 0
    for loop in mesh.loops:
        place = mesh.vertices[loop.vertex_index].co
        assert tuple(mesh.uv_layers["UVMap"].data[loop.index].uv) == pytest.approx(((place.x + 1) / 2, (place.y + 1) / 2), abs=1e-5)
        corners += 1
    assert corners == 4 * 64
    for vertex in mesh.vertices:
        assert vertex.groups[0].weight == pytest.approx((vertex.co.x + 1) / 2, abs=1e-5)
        assert mesh.shape_keys.key_blocks["Tilted"].data[vertex.index].co.z == pytest.approx(vertex.co.x, abs=1e-5)


def in_the_middle(place: Any) -> bool:
    return abs(place[0]) < 0.51 and abs(place[1]) < 0.51


def test_refill_region_keeps_its_border() -> None:
    bpy.ops.mesh.primitive_grid_add(x_subdivisions=8, y_subdivisions=8, size=2)
    item = bpy.context.object
    before = carried(item)
    region = [at for at in range(64) if 2 <= at % 8 < 6 and 2 <= at // 8 < 6]
    edit(item, faces=region[:4])
    bpy.ops.mesh.quads_convert_to_tris()
    bpy.ops.object.mode_set(mode="OBJECT")
    inside = [face.index for face in item.data.polygons if all(in_the_middle(item.data.vertices[at].co) for at in face.vertices)]
    edit(item, faces=inside)
    assert bpy.ops.ringwright.fill_patch() == {"FINISHED"}
    mesh = result(item)
    assert set(mesh.face_sizes.tolist()) == {4}
    after = carried(item)
    outside = {face for face in before["faces"] if not all(in_the_middle(before["vertices"][at][0]) for at in face)}
    there = {tuple(after["vertices"][at][0] for at in face) for face in after["faces"]}
    assert {tuple(before["vertices"][at][0] for at in face) for face in outside} <= there


def test_make_quads_is_the_core_call() -> None:
    item = tube(12, 3)
    edit(item, faces=range(6))
    bpy.ops.mesh.quads_convert_to_tris()
    bpy.ops.object.mode_set(mode="OBJECT")
    mesh = read_mesh(item.data)
    every_face, no_edge = (np.full(count, value) for count, value in ((mesh.face_count, True), (build_adjacency(mesh).edge_count, False)))
    expected = make_quads(mesh, every_face, no_edge).edit.mesh
    edit(item)
    assert bpy.ops.ringwright.make_quads() == {"FINISHED"}
    assert_same(result(item), expected)


def reduce_top(item: bpy.types.Object) -> list[int]:
    """Reduce the tube's upper end; the old vertices that may change."""
    mesh, adjacency, rings = rings_of(item)
    change = step_ring(mesh, adjacency, rings.ring(1), 8)
    edit(item, rings.ring(1))
    bpy.ops.ringwright.reduce_ring(count=8)
    return np.flatnonzero((change.edit.vertex_weights == 1.0).any(axis=1) & (change.edit.vertex_sources[:, 0] >= 0)).tolist()


@pytest.mark.parametrize("key", [0, 1])
def test_untouched_elements_keep_everything(key: int) -> None:
    item = tube()
    dress(item)
    item.active_shape_key_index = key
    before = carried(item)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.object.mode_set(mode="OBJECT")
    assert carried(item) == before  # the way into and out of edit mode alone changes nothing
    reduce_top(item)
    bpy.ops.object.mode_set(mode="OBJECT")
    after = carried(item)
    low = [vertex for vertex in before["vertices"] if vertex < 12 * 5]  # three of eight rows change
    for vertex in low:
        assert after["vertices"][vertex] == before["vertices"][vertex]
    for kind in ("edges", "faces"):
        inside = {name: value for name, value in before[kind].items() if all(vertex < 12 * 5 for vertex in name)}
        assert len(inside) > 40
        assert {name: after[kind][name] for name in inside} == inside
    assert list(after["faces"])[: 12 * 4] == list(before["faces"])[: 12 * 4]


@pytest.mark.parametrize("key", [0, 1, 2])
def test_new_elements_are_interpolated(key: int) -> None:
    """Values that are linear in space stay linear: groups, colours, textures and shape keys of what is new or has moved."""
    item = put(*tube_arrays(12, 8))
    mesh = item.data
    heights = np.array([vertex.co.z for vertex in mesh.vertices]) / 4
    group = item.vertex_groups.new(name="Height")
    for vertex, height in enumerate(heights):
        group.add([vertex], float(height), "REPLACE")
    paint = mesh.color_attributes.new("Paint", "FLOAT_COLOR", "POINT")
    for vertex, height in enumerate(heights):
        paint.data[vertex].color = (height, 1 - height, 0.5, 1.0)
    layer = mesh.uv_layers.new(name="Map")
    for loop in mesh.loops:
        layer.data[loop.index].uv = (heights[loop.vertex_index], 1 - heights[loop.vertex_index])
    item.shape_key_add(name="Basis")
    for name in ("Shifted", "Stretched"):
        block = item.shape_key_add(name=name, from_mix=False)
        for point in block.data:
            point.co.x += 10 if name == "Shifted" else 0
            point.co.z *= 1 if name == "Shifted" else 2
    item.active_shape_key_index = key
    reduce_top(item)
    bpy.ops.object.mode_set(mode="OBJECT")
    blocks = mesh.shape_keys.key_blocks
    for vertex in mesh.vertices:
        height = vertex.co.z / 4
        assert vertex.groups[0].weight == pytest.approx(height, abs=1e-5)
        assert mesh.color_attributes["Paint"].data[vertex.index].color[0] == pytest.approx(height, abs=1e-5)
        basis, shifted, stretched = (np.array(block.data[vertex.index].co) for block in blocks)
        assert basis == pytest.approx(np.array(vertex.co), abs=1e-5)
        assert shifted == pytest.approx(basis + [10, 0, 0], abs=1e-5)
        assert stretched == pytest.approx(basis * [1, 1, 2], abs=1e-5)
    for loop in mesh.loops:
        assert mesh.uv_layers["Map"].data[loop.index].uv[0] == pytest.approx(mesh.vertices[loop.vertex_index].co.z / 4, abs=1e-5)


def test_a_texture_seam_stays_a_seam() -> None:
    """No face of a reduced tube runs back across its whole texture."""
    sides, rows = 12, 8
    item = put(*tube_arrays(sides, rows))
    layer = item.data.uv_layers.new(name="Map")
    for face in item.data.polygons:
        for place, loop in enumerate(face.loop_indices):
            layer.data[loop].uv = ((face.index % sides + (place in (1, 2))) / sides, (face.index // sides + (place in (2, 3))) / rows)
    reduce_top(item)
    bpy.ops.object.mode_set(mode="OBJECT")
    for face in item.data.polygons:
        across = [item.data.uv_layers["Map"].data[loop].uv[0] for loop in face.loop_indices]
        assert max(across) - min(across) < 2.5 / sides


def test_a_cut_edge_stays_marked() -> None:
    """The halves of a seam that an odd face is carried across are seams with the same crease."""
    bpy.ops.mesh.primitive_grid_add(x_subdivisions=6, y_subdivisions=1, size=2)
    item = bpy.context.object
    mesh = item.data
    edit(item, faces=[0, 5])
    bpy.ops.mesh.poke()
    bpy.ops.object.mode_set(mode="OBJECT")
    triangles = [face for face in mesh.polygons if len(face.vertices) == 3]
    drop = [face.index for face in triangles if face.center.x < -0.9 or face.center.x > 0.9]
    edit(item, faces=drop)
    bpy.ops.mesh.delete(type="FACE")
    bpy.ops.object.mode_set(mode="OBJECT")
    crease = mesh.attributes.new("crease_edge", "FLOAT", "EDGE")
    for edge in mesh.edges:
        edge.use_seam = True
        crease.data[edge.index].value = 0.75
    count = len(mesh.edges)
    edit(item)
    bpy.ops.ringwright.make_quads(carry=True, keep_marked=True)
    bpy.ops.object.mode_set(mode="OBJECT")
    assert {len(face.vertices) for face in mesh.polygons} == {4}
    assert len(mesh.edges) > count
    seams = [edge for edge in mesh.edges if edge.use_seam]
    assert len(seams) > count
    assert all(mesh.attributes["crease_edge"].data[edge.index].value == pytest.approx(0.75) for edge in seams)


def test_object_that_is_turned_and_stretched() -> None:
    plain, item = tube(), tube()
    item.matrix_world = MATRIX.T.tolist()
    bpy.context.view_layer.update()
    mesh = read_cage(item)
    adjacency = build_adjacency(mesh)
    loop = boundary_rings(mesh, adjacency).ring(1)
    expected = step_ring(mesh, adjacency, loop, 8).edit.mesh
    before = [tuple(vertex.co) for vertex in item.data.vertices]
    edit(item, loop)
    bpy.ops.ringwright.reduce_ring(count=8)
    bpy.ops.object.mode_set(mode="OBJECT")
    assert np.allclose(read_cage(item).positions, expected.positions, atol=1e-5)
    assert [tuple(vertex.co) for vertex in item.data.vertices][:60] == before[:60]
    assert len(plain.data.vertices) == len(before)


def test_vertex_order_holds_where_the_host_has_gaps() -> None:
    """Vertices that were deleted in the same edit session leave gaps that the host fills first."""
    positions, faces = tube_arrays(12, 8)
    item = put(np.concatenate([np.zeros((5, 3)), positions]), [[corner + 5 for corner in face] for face in faces])
    edit(item, vertices=range(5))
    bpy.ops.mesh.delete(type="VERT")
    host = bmesh.from_edit_mesh(item.data)
    for vertex in host.verts:
        vertex.select_set(vertex.co.z > 3.9)
    bpy.ops.ringwright.reduce_ring(count=8)
    bpy.ops.object.mode_set(mode="OBJECT")
    assert np.array_equal(read_mesh(item.data).positions[:60], positions[:60].astype(np.float32))


DEGENERATE: dict[str, tuple[Any, list[list[int]], tuple[tuple[int, int], ...]]] = {
    "no face": (np.zeros((3, 3)), [], ()),
    "loose edges": (np.eye(3), [], ((0, 1), (1, 2))),
    "one face": ([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]], ()),
    "isolated triangle": ([[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 1, 2]], ()),
    "book of three pages": (np.random.default_rng(1).random((8, 3)), [[0, 1, 2, 3], [1, 0, 4, 5], [0, 1, 6, 7]], ()),
    "duplicate faces": ([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3], [0, 1, 2, 3]], ()),
    "moebius strip": (np.random.default_rng(2).random((14, 3)),
                      [[at, at + 1, 8 + at, 7 + at] for at in range(6)] + [[6, 7, 0, 13]], ()),
    "not finite": ([[0, 0, 0], [1, 0, 0], [1, 1, float("nan")], [0, 1, 0]], [[0, 1, 2, 3]], ()),
}
CALLS: dict[str, dict[str, Any]] = {"reduce_ring": {"count": 6}, "splice_rings": {}, "make_quads": {"carry": True}, "fill_patch": {}}


def raw(item: bpy.types.Object) -> tuple[Any, ...]:
    mesh = item.data
    positions = np.empty(3 * len(mesh.vertices), dtype=np.float32)
    mesh.vertices.foreach_get("co", positions)
    return positions.tobytes(), [tuple(edge.vertices) for edge in mesh.edges], [tuple(face.vertices) for face in mesh.polygons]


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("name", DEGENERATE)
@pytest.mark.parametrize("selected", [False, True])
def test_degenerate_meshes_end_with_an_answer(name: str, call: str, selected: bool) -> None:
    item = put(*DEGENERATE[name][:2], DEGENERATE[name][2])
    before = raw(item)
    edit(item, vertices=range(len(item.data.vertices)) if selected else ())
    try:
        done = getattr(bpy.ops.ringwright, call)(**CALLS[call])
        refused = ""
    except RuntimeError as error:
        done, refused = {"CANCELLED"}, str(error)
    bpy.ops.object.mode_set(mode="OBJECT")
    assert "Traceback" not in refused
    if done == {"CANCELLED"}:
        assert raw(item) == before
    else:
        assert not item.data.validate(verbose=True)
        assert set(read_mesh(item.data).face_sizes.tolist()) <= {4}


def test_a_ring_that_cannot_be_reached_leaves_the_mesh_alone() -> None:
    item = tube(16, 1)
    before = raw(item)
    edit(item, range(16))
    with pytest.raises(RuntimeError, match=r"only 1 clean rows.*within reach: 14, 12, 10, 8, 6"):
        bpy.ops.ringwright.reduce_ring(count=4)
    with pytest.raises(RuntimeError, match="ask for 8 or 10"):
        bpy.ops.ringwright.reduce_ring(count=9)
    with pytest.raises(RuntimeError, match="There is no ring 7"):
        bpy.ops.ringwright.reduce_ring(count=8, ring=7)
    with pytest.raises(RuntimeError, match="no pair of rings"):
        bpy.ops.ringwright.splice_rings(pairs="0;1")
    bpy.ops.object.mode_set(mode="OBJECT")
    assert raw(item) == before


def test_where_nothing_can_be_done_nothing_is_claimed() -> None:
    item = put(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), [[0, 1, 2]])
    before = raw(item)
    edit(item)
    assert bpy.ops.ringwright.make_quads() == {"CANCELLED"}
    with pytest.raises(RuntimeError, match="cannot lose two; give the edges"):
        bpy.ops.ringwright.reduce_ring(ring=0)
    bpy.ops.object.mode_set(mode="OBJECT")
    assert raw(item) == before
    edit(put(np.zeros((0, 3)), []))
    with pytest.raises(RuntimeError, match="has no face"):
        bpy.ops.ringwright.make_quads()


def test_undo_restores_the_mesh_bit_for_bit() -> None:
    item = tube()
    dress(item)
    loop = rings_of(item)[2].ring(1)
    edit(item, loop)
    bpy.ops.object.mode_set(mode="OBJECT")
    before, order = carried(item), raw(item)
    bpy.context.preferences.edit.use_global_undo = True
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.ed.undo_push(message="before")
    bpy.ops.ringwright.reduce_ring(count=8)
    bpy.ops.ed.undo_push(message="reduced")
    assert bpy.ops.ed.undo() == {"FINISHED"}
    item = bpy.context.object
    bpy.ops.object.mode_set(mode="OBJECT")
    assert raw(item) == order
    assert carried(item) == before


def test_new_rows_lie_on_the_target() -> None:
    bpy.ops.mesh.primitive_cylinder_add(vertices=256, radius=1.2, depth=20, end_fill_type="NOTHING")
    target = bpy.context.object
    item = hand_and_arm()
    before = raw(item)
    bpy.context.scene.ringwright.target = target
    edit(item)
    bpy.ops.ringwright.splice_rings()
    bpy.ops.object.mode_set(mode="OBJECT")
    mesh = read_mesh(item.data)
    old = len(before[0]) // 12
    assert raw(item)[0][: len(before[0])] == before[0]
    assert np.linalg.norm(mesh.positions[old:, :2], axis=1) == pytest.approx(1.2, abs=2e-3)
