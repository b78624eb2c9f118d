"""`export`, `inspect --flex` and `build --improve` on meshes and plans that do not go together: one line, exit code 2, no file."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.files import write_mesh
from ringwright.core.plan import Limb, LimbPlan, format_plan
from ringwright.core.polymesh import PolyMesh
from support.tubes import tube

STRAIGHT = [[0.0, 0, 0.2], [0, 0, 2], [0, 0, 3.8]]


def plan_of(joints: list[list[float]], *names: str) -> str:
    return format_plan(LimbPlan(tuple(Limb(name, np.array(joints, dtype=float)) for name in names or ("stalk",))))


LOOP = plan_of(STRAIGHT, "a", "b") + '\n[[splice]]\nupper = "a"\nlower = "b"\n\n[[splice]]\nupper = "b"\nlower = "a"\n'
TWO_OF_A_NAME = plan_of(STRAIGHT) + plan_of(STRAIGHT).split("\n\n", 1)[-1]
FAR = plan_of([[50, 0, 0.2], [50, 0, 2], [50, 0, 3.8]])
ONE_FAR = plan_of([[0, 0, 0.2], [0, 30, 2], [0, 0, 3.8]])
NO_LENGTH = 'schema = 1\n[[limb]]\nname = "stalk"\njoints = [[0, 0, 0.2], [0, 0, 2], [0, 0, 2]]\n'
PLANS = {"joints far outside": (FAR, 'Joints 1 and 2 of "stalk" lie outside the cage, 49 from it'),
         "one joint outside": (ONE_FAR, 'Joints 1 and 2 of "stalk" lie outside the cage'),
         "bones of no length": (NO_LENGTH, '"stalk": joints 2 and 3 lie on the same point'),
         "joins in a loop": (LOOP, "the joins run in a loop"),
         "names twice": (TWO_OF_A_NAME, 'the name is used 2 times; give every limb its own name'),
         "limbs missing": (plan_of(STRAIGHT, "stalk", "twig"), 'The cage has no face of "twig", which the plan has'),
         "no limb": ("schema = 1\n", "has no [[limb]]")}


def cage(**attributes: np.ndarray) -> PolyMesh:
    mesh = tube(12, 9, spacing=0.5)
    return mesh.with_attributes(vertex__limb=np.zeros(mesh.vertex_count, dtype=np.int32), **attributes)


def refusal(arguments: list[str], capfd: pytest.CaptureFixture[str]) -> str:
    """The one line with which a command refuses."""
    assert main(arguments) == 2
    said = capfd.readouterr().err.strip()
    assert said.startswith("ringwright: ") and "\n" not in said and "Traceback" not in said
    return said


@pytest.mark.parametrize("command", ["export", "inspect"])
@pytest.mark.parametrize("case", PLANS)
def test_plans_that_do_not_fit(case: str, command: str, tmp_path: Path, nothing_left_behind: None,
                               capfd: pytest.CaptureFixture[str]) -> None:
    text, words = PLANS[case]
    mesh, plan, out = tmp_path / "stalk.blend", tmp_path / "plan.toml", tmp_path / "out"
    write_mesh(mesh, cage())
    plan.write_text(text)
    own = ["--out", str(out)] if command == "export" else ["--flex", "--json", str(tmp_path / "out.json")]
    assert words in refusal([command, str(mesh), "--plan", str(plan), *own], capfd)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.toml", "stalk.blend"]


@pytest.mark.parametrize("command", ["export", "inspect"])
def test_meshes_that_are_spoilt(command: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    plan, out = tmp_path / "plan.toml", tmp_path / "out"
    plan.write_text(plan_of(STRAIGHT))
    own = ["--out", str(out)] if command == "export" else ["--flex"]
    for name, mesh, words in (("flat", cage().with_positions(np.zeros((108, 3))), "The faces of the cage have no area"),
                              ("other", cage().with_attributes(vertex__limb=np.full(108, 5, dtype=np.int32)),
                               "108 vertices of the mesh belong to limbs that the plan does not have")):
        write_mesh(tmp_path / f"{name}.blend", mesh)
        assert words in refusal([command, str(tmp_path / f"{name}.blend"), "--plan", str(plan), *own], capfd)
    assert not out.exists()


def test_a_vertex_without_a_face_is_told_before_a_file_is_written(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tube(12, 9, spacing=0.5), tmp_path / "plan.toml"
    plan.write_text(plan_of(STRAIGHT))
    write_mesh(tmp_path / "loose.blend", PolyMesh(np.vstack([mesh.positions, [[9.0, 9, 9]]]), mesh.corner_verts, mesh.face_offsets))
    said = refusal(["export", str(tmp_path / "loose.blend"), "--plan", str(plan), "--out", str(tmp_path / "set")], capfd)
    assert "belong to no face: 1" in said and not (tmp_path / "set").exists()


@pytest.mark.parametrize("kind", [".blend", ".obj"])
def test_the_set_does_not_take_the_place_of_its_input(kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tmp_path / f"stalk{kind}", tmp_path / "plan.toml"
    write_mesh(mesh, cage())
    plan.write_text(plan_of(STRAIGHT))
    before = mesh.read_bytes()
    said = refusal(["export", str(mesh), "--plan", str(plan), "--out", str(tmp_path)], capfd)
    assert f"stalk{kind} is an input; choose another --name or --out" in said and mesh.read_bytes() == before
    assert main(["export", str(mesh), "--plan", str(plan), "--out", str(tmp_path), "--name", "handed on"]) == 0
    assert mesh.read_bytes() == before and (tmp_path / "handed on.glb").exists() and not bpy.data.armatures


def test_joints_outside_the_target_are_told_before_a_search(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    target, plan, out = tmp_path / "target.obj", tmp_path / "plan.toml", tmp_path / "cage.blend"
    write_mesh(target, tube(24, 33, spacing=0.125))
    plan.write_text(ONE_FAR)
    said = refusal(["build", str(plan), "--target", str(target), "--out", str(out), "--improve"], capfd)
    assert '"stalk", joints: joint 2 at [0, 30, 2] lies outside the target' in said and not out.exists()
