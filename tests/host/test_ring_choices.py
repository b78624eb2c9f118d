"""What an artist may ask of splices and step-downs: rows, hidden side, areas to keep clear of; marks and normals are kept."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh as read_mesh_file
from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import BoolArray, FloatArray, PolyMesh
from ringwright.core.rings import boundary_rings
from support.edited_host import edit, put, result
from support.tubes import join, tube

pytestmark = pytest.mark.usefixtures("extension")


def hand_and_arm() -> PolyMesh:
    return join(tube(10, 6), tube(20, 6, base=(0, 0, 5.0), radius=1.1))


def host_object(mesh: PolyMesh) -> bpy.types.Object:
    return put(mesh.positions, mesh.quads().tolist())


def poles(mesh: PolyMesh) -> FloatArray:
    adjacency = build_adjacency(mesh)
    inner: BoolArray = ~adjacency.boundary_vertex & (adjacency.valence != 4)
    return mesh.positions[inner]


def with_group(item: bpy.types.Object, side: float) -> None:
    """A vertex group of all vertices at positive or negative x."""
    group = item.vertex_groups.new(name="bends")
    group.add([vertex.index for vertex in item.data.vertices if side * vertex.co.x > 0.05], 1.0, "REPLACE")


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize("call", ["splice_rings", "reduce_ring"])
def test_step_downs_keep_clear_of_a_vertex_group(call: str, side: float) -> None:
    item = host_object(hand_and_arm() if call == "splice_rings" else tube(16, 8))
    with_group(item, side)
    edit(item)
    choices = {} if call == "splice_rings" else {"ring": 1, "count": 12}
    assert getattr(bpy.ops.ringwright, call)(keep_clear="bends", rows=6, **choices) == {"FINISHED"}
    found = poles(result(item))
    # Five step-downs of twenty edges do not all fit on one half; most of them must lie there.
    assert len(found) == (10 if call == "splice_rings" else 4)
    assert np.mean(side * found[:, 0] < 0.1) >= (0.7 if call == "splice_rings" else 1.0)


def test_step_downs_keep_clear_of_joint_rings_of_the_plan() -> None:
    mesh = tube(16, 12)
    places = []
    for marked in (True, False):
        item = host_object(mesh)
        layer = item.data.attributes.new("joint_ring", "BOOLEAN", "POINT")
        layer.data.foreach_set("value", (np.arange(mesh.vertex_count) // 16 >= 5) & (mesh.positions[:, 0] > 0.1))
        edit(item)
        assert bpy.ops.ringwright.reduce_ring(ring=1, count=12, rows=5, use_joints=marked) == {"FINISHED"}
        places.append(poles(result(item))[:, 0].max())
    assert places[0] < 0.15 < places[1]


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize("call", ["splice_rings", "reduce_ring"])
def test_step_downs_keep_clear_of_what_is_selected_beside_the_rings(call: str, side: float) -> None:
    mesh = join(tube(16, 6), tube(20, 6, base=(0, 0, 4.0))) if call == "splice_rings" else tube(16, 8)
    rings = boundary_rings(mesh, build_adjacency(mesh))
    numbers = [1, 2] if call == "splice_rings" else [1]
    chosen = np.concatenate([rings.ring(number) for number in numbers])
    beside = np.setdiff1d(np.flatnonzero(side * mesh.positions[:, 0] > 0.05), np.concatenate([rings.ring(0), rings.ring(rings.count - 1)]))
    choices = {} if call == "splice_rings" else {"count": 12}
    spread = []
    for kept in (True, False):
        edit(host_object(mesh), np.union1d(chosen, beside))
        assert getattr(bpy.ops.ringwright, call)(use_selection=kept, rows=6, **choices) == {"FINISHED"}
        found = poles(result(bpy.context.edit_object))
        assert len(found) == 4
        spread.append((side * found[:, 0]).max())
    # Off, the step-downs lie evenly round the ring, so that some are on the selected side.
    assert spread[0] < 0.15 < spread[1]


def test_one_odd_pair_keeps_no_other_open() -> None:
    odd = join(tube(9, 4, base=(6, 0, 0)), tube(12, 4, base=(6, 0, 4.0)))
    mesh = join(tube(10, 4), tube(16, 4, base=(0, 0, 4.0)), odd)
    edit(host_object(mesh))
    assert bpy.ops.ringwright.splice_rings() == {"FINISHED"}
    joined = result(bpy.context.edit_object)
    assert boundary_rings(joined, build_adjacency(joined)).count == 6
    edit(host_object(odd))
    with pytest.raises(RuntimeError, match="make the smaller one 10 or 8"):
        bpy.ops.ringwright.splice_rings()


def test_an_unknown_group_is_refused() -> None:
    item = host_object(tube(16, 8))
    edit(item)
    with pytest.raises(RuntimeError, match='no vertex group "nowhere"'):
        bpy.ops.ringwright.reduce_ring(ring=1, count=12, keep_clear="nowhere")


@pytest.mark.parametrize("both", [False, True])
def test_rows_between_rings_bear_a_mark_only_where_both_do(both: bool) -> None:
    mesh = hand_and_arm()
    item = host_object(mesh)
    rings = boundary_rings(mesh, build_adjacency(mesh))
    marked = np.zeros(mesh.vertex_count, dtype=np.bool_)
    marked[rings.ring(1)] = True
    marked[rings.ring(2)] = both
    item.data.attributes.new("joint_ring", "BOOLEAN", "POINT").data.foreach_set("value", marked)
    edit(item)
    assert bpy.ops.ringwright.splice_rings() == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    after = np.zeros(len(item.data.vertices), dtype=np.bool_)
    item.data.attributes["joint_ring"].data.foreach_get("value", after)
    assert np.array_equal(after[: mesh.vertex_count], marked)
    assert after[mesh.vertex_count :].all() == both and after[mesh.vertex_count :].any() == both


@pytest.mark.parametrize("call", ["splice_rings", "reduce_ring"])
def test_custom_normals_of_untouched_elements_stay(call: str) -> None:
    mesh = hand_and_arm()
    item = host_object(mesh)
    item.data.polygons.foreach_set("use_smooth", np.ones(len(item.data.polygons), dtype=bool))
    random = np.random.default_rng(3)
    own = np.array([list(corner.vector) for corner in item.data.corner_normals]) + random.normal(scale=0.2, size=(len(item.data.loops), 3))
    item.data.normals_split_custom_set((own / np.linalg.norm(own, axis=1, keepdims=True)).tolist())
    before = corner_normals(item)
    edit(item)
    assert getattr(bpy.ops.ringwright, call)(**({} if call == "splice_rings" else {"ring": 3, "count": 14, "rows": 3})) == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    after = corner_normals(item)
    changed = {corner for face in set(after) ^ set(before) for corner in face}
    untouched = [(face, place) for face in set(before) & set(after) for place, corner in enumerate(face) if corner not in changed]
    assert item.data.has_custom_normals and len(untouched) > 300
    assert max(np.abs(before[face][place] - after[face][place]).max() for face, place in untouched) < 1e-6


def corner_normals(item: bpy.types.Object) -> dict[tuple[tuple[float, ...], ...], FloatArray]:
    """Normals of every face's corners, by the places of the face's vertices."""
    place = [tuple(vertex.co) for vertex in item.data.vertices]
    return {tuple(place[vertex] for vertex in face.vertices): np.array([list(item.data.corner_normals[corner].vector)
                                                                       for corner in face.loop_indices]) for face in item.data.polygons}


def test_every_choice_has_a_range_and_a_tooltip() -> None:
    for name in ("reduce_ring", "splice_rings"):
        properties = getattr(bpy.ops.ringwright, name).get_rna_type().properties
        for choice in ("rows", "hidden", "keep_clear", "use_selection", "use_joints", "pole_distance", "use_target"):
            assert len(properties[choice].description) > 20
        assert properties["rows"].hard_max == 64 and properties["pole_distance"].hard_max == 16


@pytest.fixture
def file(tmp_path: Path) -> Path:
    bpy.data.batch_remove(list(bpy.data.objects))
    item = host_object(hand_and_arm())
    with_group(item, 1.0)
    path = tmp_path / "arm.blend"
    bpy.data.libraries.write(str(path), {item.users_scene[0]})
    return path


def test_the_commands_take_every_choice(file: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "joined.blend"
    choices = ["--rows", "7", "--hidden", "left", "--keep-clear", "bends", "--pole-distance", "3"]
    assert main(["splice", str(file), *choices, "--out", str(out)]) == 0
    assert "7 rows, 5 step-downs" in capfd.readouterr().out
    found = poles(read_mesh_file(out))
    assert len(found) == 10 and np.mean(found[:, 0] < 0.1) >= 0.7
    stepped = tmp_path / "stepped.obj"
    assert main(["stepdown", str(file), "--ring", "3", "--to", "16", "--rows", "4", "--hidden=-1,0,0", "--keep-clear", "bends",
                 "--out", str(stepped)]) == 0
    assert poles(read_mesh_file(stepped))[:, 0].max() < 0.1


@pytest.mark.parametrize(("words", "told"), [(["--rows", "0"], "--rows must be 1 to 64"),
                                             (["--pole-distance", "-1"], "--pole-distance must be"),
                                             (["--keep-clear", "elbow"], 'vertex group "elbow"; there are bends'),
                                             (["--hidden", "up there"], "is no side")])
def test_wrong_choices_are_refused(words: list[str], told: str, file: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out.obj"
    assert main(["splice", str(file), *words, "--out", str(out)]) == 2
    assert told in capfd.readouterr().err and not out.exists()


