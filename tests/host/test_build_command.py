"""`build` from plan and target to cage, report and JSON: on sound, odd and bad targets, in odd scales, with bad plans, interrupted."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh, read_plan_text, write_mesh
from ringwright.core.polymesh import PolyMesh
from support.shapes import Shape, capsule

pytestmark = pytest.mark.usefixtures("nothing_left_behind")

LENGTH = 6.0


def plan_text(scale: float = 1.0, **changes: str) -> str:
    """A tail with three joints in a capsule along z, closed at its tip; changes replace the limb's lines."""
    joints = [[0.0, 0.0, height * scale] for height in (0.3, 3.0, LENGTH)]
    lines = {"name": '"tail"', "joints": str(joints), "sides": "8", "tip": '"closed"'}
    return "schema = 1\n[[limb]]\n" + "".join(f"{key} = {value}\n" for key, value in {**lines, **changes}.items() if value)


def target_shape(scale: float = 1.0) -> Shape:
    shape = capsule(radius=1.0, length=LENGTH, around=72, along=120)
    bumps = 1.0 + 0.01 * np.sin(7 * shape.positions[:, 2:3]) * np.cos(5 * np.arctan2(shape.positions[:, 1:2], shape.positions[:, 0:1]))
    return Shape(shape.positions * bumps * scale, shape.triangles)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "tail.toml"
    path.write_text(plan_text())
    return path


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "target.ply"
    write_mesh(path, PolyMesh.from_quads(*target_shape()))
    return path


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder" for path in folder.iterdir()}


def assert_sound_cage(path: Path, json_path: Path) -> None:
    """All quads, one piece, one open end, least poles, on the target."""
    data = json.loads(json_path.read_text())
    assert set(data["counts"]["face_sizes"]) == {"4"}
    assert (data["counts"]["components"], data["counts"]["boundary_loops"]) == (1, [8])
    assert (data["poles"]["inner"], data["poles"]["excess"]) == ({"3": 4}, 0)
    assert data["deviation"]["vertex_maximum"] < 1e-4 * data["deviation"]["diagonal"]
    assert data["passed"]
    mesh = read_mesh(path)
    assert set(mesh.face_sizes.tolist()) == {4}
    assert mesh.face_count == data["counts"]["faces"]


