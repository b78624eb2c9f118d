"""The set of files: each kind keeps what the table in docs/ says, the .glb is valid, a failure leaves nothing behind."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

from ringwright.addon import export_set, gltf_check
from ringwright.addon.borrowed import private_scene
from ringwright.addon.cage_object import place_cage
from ringwright.addon.export_set import KINDS, check_kept, read_back, write_set
from ringwright.addon.files import read_mesh
from ringwright.addon.gltf_check import Validated
from ringwright.addon.mesh_bridge import read_positions
from ringwright.addon.plan_storage import store_plan
from ringwright.addon.rigging import BEND_FRAMES, animate_rig, bind_cage, create_rig, pose_rig
from ringwright.core.errors import FileError, MeshError
from ringwright.core.flex import flex_test, skinned
from ringwright.core.flex_report import animation_poses
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.skeleton import skeleton_of
from support.gltf_validator import validation
from support.tubes import tube

pytestmark = pytest.mark.usefixtures("extension")

ODD = 'thumb "é" 1.L'


def plan(name: str = "arm") -> LimbPlan:
    return LimbPlan((Limb(name, np.array([[1, 0, 0], [1, 0.1, 3], [1, 0.6, 6], [1, 1.5, 8.0]]), sides=12),))


def scene(name: str = "arm", *, mapped: bool = False) -> tuple[bpy.types.Object, bpy.types.Object]:
    mesh, skeleton = tube(12, 17, spacing=0.5, base=(1, 0, 0)), skeleton_of(plan(name))
    cage = skinned(mesh, skeleton)
    item = place_cage(bpy.context.scene, mesh)
    if mapped:
        layer = item.data.uv_layers.new(name="UVMap")
        layer.uv.foreach_set("vector", np.random.default_rng(1).random(2 * len(item.data.loops)).astype(np.float32))
    rig = create_rig(bpy.context.scene, skeleton)
    bind_cage(item, rig, skeleton, cage.weights)
    return item, rig


@pytest.mark.parametrize("mapped", [False, True])
def test_every_kind_comes_back(tmp_path: Path, mapped: bool) -> None:
    item, rig = scene(mapped=mapped)
    files = write_set(tmp_path / "out", "arm", item, rig).files
    assert tuple(files) == KINDS and sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(f"arm{kind}" for kind in KINDS)
    facts = {kind: read_back(file) for kind, file in files.items()}
    assert {kind: each.quads for kind, each in facts.items()} == {".blend": 192, ".glb": 0, ".fbx": 192, ".obj": 192}
    assert {kind: each.faces for kind, each in facts.items()} == {".blend": 192, ".glb": 384, ".fbx": 192, ".obj": 192}
    bones = ("arm.1", "arm.2", "arm.3")
    assert {kind: each.bones for kind, each in facts.items()} == {kind: () if kind == ".obj" else bones for kind in KINDS}
    assert all(each.mapped == mapped and each.vertices == 204 for each in facts.values())


def test_the_obj_keeps_every_digit(tmp_path: Path) -> None:
    item, rig = scene(mapped=True)
    files = write_set(tmp_path, "arm", item, rig).files
    written, back = export_set.read_cage(item), read_mesh(files[".obj"])
    assert np.array_equal(back.positions, written.positions) and np.array_equal(back.corner_verts, written.corner_verts)


@pytest.mark.parametrize("mapped", [False, True])
def test_the_glb_is_valid_without_a_warning(tmp_path: Path, mapped: bool) -> None:
    item, rig = scene(mapped=mapped)
    report = validation(write_set(tmp_path, "arm", item, rig).files[".glb"])
    assert report["issues"]["numErrors"] == 0 and report["issues"]["numWarnings"] == 0, report["issues"]["messages"]
    assert report["info"]["hasSkins"] and report["info"]["maxInfluences"] <= 4 and report["info"]["totalTriangleCount"] == 384


def test_odd_names_come_back(tmp_path: Path) -> None:
    item, rig = scene(ODD)
    files = write_set(tmp_path, "odd", item, rig).files
    assert {read_back(files[kind]).bones for kind in (".blend", ".glb", ".fbx")} == {tuple(sorted(bone.name for bone in rig.data.bones))}


def test_a_folder_in_the_way_is_told_and_nothing_changes(tmp_path: Path) -> None:
    item, rig = scene()
    (tmp_path / "arm.obj").mkdir()
    (tmp_path / "arm.blend").write_text("old")
    with pytest.raises(FileError, match=r"arm\.obj is a folder; give the files another name or folder"):
        write_set(tmp_path, "arm", item, rig)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["arm.blend", "arm.obj"] and (tmp_path / "arm.blend").read_text() == "old"


def test_a_file_that_cannot_be_moved_leaves_all_as_they_were(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    item, rig = scene()
    for kind in (".blend", ".fbx"):
        (tmp_path / f"arm{kind}").write_text(f"old {kind}")
    move = os.replace

    def stumble(source: Path, target: Path) -> None:
        if str(target) == str(tmp_path / "arm.fbx") and "before" not in str(source):
            raise PermissionError(13, "Permission denied")
        move(source, target)

    monkeypatch.setattr(os, "replace", stumble)
    with pytest.raises(FileError, match=r"arm\.fbx cannot be written: permission denied; no file was changed"):
        write_set(tmp_path, "arm", item, rig)
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"arm.blend": "old .blend", "arm.fbx": "old .fbx"}


def test_folders_that_were_made_go_again_where_the_set_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    item, rig = scene()
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=300_000))

    def fail(*_: object) -> None:
        raise RuntimeError("Inappropriate ioctl for device")

    monkeypatch.setitem(export_set._WRITERS, ".glb", fail)
    with pytest.raises(FileError, match=r"arm\.glb could not be written: the disk has only 0\.3 MB left"):
        write_set(tmp_path / "new" / "set", "arm", item, rig)
    assert not list(tmp_path.iterdir())


def test_a_glb_that_is_not_valid_is_no_part_of_a_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    item, rig = scene()
    verdict = Validated("2", "", 0, 3, "NODE_SKINNED_MESH_NON_ROOT: oh")
    monkeypatch.setattr(gltf_check, "validate_glb", lambda _: verdict)
    with pytest.raises(FileError, match=r"arm\.glb is not valid by the Khronos validator: 0 errors, 3 warnings; the first is NODE_SKINNED"):
        write_set(tmp_path, "arm", item, rig)
    assert not list(tmp_path.iterdir())


def test_the_flex_animation_goes_along_with_its_frames_and_markers(tmp_path: Path) -> None:
    """Opened anew, the .blend bends at every marker and is at rest between."""
    item, rig = scene()
    own, skeleton = bpy.context.scene, skeleton_of(plan())
    flex = flex_test(skinned(tube(12, 17, spacing=0.5, base=(1, 0, 0)), skeleton))
    own.frame_end = animate_rig(own, rig, skeleton, animation_poses(flex))
    wanted = [(marker.name, marker.frame) for marker in own.timeline_markers]
    last = own.frame_end
    file = write_set(tmp_path, "arm", item, rig).files[".blend"]
    bpy.ops.wm.open_mainfile(filepath=str(file))
    own = bpy.context.scene
    assert own.name == "arm" and (own.frame_start, own.frame_end) == (1, last)
    assert [(marker.name, marker.frame) for marker in own.timeline_markers] == wanted and len(wanted) >= 2
    cage = next(each for each in own.objects if each.type == "MESH")
    at_rest = _seen(cage)
    for _, frame in wanted:
        own.frame_set(frame)
        assert np.abs(_seen(cage) - at_rest).max() > 0.5
        own.frame_set(frame + BEND_FRAMES)
        assert np.allclose(_seen(cage), at_rest, atol=1e-5)


def _seen(item: bpy.types.Object) -> np.ndarray:
    return read_positions(item.evaluated_get(bpy.context.evaluated_depsgraph_get()).data).astype(float)


def test_the_scene_stays_as_it_was(tmp_path: Path) -> None:
    item, rig = scene()
    before = sorted(block.name for block in bpy.data.user_map())
    matrix = item.matrix_world.copy()
    write_set(tmp_path, "arm", item, rig)
    assert sorted(block.name for block in bpy.data.user_map()) == before
    assert item.parent == rig and item.matrix_world == matrix and bpy.context.scene.name == "Scene"


def test_a_cage_without_a_rig_is_written_too(tmp_path: Path) -> None:
    item = place_cage(bpy.context.scene, tube(8, 5))
    assert read_back(write_set(tmp_path, "bare", item, None).files[".fbx"]).bones == ()


def test_what_is_lost_is_told(tmp_path: Path) -> None:
    item, rig = scene()
    facts = read_back(write_set(tmp_path, "arm", item, rig).files[".fbx"])
    for change, words in (({"faces": 3}, "other faces"), ({"quads": 3}, "other quads"), ({"bones": ("x",)}, "other bones"),
                          ({"groups": ()}, "move the cage"), ({"bounds": facts.bounds * 100}, "another place or size"),
                          ({"mapped": True}, "other map"), ({"vertices": 1}, "other vertices")):
        with pytest.raises(FileError, match=words):
            check_kept(replace(facts, **change), facts, tmp_path / "arm.fbx")


def test_nothing_is_left_where_one_kind_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    item, rig = scene()
    (tmp_path / "arm.obj").write_text("old")

    def fail(*_: object) -> None:
        raise RuntimeError("no space left")

    monkeypatch.setitem(export_set._WRITERS, ".obj", fail)
    with pytest.raises(FileError, match=r"arm\.obj could not be written: no space left"):
        write_set(tmp_path, "arm", item, rig)
    assert [path.name for path in tmp_path.iterdir()] == ["arm.obj"] and (tmp_path / "arm.obj").read_text() == "old"


@pytest.mark.parametrize("metres", [0.01, 0.001])
def test_small_units_come_out_in_metres_where_the_kind_has_metres(tmp_path: Path, metres: float) -> None:
    item, rig = scene(mapped=True)
    files = write_set(tmp_path, "arm", item, rig, metres).files
    own = np.array([[0.0, -1.0, 0.0], [2.0, 1.0, 8.0]])
    for kind, file in files.items():
        wanted = own if kind in (".blend", ".obj") else metres * own
        assert np.allclose(read_back(file).bounds, wanted, atol=1e-5 * wanted.max()), kind
    report = validation(files[".glb"])
    assert report["issues"]["numErrors"] == 0 and report["issues"]["numWarnings"] == 0, report["issues"]["messages"]
    assert item.name == "Cage" and rig.data.name in bpy.data.armatures and item.data.name == "Cage" and len(bpy.data.objects) == 2


def test_the_glb_keeps_the_scenes_names_and_bends_as_the_rig_does(tmp_path: Path) -> None:
    """Of a scene in centimetres: posed alike after the import, vertices lie where the scene has them, in metres."""
    item, rig = scene()
    files = write_set(tmp_path, "arm", item, rig, 0.01).files
    own = _bent(item, rig)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.import_scene.gltf(filepath=str(files[".glb"]), merge_vertices=True, disable_bone_shape=True)
    again = next(each for each in bpy.data.objects if each.name == "Cage")
    found = _bent(again, next(each for each in bpy.data.objects if each.type == "ARMATURE"))
    assert again.name == "Cage" and again.data.name == "Cage"
    nearest = np.linalg.norm(found[:, None] - 0.01 * own, axis=2).min(axis=1)
    assert nearest.max() < 1e-4 and np.linalg.norm(np.ptp(own, axis=0)) > 5


def _bent(item: bpy.types.Object, rig: bpy.types.Object) -> np.ndarray:
    """Vertices in the world with the second bone turned by 40 degrees about its own x axis."""
    bone = rig.pose.bones["arm.2"]
    bone.rotation_mode = "XYZ"
    bone.rotation_euler = (np.radians(40), 0, 0)
    bpy.context.view_layer.update()
    evaluated = item.evaluated_get(bpy.context.evaluated_depsgraph_get())
    points = np.array([list(item.matrix_world @ vertex.co) for vertex in evaluated.data.vertices])
    bone.rotation_euler = (0, 0, 0)
    bpy.context.view_layer.update()
    return points


@pytest.mark.parametrize(("place", "words"), [("file/set", "cannot be made"), ("/proc/set", "cannot be made")])
def test_a_folder_that_cannot_be_is_refused(tmp_path: Path, place: str, words: str) -> None:
    (tmp_path / "file").write_text("in the way")
    item, rig = scene()
    with pytest.raises(FileError, match=words):
        write_set(tmp_path / place, "arm", item, rig)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("name", ["", "a/b", "a\\b", "..", " "])
def test_a_name_with_folders_is_refused(tmp_path: Path, name: str) -> None:
    item, rig = scene()
    with pytest.raises(FileError, match="no file name"):
        write_set(tmp_path, name, item, rig)


def test_the_operator_asks_for_a_folder() -> None:
    bpy.context.scene.ringwright.cage = scene()[0]
    with pytest.raises(RuntimeError, match="No folder was named"):
        bpy.ops.ringwright.export_set()


@pytest.mark.parametrize(("of_the_scene", "of_the_plan", "metres"), [(0.01, "m", 0.01), (1.0, "cm", 0.01), (1.0, "m", 1.0)])
def test_the_operator_knows_the_unit(tmp_path: Path, of_the_scene: float, of_the_plan: str, metres: float) -> None:
    bpy.context.scene.ringwright.cage = scene()[0]
    store_plan(bpy.context.scene, replace(plan(), unit=of_the_plan))
    bpy.context.scene.unit_settings.scale_length = of_the_scene
    bpy.ops.ringwright.export_set(directory=str(tmp_path), file_name="arm")
    assert read_back(tmp_path / "arm.glb").bounds[1, 2] == pytest.approx(8 * metres, rel=1e-5)


def test_the_operator_writes_the_set(tmp_path: Path) -> None:
    item, _ = scene()
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, plan())
    assert bpy.ops.ringwright.export_set(directory=str(tmp_path), file_name="hand") == {"FINISHED"}
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(f"hand{kind}" for kind in KINDS)


def test_the_file_that_is_open_is_not_written_over(tmp_path: Path) -> None:
    item, rig = scene()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "arm.blend"))
    before = (tmp_path / "arm.blend").read_bytes()
    with pytest.raises(FileError, match=r"arm\.blend is the file that is open, which would be lost; give the set another name or folder"):
        write_set(tmp_path, "arm", item, rig)
    assert (tmp_path / "arm.blend").read_bytes() == before and [path.name for path in tmp_path.iterdir()] == ["arm.blend"]
    assert write_set(tmp_path, "arm set", item, rig)


def test_vertices_without_a_face_are_told(tmp_path: Path) -> None:
    item, rig = scene()
    item.data.vertices.add(2)
    with pytest.raises(MeshError, match=r"Vertices of the cage that belong to no face: 2; .* Delete Loose"):
        write_set(tmp_path, "arm", item, rig)
    assert not list(tmp_path.iterdir())


def test_a_rig_that_is_bent_is_written_at_rest(tmp_path: Path) -> None:
    item, rig = scene()
    pose_rig(rig, skeleton_of(plan()), {1: (70.0, 0, 0)})
    bpy.context.view_layer.update()
    files = write_set(tmp_path, "arm", item, rig).files
    for kind in (".glb", ".fbx"):
        with private_scene() as own:
            objects = export_set._READERS[kind](files[kind])
            own.view_layers[0].update()
            (mesh,) = (each for each in objects if each.type == "MESH")
            bent = mesh.evaluated_get(bpy.context.evaluated_depsgraph_get()).data
            points = np.array([mesh.matrix_world @ vertex.co for vertex in bent.vertices])
            assert np.allclose(points.min(axis=0), [0, -1, 0], atol=1e-3) and np.allclose(points.max(axis=0), [2, 1, 8], atol=1e-3), kind
