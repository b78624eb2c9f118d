"""The Khronos validator is asked where it is installed, and its absence is told."""

from __future__ import annotations

import json
import shutil
import struct
from pathlib import Path

import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.files import write_mesh
from ringwright.addon.gltf_check import validate_glb
from ringwright.core.plan import Limb, LimbPlan, format_plan
from support.gltf_validator import FOLDER, require_validator
from support.tubes import tube

PLAN = format_plan(LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 2], [0, 0, 4]])),)))


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The validator where NODE_PATH finds it."""
    require_validator()
    monkeypatch.setenv("NODE_PATH", str(FOLDER / "node_modules"))


def glb(path: Path, **content: object) -> Path:
    """A .glb of a JSON chunk alone."""
    text = json.dumps({"asset": {"version": "2.0"}, **content}).encode()
    text += b" " * (-len(text) % 4)
    path.write_bytes(struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), len(text), 0x4E4F534A) + text)
    return path


@pytest.mark.usefixtures("installed")
def test_faults_are_counted_and_the_first_is_named(tmp_path: Path) -> None:
    fine = validate_glb(glb(tmp_path / "fine.glb"))
    assert (fine.errors, fine.warnings, fine.reason) == (0, 0, "") and fine.version.startswith("2.")
    assert "is valid by the Khronos validator 2." in fine.words()
    broken = validate_glb(glb(tmp_path / "broken.glb", scene=3))
    assert broken.errors == 1 and broken.first.startswith("UNRESOLVED_REFERENCE")


@pytest.mark.parametrize(("lacking", "words"), [("node", "Node.js was not found"), ("npm", "the npm package gltf-validator was not found")])
def test_what_is_missing_is_told(lacking: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NODE_PATH", raising=False)
    if lacking == "npm" and shutil.which("node") is None:
        pytest.skip("node was not found")
    which = shutil.which
    monkeypatch.setattr(shutil, "which", lambda name: None if name == lacking else which(name))
    found = validate_glb(glb(tmp_path / "a.glb"))
    assert found.words().startswith(f"the .glb was not validated: {words}") and "npm install --global gltf-validator" in found.words()


@pytest.mark.usefixtures("installed")
def test_a_validator_that_is_broken_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "gltf-validator").mkdir()
    (tmp_path / "gltf-validator" / "index.js").write_text("throw new Error('oh');")
    monkeypatch.setenv("NODE_PATH", str(tmp_path))
    assert "could not be run" in validate_glb(glb(tmp_path / "a.glb")).words()


@pytest.mark.parametrize("there", [True, False])
def test_the_command_says_whether_the_glb_was_validated(there: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                        capfd: pytest.CaptureFixture[str]) -> None:
    if there:
        require_validator()
        monkeypatch.setenv("NODE_PATH", str(FOLDER / "node_modules"))
    else:
        monkeypatch.setattr(shutil, "which", lambda _: None)
    write_mesh(tmp_path / "stalk.blend", tube(12, 9, spacing=0.5), plan_text=PLAN)
    assert main(["export", str(tmp_path / "stalk.blend"), "--out", str(tmp_path / "set")]) == 0
    said = capfd.readouterr().out
    assert ("0 errors, 0 warnings" in said) == there and ("the .glb was not validated: Node.js was not found" in said) != there
