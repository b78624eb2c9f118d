"""`export`: from a cage and its plan to a checked set of files; refusals in one line."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.export_set import KINDS, read_back
from ringwright.addon.files import read_mesh_file, read_plan_text, write_mesh
from ringwright.core.build import build_cage
from ringwright.core.plan import Limb, LimbPlan, format_plan
from support.fork_plan import fork_plan
from support.reference_surface import ReferenceSurface
from support.shapes import fork
from support.tubes import tube

PLAN = format_plan(LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 2], [0, 0, 4]])),)))


@pytest.mark.parametrize("kind", [".blend", ".obj"])
def test_a_set_with_bones(kind: str, tmp_path: Path, nothing_left_behind: None, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tmp_path / f"stalk{kind}", tmp_path / "plan.toml"
    write_mesh(mesh, tube(12, 9, spacing=0.5), plan_text=PLAN)
    plan.write_text(PLAN)
    named = [] if kind == ".blend" else ["--plan", str(plan)]
    assert main(["export", str(mesh), *named, "--out", str(tmp_path / "set"), "--name", "done"]) == 0
    said = capfd.readouterr().out
    assert "2 bones, 108 vertices, 96 faces" in said and "joints bent 1: 1 good" in said
    assert read_back(tmp_path / "set" / "done.fbx").bones == ("stalk.1", "stalk.2")
    assert read_plan_text(tmp_path / "set" / "done.blend") == PLAN
    assert not bpy.data.armatures


@pytest.mark.parametrize("weights", ["limbs", "automatic"])
def test_the_blend_bends_and_every_weight_is_sound(weights: str, tmp_path: Path) -> None:
    """At most four bones a vertex, weights that add up to one, an animation with a marker for the bend."""
    write_mesh(tmp_path / "stalk.blend", tube(12, 9, spacing=0.5), plan_text=PLAN)
    assert main(["export", str(tmp_path / "stalk.blend"), "--out", str(tmp_path / "set"), "--weights", weights]) == 0
    with bpy.data.libraries.load(str(tmp_path / "set" / "stalk.blend")) as (inside, wanted):
        wanted.scenes = inside.scenes
    (scene,) = wanted.scenes
    (cage,), (rig,) = ([each for each in scene.objects if each.type == kind] for kind in ("MESH", "ARMATURE"))
    sums = [[each.weight for each in vertex.groups if each.weight > 0] for vertex in cage.data.vertices]
    assert all(1 <= len(each) <= 4 and sum(each) == pytest.approx(1, abs=1e-5) for each in sums)
    assert any(len(each) > 1 for each in sums)
    assert scene.timeline_markers and all(marker.frame < scene.frame_end for marker in scene.timeline_markers)
    assert rig.animation_data.action.name == "Flex Test"


def test_refusals(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh = tmp_path / "stalk.obj"
    write_mesh(mesh, tube(12, 9))
    assert main(["export", str(mesh), "--out", str(tmp_path / "set")]) == 2
    assert capfd.readouterr().err.strip() == f"ringwright: {mesh} keeps no limb plan; name one with --plan."
    assert not (tmp_path / "set").exists()


def built(folder: Path) -> Path:
    """A forked cage as ``build`` writes it."""
    plan = fork_plan()
    write_mesh(folder / "cage.blend", build_cage(plan, ReferenceSurface(*fork(64))).mesh, plan_text=format_plan(plan))
    return folder / "cage.blend"


def test_a_cage_without_a_map_is_unwrapped(tmp_path: Path, nothing_left_behind: None, capfd: pytest.CaptureFixture[str]) -> None:
    cage = built(tmp_path)
    assert main(["export", str(cage), "--out", str(tmp_path / "set")]) == 0
    assert "unwrapped: 3 islands, stretch 1.0" in capfd.readouterr().out
    assert all(read_back(tmp_path / "set" / f"cage{kind}").mapped for kind in KINDS)
    assert main(["export", str(cage), "--out", str(tmp_path / "bare"), "--no-unwrap"]) == 0
    assert not any(read_back(tmp_path / "bare" / f"cage{kind}").mapped for kind in KINDS)


def test_a_map_that_is_there_goes_along_untouched(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    main(["export", str(built(tmp_path)), "--out", str(tmp_path / "first")])
    own = read_mesh_file(tmp_path / "first" / "cage.blend").uvs
    capfd.readouterr()
    assert main(["export", str(tmp_path / "first" / "cage.blend"), "--out", str(tmp_path / "second")]) == 0
    assert "unwrapped" not in capfd.readouterr().out
    assert own is not None and np.array_equal(read_mesh_file(tmp_path / "second" / "cage.blend").uvs, own)


def test_a_file_that_keeps_no_limbs_says_why_it_gets_no_map(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tmp_path / "stalk.obj", tmp_path / "plan.toml"
    write_mesh(mesh, tube(12, 9, spacing=0.5))
    plan.write_text(PLAN)
    assert main(["export", str(mesh), "--plan", str(plan), "--out", str(tmp_path / "set")]) == 0
    assert "no texture map: the mesh file does not keep which limb a face belongs to" in capfd.readouterr().out
