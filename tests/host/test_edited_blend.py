"""Commands that change a .blend file's mesh: what its object carries goes along."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest
from mathutils import Matrix

from ringwright.addon.borrowed import private_scene
from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh, read_mesh_file, write_mesh
from ringwright.addon.rigging import create_rig, follow_rig
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.skeleton import skeleton_of
from support.edited_host import put
from support.tubes import join, tube

MATRIX = np.array([[0.0, -1.0, 0.0, 3.0], [1.0, 0.0, 0.0, 0.5], [0.0, 0.0, 1.0, -1.0], [0.0, 0.0, 0.0, 1.0]])


def dressed() -> bpy.types.Object:
    """A hand over an arm with a map, a material, a group, a seam and two shape keys, turned and moved."""
    mesh, random = join(tube(10, 8), tube(16, 6, base=(0, 0, 6.5))), np.random.default_rng(3)
    item = put(mesh.positions, mesh.quads().tolist())
    item.name = "Arm"
    item.matrix_world = Matrix(MATRIX.tolist())
    host = item.data
    host.materials.append(bpy.data.materials.new("Skin"))
    host.uv_layers.new(name="Map").data.foreach_set("uv", random.random(2 * len(host.loops)).astype(np.float32))
    group = item.vertex_groups.new(name="bends")
    for vertex in range(mesh.vertex_count):
        group.add([vertex], float(random.random()), "REPLACE")
    host.edges[100].use_seam = True
    item.shape_key_add(name="Basis")
    fist = item.shape_key_add(name="Fist", from_mix=False)
    fist.data.foreach_set("co", (mesh.positions + random.normal(scale=0.1, size=mesh.positions.shape)).astype(np.float32).ravel())
    fist.value = 0.0
    item.active_shape_key_index = 1
    return item


def carried(item: bpy.types.Object) -> dict[str, dict[Any, Any]]:
    """What vertices, edges and faces carry, by the vertices' places."""
    mesh = item.data
    place = [tuple(np.round(vertex.co, 6)) for vertex in mesh.vertices]
    keys, corner_uvs = mesh.shape_keys.key_blocks, mesh.uv_layers[0].data
    return {
        "vertices": {place[vertex.index]: ([(each.group, each.weight) for each in vertex.groups],
                                           [tuple(np.round(key.data[vertex.index].co, 6)) for key in keys]) for vertex in mesh.vertices},
        "seams": {frozenset(place[end] for end in edge.vertices) for edge in mesh.edges if edge.use_seam},
        "faces": {tuple(place[vertex] for vertex in face.vertices):
                  (face.material_index, [tuple(corner_uvs[corner].uv) for corner in face.loop_indices]) for face in mesh.polygons},
    }


def written(item: bpy.types.Object, folder: Path) -> Path:
    path = folder / "arm.blend"
    bpy.data.libraries.write(str(path), {item.users_scene[0]})
    bpy.data.batch_remove([item, item.data, *item.data.materials])  # names that are taken would be numbered
    return path


@pytest.mark.parametrize("words", [["splice"], ["stepdown", "--ring", "0", "--to", "8"], ["stepdown", "--ring", "3", "--to", "20"],
                                   ["patch", "--loop", "0"]])
