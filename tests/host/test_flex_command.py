"""`inspect --flex`: bends told as text, JSON and report; a profile's ranges count."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh, read_plan_text, write_mesh
from ringwright.core.plan import Limb, LimbPlan, format_plan, read_plan
from ringwright.core.polymesh import PolyMesh
from support.shapes import capsule
from support.tubes import tube


@pytest.fixture
def tube_and_plan(tmp_path: Path) -> tuple[Path, Path]:
    mesh, plan = tmp_path / "stalk.obj", tmp_path / "plan.toml"
    write_mesh(mesh, tube(12, 33, spacing=0.12))
    plan.write_text(format_plan(LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 1.92], [0, 0, 3.84]])),))))
    return mesh, plan


def test_bends_are_told(tube_and_plan: tuple[Path, Path], tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tube_and_plan
    data, report = tmp_path / "bends.json", tmp_path / "report"
    assert main(["inspect", str(mesh), "--plan", str(plan), "--flex", "--json", str(data), "--report", str(report)]) == 0
    assert "joints bent 1" in capfd.readouterr().out
    joint = json.loads(data.read_text())["flex"]["joints"][0]
    assert joint["bone"] == "stalk.2" and joint["motions"][0]["degrees"] == 45
    assert "<h2>Bends</h2>" in (report / "report.html").read_text()


def test_a_profile_bends_further(tube_and_plan: tuple[Path, Path], tmp_path: Path) -> None:
    mesh, plan = tube_and_plan
    profile, data = tmp_path / "far.toml", tmp_path / "bends.json"
    profile.write_text('schema = 1\n[joints.other]\nflex = 170\n[severity]\npoor_bend = "error"\n')
    assert main(["inspect", str(mesh), "--plan", str(plan), "--flex", "--profile", str(profile), "--json", str(data)]) == 1
    told = json.loads(data.read_text())
    assert told["flex"]["joints"][0]["motions"][0]["degrees"] == 170 and told["flex"]["joints"][0]["verdict"] == "poor"
    assert [each["severity"] for each in told["findings"] if each["name"] == "poor_bend"] == ["error"]


def test_flex_without_a_plan_is_refused(tube_and_plan: tuple[Path, Path], capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(tube_and_plan[0]), "--flex"]) == 2
    assert "--flex bends the joints of a limb plan, and" in (said := capfd.readouterr().err) and "keeps none; name one with --plan." in said


def test_a_blend_keeps_the_plan_that_is_bent(tube_and_plan: tuple[Path, Path], tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tube_and_plan
    write_mesh(tmp_path / "stalk.blend", read_mesh(mesh), plan_text=plan.read_text())
    assert main(["inspect", str(tmp_path / "stalk.blend"), "--flex"]) == 0
    assert "joints bent 1" in capfd.readouterr().out


def test_build_improves_and_says_what_it_changed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    target, plan, out = tmp_path / "target.ply", tmp_path / "plan.toml", tmp_path / "cage.blend"
    write_mesh(target, PolyMesh.from_quads(*capsule(radius=1.0, length=5.0, around=48, along=48)))
    limb = Limb("finger", np.array([[0, 0, -0.8], [0, 0, 2.0], [0, 0, 4.5]]), joint_loops=1)
    plan.write_text(format_plan(LimbPlan((limb,), quad_budget=160)))
    assert main(["build", str(plan), "--target", str(target), "--out", str(out), "--improve"]) == 0
    assert "bends improved by" in capfd.readouterr().out
    kept = read_plan(read_plan_text(out) or "")
    assert format_plan(kept) != plan.read_text() and read_mesh(out).face_count <= 160


def test_joints_stay_where_they_are_if_the_search_may_change_counts_alone(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    target, plan, out = tmp_path / "target.ply", tmp_path / "plan.toml", tmp_path / "cage.blend"
    write_mesh(target, PolyMesh.from_quads(*capsule(radius=1.0, length=5.0, around=48, along=48)))
    limb = Limb("finger", np.array([[0, 0, -0.8], [0, 0, 2.5], [0, 0, 4.5]]), sides=10, spans=(3, 3))
    plan.write_text(format_plan(LimbPlan((limb,), quad_budget=160)))
    asked = ["build", str(plan), "--target", str(target), "--out", str(out), "--keep-joints"]
    assert main(asked) == 2 and not out.exists()
    assert "--keep-joints says how --improve goes to work" in capfd.readouterr().err
    assert main([*asked, "--improve"]) == 0
    assert "bends improved by" in capfd.readouterr().out
    kept = read_plan(read_plan_text(out) or "").limb("finger")
    assert np.array_equal(kept.joints, limb.joints) and kept.spans != limb.spans