def test_build_writes_cage_report_and_json(plan: Path, target: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    before = digests(tmp_path)
    out, folder, figures = tmp_path / "cage.blend", tmp_path / "report", tmp_path / "cage.json"
    assert main(["build", str(plan), "--target", str(target), "--out", str(out), "--report", str(folder), "--json", str(figures)]) == 0
    said = capfd.readouterr()
    assert said.out.startswith("Sound")
    assert said.err == ""
    assert_sound_cage(out, figures)
    assert read_plan_text(out) == plan_text()
    assert {path.name for path in folder.iterdir()} == {"report.html", "report.json", "report.xml", "picture.png"}
    after = digests(tmp_path)
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == {"cage.blend", "report", "cage.json"}


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_build_in_odd_scales(scale: float, tmp_path: Path) -> None:
    plan, target, out, figures = (tmp_path / name for name in ("tail.toml", "target.ply", "cage.obj", "cage.json"))
    plan.write_text(plan_text(scale))
    write_mesh(target, PolyMesh.from_quads(*target_shape(scale)))
    assert main(["build", str(plan), "--target", str(target), "--out", str(out), "--json", str(figures)]) == 0
    assert_sound_cage(out, figures)


def flipped(shape: Shape) -> Shape:
    return Shape(shape.positions, shape.triangles[:, ::-1])


def opened(shape: Shape) -> Shape:
    middle = shape.positions[shape.triangles].mean(axis=1)
    return Shape(shape.positions, shape.triangles[middle[:, 2] > 0.0])


def with_a_fin(shape: Shape) -> Shape:
    """A non-manifold target: a third face on an edge, and one face twice."""
    first = shape.triangles[len(shape.triangles) // 2]
    positions = np.concatenate([shape.positions, [shape.positions[first[0]] * [1.01, 1.01, 1.0]]])
    return Shape(positions, np.concatenate([shape.triangles, [[first[0], first[1], len(shape.positions)], first]]))


def with_a_pebble(shape: Shape) -> Shape:
    """A second piece beside the first."""
    pebble = capsule(radius=0.3, length=0.5, around=16, along=8)
    positions = np.concatenate([shape.positions, pebble.positions + [4.0, 0.0, 3.0]])
    return Shape(positions, np.concatenate([shape.triangles, pebble.triangles + len(shape.positions)]))


def with_a_bone(shape: Shape) -> Shape:
    """A second piece inside the first, round its axis."""
    bone = capsule(radius=0.4, length=4.5, around=24, along=24)
    positions = np.concatenate([bone.positions + [0.0, 0.0, 0.7], shape.positions])
    return Shape(positions, np.concatenate([bone.triangles, shape.triangles + len(bone.positions)]))


def hollow(shape: Shape) -> Shape:
    """A wall of one tenth: the inner shell looks into the hollow."""
    inner = shape.positions * [0.9, 0.9, 1.0 - 0.2 / LENGTH] + [0.0, 0.0, 0.1]
    return Shape(np.concatenate([shape.positions, inner]), np.concatenate([shape.triangles, shape.triangles[:, ::-1] + len(inner)]))


@pytest.mark.parametrize("spoil", [flipped, opened, with_a_fin, with_a_pebble, with_a_bone, hollow])
def test_build_on_odd_targets(spoil, plan: Path, target: Path, tmp_path: Path) -> None:
    out, figures = tmp_path / "cage.obj", tmp_path / "cage.json"
    write_mesh(target, PolyMesh.from_quads(*spoil(target_shape())))
    assert main(["build", str(plan), "--target", str(target), "--out", str(out), "--json", str(figures)]) == 0
    assert_sound_cage(out, figures)


BAD_PLANS = {
    "not TOML": ("[[limb]\n", "TOML"),
    "empty": ("  \n", "empty"),
    "no limb": ("schema = 1\n", "limb"),
    "unknown key": (plan_text(colour='"red"'), "colour"),
    "odd sides": (plan_text(sides="7"), "sides"),
    "huge count": (plan_text(sides="4000"), "sides"),
    "one joint": (plan_text(joints="[[0, 0, 1]]"), "joints"),
    "joint is NaN": (plan_text(joints="[[0, 0, nan], [0, 0, 3]]"), "joints"),
    "same joint twice": (plan_text(joints="[[0, 0, 1], [0, 0, 1]]"), "joints"),
    "joint outside": (plan_text(joints="[[0, 0, 1], [5, 0, 3], [0, 0, 6]]"), "outside"),
    "far away": (plan_text(joints="[[90, 0, 1], [90, 0, 3]]"), "inside"),
    "unknown limb in a join": (plan_text() + '[[splice]]\nupper = "tail"\nlower = "leg"\n', "leg"),
}


@pytest.mark.parametrize("case", BAD_PLANS)
def test_bad_plans_are_refused(case: str, target: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    text, word = BAD_PLANS[case]
    plan = tmp_path / "bad.toml"
    plan.write_text(text)
    before = digests(tmp_path)
    arguments = ["build", str(plan), "--target", str(target), "--out", str(tmp_path / "cage.obj"), "--report", str(tmp_path / "report")]
    assert main(arguments) == 2
    said = capfd.readouterr()
    assert said.out == ""
    assert said.err.startswith("ringwright: ")
    assert said.err.count("\n") == 1
    assert word in said.err
    assert digests(tmp_path) == before


def test_bad_files_are_refused(plan: Path, target: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    bits, out = tmp_path / "bits.toml", str(tmp_path / "cage.obj")
    bits.write_bytes(b"\xff\xfe\x00")
    before = digests(tmp_path)
    cases = [
        ([str(tmp_path / "none.toml"), "--target", str(target), "--out", out], "no such file"),
        ([str(bits), "--target", str(target), "--out", out], "not a text file"),
        ([str(plan), "--target", str(tmp_path / "none.ply"), "--out", out], "no such file"),
        ([str(plan), "--target", str(target), "--out", str(tmp_path / "none" / "cage.obj")], "cannot be written"),
        ([str(plan), "--target", str(target), "--out", str(tmp_path / "cage.docx")], "ending"),
        ([str(plan), "--target", str(target), "--out", out, "--json", str(target)], "is an input"),
        ([str(plan), "--target", str(target), "--out", out, "--json", str(plan)], "is an input"),
        ([str(plan), "--out", out], "--target"),
    ]
    for arguments, words in cases:
        assert main(["build", *arguments]) == 2
        said = capfd.readouterr()
        assert (said.out, said.err.count("\n")) == ("", 1)
        assert words in said.err
        assert digests(tmp_path) == before


def test_interrupted_build_leaves_no_trace(plan: Path, target: Path, tmp_path: Path) -> None:
    """Interrupted while the cage settles: exit code 130, one line, nothing written."""
    before = digests(tmp_path)
    code = (
        "import os, signal, sys\n"
        "from ringwright.addon import command_line\n"
        "from ringwright.core import build\n"
        "settle = build.settle\n"
        f"def interrupted(*rest, **named): os.kill(os.getpid(), {int(signal.SIGINT)}); return settle(*rest, **named)\n"
        "build.settle = interrupted\n"
        "sys.exit(command_line.main(sys.argv[1:]))\n"
    )
    arguments = ["build", str(plan), "--target", str(target), "--out", str(tmp_path / "cage.obj"), "--json", str(tmp_path / "cage.json")]
    result = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False, env=dict(os.environ))
    assert result.returncode == 130
    assert result.stderr == "ringwright: interrupted; no output was left half written.\n"
    assert digests(tmp_path) == before


def test_inspect_with_the_plan_finds_what_build_found(plan: Path, target: Path, tmp_path: Path) -> None:
    out, built, seen = tmp_path / "cage.obj", tmp_path / "built.json", tmp_path / "seen.json"
    assert main(["build", str(plan), "--target", str(target), "--out", str(out), "--json", str(built)]) == 0
    assert main(["inspect", str(out), "--target", str(target), "--plan", str(plan), "--json", str(seen)]) == 0
    first, second = json.loads(built.read_text()), json.loads(seen.read_text())
    for key in ("counts", "poles", "plan", "expectation", "step_downs"):
        assert first[key] == second[key]


def test_inspect_counts_open_ends_against_the_plan(plan: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "sheet.obj"
    write_mesh(sheet, PolyMesh.from_quads([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [5, 0, 0], [6, 0, 0], [6, 1, 0], [5, 1, 0]],
                                          [[0, 1, 2, 3], [4, 5, 6, 7]]))
    assert main(["inspect", str(sheet), "--plan", str(plan)]) == 1
    assert "pieces" in capfd.readouterr().out


@pytest.mark.slow
def test_demo_end_to_end(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "demo"
    result = subprocess.run([sys.executable, "-c", "import sys; from ringwright.addon.command_line import main; sys.exit(main())",
                             "demo", "--out", str(folder)], capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr
    assert {"forelimb.blend", "forelimb.png", "forelimb.ply", "forelimb.toml", "report"} == {path.name for path in folder.iterdir()}
    cage = read_mesh(f"{folder / 'forelimb.blend'}:Cage")
    assert set(cage.face_sizes.tolist()) == {4}
    assert read_plan_text(f"{folder / 'forelimb.blend'}:Cage") == (folder / "forelimb.toml").read_text()
