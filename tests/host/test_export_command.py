"""`export`: from a cage and its plan to a checked set of files; refusals in one line."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.export_set import read_back
from ringwright.addon.files import read_plan_text, write_mesh
from ringwright.core.plan import Limb, LimbPlan, format_plan
from support.tubes import tube

PLAN = format_plan(LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 2], [0, 0, 4]])),)))


@pytest.mark.parametrize("kind", [".blend", ".obj"])
def test_a_set_with_bones(kind: str, tmp_path: Path, nothing_left_behind: None, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, plan = tmp_path / f"stalk{kind}", tmp_path / "plan.toml"
    write_mesh(mesh, tube(12, 9, spacing=0.5), plan_text=PLAN)
    plan.write_text(PLAN)
    named = [] if kind == ".blend" else ["--plan", str(plan)]
    assert main(["export", str(mesh), *named, "--out", str(tmp_path / "set"), "--name", "done"]) == 0
    assert "2 bones, 108 vertices, 96 faces" in capfd.readouterr().out
    assert read_back(tmp_path / "set" / "done.fbx").bones == ("stalk.1", "stalk.2")
    assert read_plan_text(tmp_path / "set" / "done.blend") == PLAN
    assert not bpy.data.armatures


def test_refusals(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh = tmp_path / "stalk.obj"
    write_mesh(mesh, tube(12, 9))
    assert main(["export", str(mesh), "--out", str(tmp_path / "set")]) == 2
    assert capfd.readouterr().err.strip() == f"ringwright: {mesh} keeps no limb plan; name one with --plan."
    assert not (tmp_path / "set").exists()
