"""Every file kind there and back, and every kind of bad file refused in one sentence."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import bpy
import numpy as np
import pytest

from ringwright.addon import files
from ringwright.addon.files import parse_source, read_mesh, read_mesh_file, read_plan_text, write_mesh
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.core.errors import FileError
from ringwright.core.polymesh import PolyMesh

pytestmark = pytest.mark.usefixtures("nothing_left_behind")

QUAD_KINDS = (".blend", ".obj", ".ply", ".fbx")
TRIANGLE_KINDS = (".stl", ".glb", ".gltf")  # what these formats hold


def open_box() -> PolyMesh:
    """A box without its front, away from the origin, no two sides alike; one vertex has no face's neighbour in order."""
    positions = [[0, 0, 0], [1, 0, 0], [1, 2, 0], [0, 2, 0], [0, 0, 3], [1, 0, 3], [1, 2, 3], [0, 2, 3]]
    faces = [[0, 3, 2, 1], [4, 5, 6, 7], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7]]
    return PolyMesh.from_faces(np.array(positions) * 0.731 + [0.1, -0.2, 5.3], faces)


def face_cycles(mesh: PolyMesh) -> set[tuple[tuple[float, ...], ...]]:
    """Every face as its corner positions, rounded, begun at the least one: equal for equal meshes in any order."""
    cycles = set()
    for index in range(mesh.face_count):
        corners = [tuple(np.round(mesh.positions[vertex], 5).tolist()) for vertex in mesh.face(index)]
        start = corners.index(min(corners))
        cycles.add(tuple(corners[start:] + corners[:start]))
    return cycles


@pytest.mark.parametrize("suffix", QUAD_KINDS)
@pytest.mark.parametrize("scale", [1.0, 1e-3, 1e3])
def test_round_trip_moves_nothing(suffix: str, scale: float, tmp_path: Path) -> None:
    mesh = open_box()
    mesh = mesh.with_positions(mesh.positions * scale)
    path = tmp_path / f"cage{suffix}"
    write_mesh(path, mesh)
    found = read_mesh(path)
    # single precision; .fbx turns the axes and back
    np.testing.assert_allclose(found.positions, mesh.positions, rtol=0, atol=1.2e-7 * np.abs(mesh.positions).max())
    np.testing.assert_array_equal(found.corner_verts, mesh.corner_verts)
    np.testing.assert_array_equal(found.face_offsets, mesh.face_offsets)
    assert os.listdir(tmp_path) == [path.name]


@pytest.mark.parametrize("suffix", TRIANGLE_KINDS)
def test_round_trip_of_triangle_kinds_moves_nothing(suffix: str, tmp_path: Path) -> None:
    mesh = open_box()
    triangles = PolyMesh.from_quads(mesh.positions, mesh.triangles())
    path = tmp_path / f"cage{suffix}"
    write_mesh(path, triangles)
    found = read_mesh(path)
    assert found.vertex_count == 8
    assert face_cycles(found) == face_cycles(triangles)
    write_mesh(path, mesh)
    found = read_mesh(path)
    assert found.vertex_count == 8
    assert set(found.face_sizes.tolist()) == {3}


def test_glb_with_a_normal_for_every_face_comes_back_in_one_piece(tmp_path: Path) -> None:
    path = tmp_path / "flat.glb"
    mesh = create_mesh("flat", open_box())
    mesh.shade_flat()
    item = bpy.data.objects.new("flat", mesh)
    bpy.context.scene.collection.objects.link(item)
    bpy.ops.export_scene.gltf(filepath=str(path))
    bpy.data.batch_remove([item, mesh])
    found = read_mesh(path)
    assert (found.vertex_count, found.face_count) == (8, 10)
    assert face_cycles(found) == face_cycles(PolyMesh.from_quads(open_box().positions, open_box().triangles()))


def test_stl_and_ply_text_of_other_programs(tmp_path: Path) -> None:
    stl, ply = tmp_path / "one.stl", tmp_path / "one.ply"
    stl.write_text("solid a\nfacet normal 0 0 1\nouter loop\nvertex 1 2 3\nvertex 4 2 3\nvertex 4 9 3\nendloop\nendfacet\nendsolid a\n")
    ply.write_text("ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\n"
                   "property list uchar int vertex_indices\nend_header\n1 2 3\n4 2 3\n4 9 3\n3 0 1 2\n")
    for path in (stl, ply):
        np.testing.assert_allclose(read_mesh(path).positions, [[1, 2, 3], [4, 2, 3], [4, 9, 3]])


def test_obj_groups_share_their_vertices(tmp_path: Path) -> None:
    path = tmp_path / "two.obj"
    path.write_text("o a\nv 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 4\no b\nv 2 0 0\nv 2 1 0\nf 2 5 6 3\n")
    assert read_mesh(path).vertex_count == 6
    assert read_mesh(f"{path}:b").face_count == 1


