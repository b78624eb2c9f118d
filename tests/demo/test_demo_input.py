"""The files that the demo's build starts from."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import trimesh

from ringwright.core.plan import read_plan

FOLDER = Path(__file__).resolve().parents[2] / "demo.blend-generator"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "new" / "folder"
    subprocess.run([sys.executable, str(FOLDER / "generate.py"), "--out", str(folder)], check=True, capture_output=True)
    return folder


def test_target_file_is_read_by_an_independent_reader(made):
    mesh = trimesh.load(made / "forelimb.ply", process=False)
    assert 300_000 <= len(mesh.faces) <= 500_000
    assert mesh.vertices.dtype.kind == "f"
    assert mesh.bounds[1, 0] - mesh.bounds[0, 0] == pytest.approx(1.19, abs=0.05)


def test_plan_passes_the_core_reader(made):
    plan = read_plan((made / "forelimb.toml").read_text(encoding="utf-8"))
    assert [limb.name for limb in plan.limbs] == ["upper_arm", "forearm", "palm", "little", "ring", "middle", "index", "thumb"]
    assert len(plan.forks) == 1 and len(plan.sockets) == 1 and len(plan.splices) == 2


def test_spliced_limbs_share_their_end_joint(made):
    data = tomllib.loads((made / "forelimb.toml").read_text(encoding="utf-8"))
    joints = {limb["name"]: np.array(limb["joints"]) for limb in data["limb"]}
    for splice in data["splice"]:
        assert np.array_equal(joints[splice["upper"]][0], joints[splice["lower"]][-1])


def test_thumb_leaves_at_about_forty_five_degrees(made):
    data = tomllib.loads((made / "forelimb.toml").read_text(encoding="utf-8"))
    joints = {limb["name"]: np.array(limb["joints"]) for limb in data["limb"]}
    palm = joints["palm"][1] - joints["palm"][0]
    thumb = joints["thumb"][1] - joints["thumb"][0]
    angle = np.degrees(np.arccos(palm @ thumb / np.linalg.norm(palm) / np.linalg.norm(thumb)))
    assert 40.0 < angle < 55.0
