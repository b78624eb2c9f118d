"""The set of files: each kind keeps what the table in docs/ says, the .glb is valid, a failure leaves nothing behind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest

import ringwright
from ringwright.addon import export_set
from ringwright.addon.cage_object import place_cage
from ringwright.addon.export_set import KINDS, check_kept, read_back, write_set
from ringwright.addon.files import read_mesh
from ringwright.addon.plan_storage import store_plan
from ringwright.addon.rigging import bind_cage, create_rig
from ringwright.core.errors import FileError
from ringwright.core.flex import skinned
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.skeleton import skeleton_of
from support.gltf_validator import validation
from support.tubes import tube

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


@pytest.fixture(scope="module", autouse=True)
def registered() -> Iterator[None]:
    ringwright.register()
    yield
    ringwright.unregister()


@pytest.mark.parametrize("mapped", [False, True])
def test_every_kind_comes_back(tmp_path: Path, mapped: bool) -> None:
    item, rig = scene(mapped=mapped)
    files = write_set(tmp_path / "out", "arm", item, rig)
    assert tuple(files) == KINDS and sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(f"arm{kind}" for kind in KINDS)
    facts = {kind: read_back(file) for kind, file in files.items()}
    assert {kind: each.quads for kind, each in facts.items()} == {".blend": 192, ".glb": 0, ".fbx": 192, ".obj": 192}
    assert {kind: each.faces for kind, each in facts.items()} == {".blend": 192, ".glb": 384, ".fbx": 192, ".obj": 192}
    bones = ("arm.1", "arm.2", "arm.3")
    assert {kind: each.bones for kind, each in facts.items()} == {kind: () if kind == ".obj" else bones for kind in KINDS}
    assert all(each.mapped == mapped and each.vertices == 204 for each in facts.values())


def test_the_obj_keeps_every_digit(tmp_path: Path) -> None:
    item, rig = scene(mapped=True)
    files = write_set(tmp_path, "arm", item, rig)
    written, back = export_set.read_cage(item), read_mesh(files[".obj"])
    assert np.array_equal(back.positions, written.positions) and np.array_equal(back.corner_verts, written.corner_verts)


@pytest.mark.parametrize("mapped", [False, True])
def test_the_glb_is_valid_without_a_warning(tmp_path: Path, mapped: bool) -> None:
    item, rig = scene(mapped=mapped)
    report = validation(write_set(tmp_path, "arm", item, rig)[".glb"])
    assert report["issues"]["numErrors"] == 0 and report["issues"]["numWarnings"] == 0, report["issues"]["messages"]
    assert report["info"]["hasSkins"] and report["info"]["maxInfluences"] <= 4 and report["info"]["totalTriangleCount"] == 384


def test_odd_names_come_back(tmp_path: Path) -> None:
    item, rig = scene(ODD)
    files = write_set(tmp_path, "odd", item, rig)
    assert {read_back(files[kind]).bones for kind in (".blend", ".glb", ".fbx")} == {tuple(sorted(bone.name for bone in rig.data.bones))}


def test_the_scene_stays_as_it_was(tmp_path: Path) -> None:
    item, rig = scene()
    before = sorted(block.name for block in bpy.data.user_map())
    matrix = item.matrix_world.copy()
    write_set(tmp_path, "arm", item, rig)
    assert sorted(block.name for block in bpy.data.user_map()) == before
    assert item.parent == rig and item.matrix_world == matrix and bpy.context.scene.name == "Scene"


def test_a_cage_without_a_rig_is_written_too(tmp_path: Path) -> None:
    item = place_cage(bpy.context.scene, tube(8, 5))
    assert read_back(write_set(tmp_path, "bare", item, None)[".fbx"]).bones == ()


def test_what_is_lost_is_told(tmp_path: Path) -> None:
    item, rig = scene()
    facts = read_back(write_set(tmp_path, "arm", item, rig)[".fbx"])
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


@pytest.mark.parametrize("name", ["", "a/b", ".."])
def test_a_name_with_folders_is_refused(tmp_path: Path, name: str) -> None:
    item, rig = scene()
    with pytest.raises(FileError, match="no file name"):
        write_set(tmp_path, name, item, rig)


def test_the_operator_writes_the_set(tmp_path: Path) -> None:
    item, _ = scene()
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, plan())
    assert bpy.ops.ringwright.export_set(directory=str(tmp_path), file_name="hand") == {"FINISHED"}
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(f"hand{kind}" for kind in KINDS)
