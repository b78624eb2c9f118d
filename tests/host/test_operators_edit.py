"""Operators on the selection: the same result as the core call, and all that is untouched stays what it was."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np
import pytest

from ringwright.addon.cage_object import read_cage
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.ring_reduction import step_ring
from ringwright.core.ring_splice import splice_rings
from ringwright.core.rings import boundary_rings
from support.tubes import join, tube

pytestmark = pytest.mark.usefixtures("extension")


def place(mesh: PolyMesh, name: str = "Mesh") -> bpy.types.Object:
    item = bpy.data.objects.new(name, create_mesh(name, mesh))
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    item.select_set(True)
    return item


def dressed(mesh: PolyMesh) -> bpy.types.Object:
    """A mesh with everything on it that an artist would miss."""
    item = place(mesh)
    data = item.data
    for name in ("skin", "nail"):
        data.materials.append(bpy.data.materials.new(name))
    for polygon in data.polygons:
        polygon.material_index = polygon.index % 2
        polygon.use_smooth = True
    layer = data.uv_layers.new(name="map")
    for loop in data.loops:
        layer.data[loop.index].uv = data.vertices[loop.vertex_index].co.xz
    group = item.vertex_groups.new(name="bone")
    for vertex in data.vertices:
        group.add([vertex.index], (vertex.index % 7) / 7, "REPLACE")
    item.shape_key_add(name="Basis")
    key = item.shape_key_add(name="Up")
    for vertex in data.vertices:
        key.data[vertex.index].co = vertex.co + vertex.normal
    for edge in data.edges:
        edge.use_seam = edge.index % 5 == 0
        edge.use_edge_sharp = edge.index % 7 == 0
    return item


def edit(item: bpy.types.Object, vertices: np.ndarray | list[int]) -> None:
    """Enter edit mode with these vertices selected."""
    bpy.ops.object.mode_set(mode="EDIT")
    host = bmesh.from_edit_mesh(item.data)
    host.select_mode = {"VERT"}
    bpy.context.tool_settings.mesh_select_mode = (True, False, False)
    chosen = {int(vertex) for vertex in vertices}
    for vertex in host.verts:
        vertex.select = vertex.index in chosen
    host.select_flush_mode()
    bmesh.update_edit_mesh(item.data)


def leave(item: bpy.types.Object) -> PolyMesh:
    bpy.ops.object.mode_set(mode="OBJECT")
    return read_cage(item)


def notes(item: bpy.types.Object, faces: set[frozenset[int]]) -> dict[object, object]:
    """What faces, their corners, edges and vertices carry, by vertices; for faces over these vertices only."""
    data, found = item.data, {}
    for polygon in data.polygons:
        key = frozenset(polygon.vertices)
        if key in faces:
            uvs = {data.loops[loop].vertex_index: tuple(data.uv_layers[0].data[loop].uv) for loop in polygon.loop_indices}
            found[key] = (polygon.material_index, polygon.use_smooth, tuple(sorted(uvs.items())))
    inside = {vertex for face in faces for vertex in face}
    for edge in data.edges:
        if any(set(edge.vertices) <= face for face in faces):
            found[frozenset(edge.vertices)] = (edge.use_seam, edge.use_edge_sharp)
    for vertex in data.vertices:
        if vertex.index in inside:
            groups = tuple((each.group, each.weight) for each in vertex.groups)
            found[vertex.index] = (tuple(vertex.co), groups, tuple(data.shape_keys.key_blocks["Up"].data[vertex.index].co))
    return found


def faces_of(mesh: PolyMesh) -> set[frozenset[int]]:
    return {frozenset(mesh.face(index).tolist()) for index in range(mesh.face_count)}


def test_reduce_equals_the_core_and_leaves_the_rest() -> None:
    item = dressed(tube(14, 9))
    before = read_cage(item)
    adjacency = build_adjacency(before)
    ring = boundary_rings(before, adjacency).ring(0)
    wanted = step_ring(before, adjacency, ring, 10).edit
    kept = {frozenset(wanted.mesh.face(int(index)).tolist()) for index in np.flatnonzero(wanted.kept_faces)}
    old = {frozenset(before.face(int(index)).tolist()) for index in wanted.face_sources[wanted.kept_faces]}
    was = notes(item, old)
    edit(item, ring)
    assert bpy.ops.ringwright.reduce_ring(count=10) == {"FINISHED"}
    after = leave(item)
    assert np.allclose(after.positions, wanted.mesh.positions, atol=1e-5)
    assert after.corner_verts.tolist() == wanted.mesh.corner_verts.tolist()
    now = notes(item, kept)
    number = wanted.new_vertex_of
    renamed = {_renamed(key, number): _renamed_note(value, number) for key, value in was.items()}
    moved = {int(vertex) for vertex in np.flatnonzero(wanted.vertex_weights.max(axis=1) < 1)}
    for key, note in renamed.items():
        if not (isinstance(key, int) and key in moved):
            assert _close(now[key], note), key


def _renamed(key: object, number: np.ndarray) -> object:
    return int(number[key]) if isinstance(key, int) else frozenset(int(number[vertex]) for vertex in key)  # type: ignore[attr-defined]


def _renamed_note(note: tuple, number: np.ndarray) -> tuple:
    if len(note) == 3 and isinstance(note[2], tuple) and note[2] and isinstance(note[2][0], tuple):
        return (*note[:2], tuple(sorted((int(number[vertex]), uv) for vertex, uv in note[2])))
    return note


def _close(first: object, second: object) -> bool:
    if isinstance(first, tuple) and isinstance(second, tuple):
        return len(first) == len(second) and all(_close(a, b) for a, b in zip(first, second, strict=True))
    return first == pytest.approx(second, abs=1e-6)


def test_new_faces_carry_what_their_neighbours_carry() -> None:
    item = dressed(tube(12, 4))
    edit(item, range(12))
    assert bpy.ops.ringwright.fill_patch() == {"FINISHED"}
    leave(item)
    data = item.data
    new = [polygon for polygon in data.polygons if polygon.index >= 36]
    assert new and all(polygon.use_smooth for polygon in new)
    assert any(any(data.uv_layers[0].data[loop].uv) for polygon in new for loop in polygon.loop_indices)
    assert all(vertex.groups for vertex in data.vertices if vertex.index >= 48)


def test_splice_equals_the_core() -> None:
    mesh = join(tube(14, 4), tube(10, 4, base=(0, 0, 4.0)))
    adjacency = build_adjacency(mesh)
    rings = boundary_rings(mesh, adjacency)
    wanted = splice_rings(mesh, adjacency, rings, [(1, 2)]).edit.mesh
    item = place(mesh)
    edit(item, np.concatenate([rings.ring(1), rings.ring(2)]))
    assert bpy.ops.ringwright.splice_rings() == {"FINISHED"}
    after = leave(item)
    assert after.corner_verts.tolist() == wanted.corner_verts.tolist()
    assert np.allclose(after.positions, wanted.positions, atol=1e-5)


def test_an_edit_works_in_the_world_of_a_scaled_and_turned_object() -> None:
    item = place(tube(14, 9))
    item.scale, item.rotation_euler, item.location = (2, 3, 0.5), (0.4, 0.2, 1.0), (5, 0, 1)
    bpy.context.view_layer.update()
    before = read_cage(item)
    wanted = step_ring(before, build_adjacency(before), boundary_rings(before, build_adjacency(before)).ring(0), 12).edit.mesh
    edit(item, range(14))
    assert bpy.ops.ringwright.reduce_ring(count=12) == {"FINISHED"}
    assert np.allclose(leave(item).positions, wanted.positions, atol=1e-4)


def test_make_quads_keeps_seams() -> None:
    item = place(PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]]))
    next(edge for edge in item.data.edges if set(edge.vertices) == {0, 2}).use_seam = True
    edit(item, range(4))
    bpy.ops.ringwright.make_quads()
    assert leave(item).face_count == 2
    edit(item, range(4))
    assert bpy.ops.ringwright.make_quads(keep_marked=False) == {"FINISHED"}
    assert leave(item).face_sizes.tolist() == [4]


def test_refusals_name_what_to_do() -> None:
    item = place(tube(14, 9))
    edit(item, range(14))
    with pytest.raises(RuntimeError, match="ask for 10 or 12"):
        bpy.ops.ringwright.reduce_ring(count=11)
    with pytest.raises(RuntimeError, match="select two rings"):
        bpy.ops.ringwright.splice_rings()
    assert leave(item).face_count == 14 * 8


def test_settle_leaves_what_is_not_selected() -> None:
    bpy.context.scene.ringwright.target = place(tube(64, 80, spacing=0.08), "Target")
    mesh = tube(16, 12)
    item = place(mesh.with_positions(mesh.positions * [1.1, 1.1, 1.0]), "Cage")
    edit(item, range(16 * 3, 16 * 9))
    assert bpy.ops.ringwright.settle(soft_edge=0) == {"FINISHED"}
    after = leave(item)
    radii = np.linalg.norm(after.positions[:, :2], axis=1)
    assert np.allclose(radii[: 16 * 3], 1.1, atol=1e-6) and np.allclose(radii[16 * 9 :], 1.1, atol=1e-6)
    assert np.abs(radii[16 * 4 : 16 * 8] - 1).max() < 0.01


def test_settle_keeps_seams_and_a_mirror_plane() -> None:
    bpy.context.scene.ringwright.target = place(tube(64, 80, spacing=0.08), "Target")
    mesh = tube(16, 12)
    noise = np.random.default_rng(1).normal(0, 0.02, mesh.positions.shape) * [1, 0, 1]
    rough = mesh.with_positions(mesh.positions * [1.1, 1.0, 1.0] + noise)
    item = place(rough, "Cage")
    item.data.edges.foreach_set("use_seam", [min(edge.vertices) // 16 == max(edge.vertices) // 16 == 5 for edge in item.data.edges])
    edit(item, [])
    assert bpy.ops.ringwright.settle(pin_seams=True, plane="Y", spacing="EVEN") == {"FINISHED"}
    after = leave(item)
    seam, on_plane = slice(16 * 5, 16 * 6), np.abs(rough.positions[:, 1]) < 1e-9
    assert np.array_equal(after.positions[seam], rough.positions[seam].astype(np.float32))
    assert np.count_nonzero(on_plane) == 24 and np.abs(after.positions[on_plane, 1]).max() < 1e-6
    assert np.abs(np.linalg.norm(after.positions[16 * 7 : 16 * 10, :2], axis=1) - 1).max() < 0.01


def test_count_rings_tells_the_mismatch_and_shows_it() -> None:
    item = place(join(tube(18, 4), tube(12, 4, base=(0, 0, 3.0))))
    assert bpy.ops.ringwright.count_rings() == {"FINISHED"}
    rows = bpy.context.scene.ringwright.rings
    assert rows[0].mismatch and "18" in rows[0].sentence and "12" in rows[0].sentence
    assert [row.mismatch for row in rows] == [True, False, False]
    assert bpy.ops.ringwright.show_ring(index=0) == {"FINISHED"}
    host = bmesh.from_edit_mesh(item.data)
    assert sum(vertex.select for vertex in host.verts) == 30
    leave(item)


def test_limbs_come_from_bones_empties_curves_and_vertices() -> None:
    scene = bpy.context.scene
    bpy.ops.object.armature_add(location=(1, 0, 0))
    assert bpy.ops.ringwright.limbs_from_bones(sides=6) == {"FINISHED"}
    for z in (0, 1, 2):
        bpy.ops.object.empty_add(location=(0, 0, z))
    for each in bpy.data.objects:
        each.select_set(each.type == "EMPTY")
    assert bpy.ops.ringwright.limb_from_empties(limb_name="row") == {"FINISHED"}
    bpy.ops.curve.primitive_bezier_curve_add()
    assert bpy.ops.ringwright.limb_from_curve(limb_name="bow") == {"FINISHED"}
    item = place(PolyMesh.from_quads([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]]))
    edit(item, [0, 1])
    assert bpy.ops.ringwright.limb_from_vertices(limb_name="edge") == {"FINISHED"}
    leave(item)
    rows = scene.ringwright.limbs
    assert [row.key for row in rows] == ["Bone", "row", "bow", "edge"]
    assert rows[0].sides == 6


def test_values_in_the_list_change_the_plan() -> None:
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (0, 0, z)} for z in (0, 1, 3)], limb_name="leg")
    settings = bpy.context.scene.ringwright
    row = settings.limbs[0]
    row.sides, row.spans, row.joint_loops, row.closed, row.label = 7, 3, 1, True, "shin"
    row = settings.limbs[0]
    assert (row.key, row.sides, row.spans, row.joint_loops, row.closed) == ("shin", 8, 3, 1, True)
    settings.mirror, settings.quad_budget, settings.unit = "X", 900, "cm"
    text = bpy.context.scene["ringwright_plan"]
    assert 'plane = "x"' in text and "quads = 900" in text and 'unit = "cm"' in text
    row.label = ""
    assert settings.notice and settings.limbs[0].key == "shin"


def test_plan_files_go_out_and_come_back(tmp_path: object) -> None:
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (0, 0, z)} for z in (0, 1, 3)], limb_name="leg")
    text = bpy.context.scene["ringwright_plan"]
    path = f"{tmp_path}/limbs.toml"
    assert bpy.ops.ringwright.save_plan(filepath=path) == {"FINISHED"}
    bpy.ops.ringwright.clear_plan()
    assert len(bpy.context.scene.ringwright.limbs) == 0
    assert bpy.ops.ringwright.load_plan(filepath=path) == {"FINISHED"}
    assert bpy.context.scene["ringwright_plan"] == text
    with pytest.raises(RuntimeError, match="cannot be read"):
        bpy.ops.ringwright.load_plan(filepath=f"{tmp_path}/none.toml")


def test_a_cage_is_built_and_keeps_the_plan(nothing_but_target: bpy.types.Object) -> None:
    joints = [{"name": "", "position": (0, 0, z)} for z in (0.2, 2.0, 3.8)]
    bpy.ops.ringwright.add_limb(joints=joints, limb_name="leg", sides=8)
    assert bpy.ops.ringwright.build_cage() == {"FINISHED"}
    settings = bpy.context.scene.ringwright
    cage = settings.cage
    assert cage["ringwright_plan"] and "ringwright_plan" not in bpy.context.scene
    assert {len(polygon.vertices) for polygon in cage.data.polygons} == {4}
    assert settings.limbs[0].key == "leg" and bpy.context.object == cage
    cage.data.materials.append(bpy.data.materials.new("skin"))
    cage.location = (1, 2, 3)
    bpy.context.view_layer.update()
    settings.limbs[0].sides = 12
    assert bpy.ops.ringwright.build_cage() == {"FINISHED"}
    assert settings.cage == cage and cage.data.materials[0].name == "skin"
    assert np.abs(np.linalg.norm(read_cage(cage).positions[:, :2], axis=1) - 1).max() < 0.02


@pytest.fixture
def nothing_but_target(empty_file: None) -> bpy.types.Object:
    target = place(tube(64, 41, spacing=0.1), "Target")
    bpy.context.scene.ringwright.target = target
    return target