def test_what_the_object_carries_goes_along(words: list[str], tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    item = dressed()
    before = carried(item)
    source, out = written(item, tmp_path), tmp_path / "out.blend"
    assert main([words[0], str(source), *words[1:], "--out", str(out)]) == 0
    assert "bare mesh" not in capfd.readouterr().out
    with private_scene():
        with bpy.data.libraries.load(str(out)) as (inside, wanted):
            assert inside.objects == ["Arm"]
            wanted.objects = ["Arm"]
        (after_item,) = wanted.objects
        assert np.allclose(np.array(after_item.matrix_basis), MATRIX, atol=1e-6)
        assert [each.name for each in after_item.data.materials] == ["Skin"] and not after_item.data.materials[0].library
        assert after_item.active_shape_key.name == "Fist" and not after_item.data.validate(verbose=True)
        after = carried(after_item)
    kept = before["faces"].keys() & after["faces"].keys()
    assert len(kept) >= {"splice": 145, "stepdown": 100, "patch": 150}[words[0]] and len(after["faces"]) != len(before["faces"])
    assert all(before["faces"][face] == after["faces"][face] for face in kept)
    corners = {corner for face in kept for corner in face}
    assert all(before["vertices"][corner] == after["vertices"][corner] for corner in corners)
    assert {seam for seam in before["seams"] if seam <= corners} <= after["seams"]


@pytest.mark.parametrize("spoilt", ["modifier", "key", "second object"])
def test_where_the_mesh_seen_is_not_the_objects_own_the_bare_mesh_is_written(
        spoilt: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    item = dressed()
    if spoilt == "modifier":
        item.modifiers.new("Smooth", "SMOOTH").iterations = 3
    elif spoilt == "key":
        item.data.shape_keys.key_blocks["Fist"].value = 1.0
    else:
        item.users_scene[0].collection.objects.link(bpy.data.objects.new("Copy", item.data))
    source, out = written(item, tmp_path), tmp_path / "out.blend"
    before = read_mesh(source)
    assert main(["stepdown", str(source), "--ring", "0", "--to", "8", "--out", str(out)]) == 0
    assert "the bare mesh, since" in capfd.readouterr().out
    after = read_mesh(out)
    # Nothing that is seen may be lost for what is carried.
    kept = np.isclose(before.positions[:, None], after.positions[None], atol=1e-6).all(axis=2).any(axis=1)
    assert kept.mean() > 0.7


@pytest.mark.parametrize("words", [["splice"], ["stepdown", "--ring", "0", "--to", "8"], ["patch", "--loop", "0"]])
def test_an_obj_keeps_its_map(words: list[str], tmp_path: Path) -> None:
    """Corners of faces that stay keep their coordinates to the last digit; every new corner has some."""
    mesh, out = join(tube(10, 8), tube(16, 6, base=(0, 0, 6.5))), tmp_path / "out.obj"
    uvs = np.random.default_rng(3).random((len(mesh.corner_verts), 2)).astype(np.float32).astype(float)
    write_mesh(tmp_path / "arm.obj", mesh, uvs=uvs)
    assert main([words[0], str(tmp_path / "arm.obj"), *words[1:], "--out", str(out)]) == 0
    before, after = read_mesh_file(tmp_path / "arm.obj"), read_mesh_file(out)
    assert before.uvs is not None and np.array_equal(before.uvs, uvs) and after.uvs is not None
    faces = {tuple(map(tuple, before.mesh.positions[quad])): uv
             for quad, uv in zip(before.mesh.quads(), uvs.reshape(-1, 4, 2), strict=True)}
    found = [(faces.get(tuple(map(tuple, after.mesh.positions[quad]))), uv)
             for quad, uv in zip(after.mesh.quads(), after.uvs.reshape(-1, 4, 2), strict=True)]
    kept = [(own, uv) for own, uv in found if own is not None]
    assert len(kept) >= 100 and all(np.array_equal(own, uv) for own, uv in kept)
    assert len(found) != len(faces) and np.isfinite(after.uvs).all()


def test_settling_keeps_what_the_object_carries(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Without shape keys, which would not follow."""
    item = dressed()
    item.shape_key_clear()
    material, group = item.data.materials[0].name, item.vertex_groups[0].name
    source, out, target = written(item, tmp_path), tmp_path / "out.blend", tmp_path / "target.obj"
    rest = read_mesh(source)
    write_mesh(target, rest.with_positions(1.1 * (rest.positions - rest.positions.mean(axis=0)) + rest.positions.mean(axis=0)))
    assert main(["settle", str(source), "--target", str(target), "--out", str(out)]) == 0
    assert "bare mesh" not in capfd.readouterr().out
    with private_scene():
        with bpy.data.libraries.load(str(out)) as (_, wanted):
            wanted.objects = ["Arm"]
        (after,) = wanted.objects
        assert after.data.uv_layers[0].name == "Map" and after.data.materials[0].name.startswith(material)
        assert after.vertex_groups[0].name == group and after.data.edges[100].use_seam
        assert np.allclose(np.array(after.matrix_basis), MATRIX, atol=1e-6)
    assert np.abs(read_mesh(out).positions - rest.positions).max() > 0.01


@pytest.mark.parametrize(("words", "bent"), [(["splice"], False), (["splice"], True), (["patch", "--loop", "0"], False),
                                             (["symmetry", "--plane", "y"], False)])
def test_a_rig_goes_along_while_it_is_at_rest(words: list[str], bent: bool, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    item = dressed()
    item.shape_key_clear()
    item.name = "Rigged"
    rig = create_rig(item.users_scene[0], skeleton_of(LimbPlan((Limb("arm", np.array([[3.0, 0.5, -1], [3, 0.5, 6], [3, 0.5, 11]])),))))
    for bone in rig.data.bones:
        item.vertex_groups.new(name=bone.name).add(list(range(len(item.data.vertices))), 0.5, "REPLACE")
    follow_rig(item, rig)
    if bent:
        rig.pose.bones[1].rotation_mode = "XYZ"
        rig.pose.bones[1].rotation_euler = (1.0, 0, 0)
    source, out = tmp_path / "arm.blend", tmp_path / "out.blend"
    bpy.context.view_layer.update()
    bpy.data.libraries.write(str(source), {item.users_scene[0]})
    bpy.data.batch_remove([item, item.data, rig, rig.data, *item.data.materials])
    assert main([words[0], str(source), *words[1:], "--out", str(out)]) == 0
    assert ("bare mesh" in capfd.readouterr().out) == bent
    with private_scene():
        with bpy.data.libraries.load(str(out)) as (inside, wanted):
            wanted.objects = inside.objects
        kinds = {each.type for each in wanted.objects}
        assert kinds == ({"MESH"} if bent else {"MESH", "ARMATURE"})
        if not bent:
            (mesh,) = (each for each in wanted.objects if each.type == "MESH")
            assert mesh.modifiers[0].object.type == "ARMATURE" and "arm.1" in mesh.vertex_groups