def test_blend_keeps_attributes_name_and_plan(tmp_path: Path) -> None:
    mesh = open_box()
    limb, weight = np.arange(mesh.vertex_count, dtype=np.int32), np.linspace(0, 1, mesh.face_count, dtype=np.float32)
    named = mesh.with_attributes(vertex__limb=limb, face__weight=weight)
    path = tmp_path / "cage.blend"
    write_mesh(path, named, name="Forelimb", plan_text="schema = 1\n")
    found = read_mesh(f"{path}:Forelimb")
    np.testing.assert_array_equal(found.attributes["vertex.limb"], limb)
    np.testing.assert_allclose(found.attributes["face.weight"], weight)
    assert set(found.attributes) == {"vertex.limb", "face.weight"}
    assert read_plan_text(path) == "schema = 1\n"


def test_blend_is_read_as_it_is_seen(tmp_path: Path) -> None:
    """Modifiers and parents applied, world coordinates, hidden objects only by name, several objects joined."""
    path = tmp_path / "scene.blend"
    scene = bpy.context.scene
    made = []
    for name in ("left", "right", "hidden"):
        item = bpy.data.objects.new(name, create_mesh(name, open_box()))
        scene.collection.objects.link(item)
        made.append(item)
    left, right, hidden = made
    right.parent = left
    left.location, right.location = (10.0, 0.0, 0.0), (0.0, 20.0, 0.0)
    left.modifiers.new("Array", "ARRAY").count = 2
    hidden.hide_viewport = True
    bpy.ops.wm.save_as_mainfile(filepath=str(path), copy=True)
    bpy.data.batch_remove([*made, *(item.data for item in made)])
    joined = read_mesh(path)
    assert joined.face_count == 15
    low = open_box().positions.min(axis=0)
    np.testing.assert_allclose(joined.positions.min(axis=0), low + [10, 0, 0], atol=1e-5)
    np.testing.assert_allclose(read_mesh(f"{path}:right").positions.min(axis=0), low + [10, 20, 0], atol=1e-5)
    np.testing.assert_allclose(read_mesh(f"{path}:hidden").positions.min(axis=0), low, atol=1e-5)
    with pytest.raises(FileError, match=r"no mesh object named 'none'.*hidden, left, right"):
        read_mesh(f"{path}:none")


def test_source_names() -> None:
    assert parse_source("a/b.blend:Arm:left") == (Path("a/b.blend"), "Arm:left")
    assert parse_source("a/b.obj") == (Path("a/b.obj"), None)
    assert parse_source("C:/b.PLY:x") == (Path("C:/b.PLY"), "x")
    assert parse_source("C:/b.PLY") == (Path("C:/b.PLY"), None)


@pytest.mark.parametrize("suffix", [".blend", ".obj", ".ply", ".stl", ".glb", ".gltf", ".fbx"])
class TestBadFiles:
    def test_missing(self, suffix: str, tmp_path: Path) -> None:
        with pytest.raises(FileError, match=r"none.* cannot be read: no such file"):
            read_mesh(tmp_path / f"none{suffix}")

    def test_empty(self, suffix: str, tmp_path: Path) -> None:
        path = tmp_path / f"empty{suffix}"
        path.touch()
        with pytest.raises(FileError, match="is empty"):
            read_mesh(path)

    def test_folder(self, suffix: str, tmp_path: Path) -> None:
        path = tmp_path / f"folder{suffix}"
        path.mkdir()
        with pytest.raises(FileError, match="cannot be read: is a directory"):
            read_mesh(path)
        with pytest.raises(FileError, match="is a folder"):
            write_mesh(path, open_box())

    @pytest.mark.parametrize("content", [b"\x00" * 500, b"not a mesh at all\n" * 20, bytes(range(256)) * 8])
    def test_rubbish(self, suffix: str, content: bytes, tmp_path: Path) -> None:
        path = tmp_path / f"rubbish{suffix}"
        path.write_bytes(content)
        with pytest.raises(FileError):
            read_mesh(path)
        assert path.read_bytes() == content

    def test_no_faces(self, suffix: str, tmp_path: Path) -> None:
        path = tmp_path / f"points{suffix}"
        write_mesh(path, PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0]], []))
        with pytest.raises(FileError):
            read_mesh(path)

    @pytest.mark.parametrize("part", [0.2, 0.5, 0.9])
    def test_cut_off(self, suffix: str, part: float, tmp_path: Path) -> None:
        """A file that ends too early is refused; a text file may end between two faces, then it is a smaller whole."""
        path = tmp_path / f"cut{suffix}"
        write_mesh(path, open_box())
        content = path.read_bytes()
        path.write_bytes(content[: int(part * len(content))])
        if suffix == ".obj" and part == 0.9:
            assert read_mesh(path).face_count < open_box().face_count
        else:
            with pytest.raises(FileError):
                read_mesh(path)

    @pytest.mark.parametrize("number", [np.nan, np.inf])
    def test_not_a_number(self, suffix: str, number: float, tmp_path: Path) -> None:
        """The host's own importers would move such a vertex to the origin without a word."""
        mesh = open_box()
        path = tmp_path / f"broken{suffix}"
        if suffix in (".glb", ".gltf"):  # whose exporter mends it without a word
            write_mesh(path, mesh)
            store = path if suffix == ".glb" else path.with_suffix(".bin")
            left, broken = struct.pack("<f", 0.831), struct.pack("<f", number)
            assert left in store.read_bytes()
            store.write_bytes(store.read_bytes().replace(left, broken))
        else:
            positions = mesh.positions.copy()
            positions[2, 1] = number
            write_mesh(path, mesh.with_positions(positions))
        with pytest.raises(FileError, match="vertices whose coordinates are not numbers"):
            read_mesh(path)

    def test_no_such_folder(self, suffix: str, tmp_path: Path) -> None:
        with pytest.raises(FileError, match="cannot be written: no such file"):
            write_mesh(tmp_path / "none" / f"cage{suffix}", open_box())
        (tmp_path / "file").write_text("a file where a folder should be")
        with pytest.raises(FileError, match="cannot be written: not a directory"):
            write_mesh(tmp_path / "file" / f"cage{suffix}", open_box())

    def test_interrupted_export_leaves_the_old_file(self, suffix: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / f"cage{suffix}"
        path.write_bytes(b"the old one")

        def interrupt(part: Path, *_: object) -> None:
            part.write_bytes(b"half")
            raise KeyboardInterrupt

        monkeypatch.setitem(files._WRITERS, suffix, interrupt)
        monkeypatch.setattr(files, "write_obj", interrupt)
        with pytest.raises(KeyboardInterrupt):
            write_mesh(path, open_box())
        assert path.read_bytes() == b"the old one"
        assert os.listdir(tmp_path) == [path.name]


def test_binary_stl_with_a_wrong_count(tmp_path: Path) -> None:
    path = tmp_path / "count.stl"
    path.write_bytes(b"\0" * 80 + struct.pack("<I", 1_000_000) + b"\0" * 50)
    with pytest.raises(FileError):
        read_mesh(path)


def test_obj_faces_without_their_vertices(tmp_path: Path) -> None:
    path = tmp_path / "index.obj"
    path.write_text("v 0 0 0\nv 1 0 0\nf 1 2 7\n")
    with pytest.raises(FileError):
        read_mesh(path)


def test_unknown_endings() -> None:
    with pytest.raises(FileError, match=r"ending that cannot be read.*obj"):
        read_mesh("sculpt.xyz")
    with pytest.raises(FileError, match=r"ending that cannot be written.*obj"):
        write_mesh("cage.xyz", open_box())


def test_importers_stay_silent(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for suffix in (".obj", ".ply", ".stl", ".glb", ".fbx", ".blend"):
        write_mesh(tmp_path / f"cage{suffix}", open_box())
        read_mesh(tmp_path / f"cage{suffix}")
    assert capfd.readouterr() == ("", "")


def test_a_mesh_file_tells_map_objects_and_loose_edges_of_one_reading(tmp_path: Path) -> None:
    """Edges without a face are named by the vertices of the mesh that comes with them; several objects keep theirs to themselves."""
    text = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 3 3 3\nv 4 4 4\nvt 0 0\nvt 1 0\nvt 1 1\nvt 0 1\nf 1/1 2/2 3/3 4/4\nl 5 6\n"
    path = tmp_path / "square.obj"
    path.write_text(text)
    file = read_mesh_file(path)
    assert file.uvs is not None and file.uvs.tolist() == [[0, 0], [1, 0], [1, 1], [0, 1]]
    assert file.loose_edges is not None and file.mesh.positions[file.loose_edges].tolist() == [[[3, 3, 3], [4, 4, 4]]]
    assert file.objects == () and file.mesh.face_count == 1
    write_mesh(tmp_path / "plain.blend", PolyMesh.from_quads(np.eye(4)[:, :3], [[0, 1, 2, 3]]), name="square")
    plain = read_mesh_file(tmp_path / "plain.blend")
    assert plain.uvs is None and plain.loose_edges is not None and plain.loose_edges.shape == (0, 2)
    assert [item.name for item in plain.objects] == ["square"]
