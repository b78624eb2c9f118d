"""A real editor window: the zip installed through the host's own command, the demo opened, an artist's hand simulated."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OUTPUT = ROOT / "build" / "window"
EDITOR = shlex.split(os.environ.get("RINGWRIGHT_EDITOR", ""))
DEMO = ROOT / "build" / "demo" / "forelimb.blend"
QUIET = ("import bpy; bpy.context.preferences.view.show_splash = False; bpy.context.preferences.use_preferences_save = False; "
         "bpy.ops.wm.save_userpref()")

pytestmark = [pytest.mark.window, pytest.mark.slow,
              pytest.mark.skipif(not EDITOR, reason="no editor with a window: set RINGWRIGHT_EDITOR, or run make window-test EDITOR=...")]


def run_editor(*arguments: str) -> str:
    """Run the editor with the test's own settings; returns what it printed."""
    environment = {**os.environ, "BLENDER_USER_RESOURCES": str(OUTPUT / "user"), "EDITOR_SECONDS": "400"}
    result = subprocess.run([*EDITOR, *arguments], capture_output=True, text=True, check=False, env=environment, cwd=ROOT, timeout=500)
    return result.stdout + result.stderr


@pytest.fixture(scope="module")
def installed() -> None:
    """The zip, installed and enabled through the host's own extension command."""
    shutil.rmtree(OUTPUT / "user", ignore_errors=True)
    (OUTPUT / "user").mkdir(parents=True)
    (archive,) = (ROOT / "dist").glob("ringwright-*.zip")
    said = run_editor("--background", "--command", "extension", "install-file", "-r", "user_default", "-e", str(archive))
    assert (OUTPUT / "user" / "extensions" / "user_default" / "ringwright" / "blender_manifest.toml").exists(), said
    run_editor("--background", "--python-expr", QUIET)


def play(scenario: str) -> dict[str, object]:
    """Play a scenario on the demo; returns the facts that it wrote down."""
    folder = OUTPUT / scenario
    shutil.rmtree(folder, ignore_errors=True)
    said = run_editor(str(DEMO), "--python", str(ROOT / "tests" / "window" / "driver.py"), "--", scenario, str(folder))
    assert (folder / "facts.json").exists(), said
    facts: dict[str, object] = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
    assert "failure" not in facts, facts["failure"]
    assert "Traceback" not in said and "Error:" not in said, said
    return facts


def test_panels_overlay_and_selection_tools(installed: None) -> None:
    facts = play("looks")
    for name in ("build", "inspect", "inspect wounded", "rings", "mend", "show", "splice", "settle"):
        assert facts[name] == ["FINISHED"], name
    assert "Triangles: 4." in str(facts["findings"])
    assert "26 edges faces one of 16" in str(facts["ring rows"])
    assert facts["mended findings"] == []


def test_first_cage_by_hand(installed: None) -> None:
    facts = play("first_cage")
    assert all(facts[f"cancel at stage {stage} changes nothing"] is True for stage in range(4))
    assert facts["fork"] == ["FINISHED"] and facts["build"] == ["FINISHED"]
    assert facts["undone"] is True and facts["redone"] is True
    assert facts["target untouched"] is True
    for name in ("little", "ring", "middle", "index"):
        assert facts[f"{name} sides"] == 8
        assert facts[f"{name} off centre"] < 0.02


def test_switched_off_and_on_again(installed: None) -> None:
    facts = play("comes_and_goes")
    assert facts["keys"] and facts["colliding keys"] == []
    assert facts["tool began"] == ["RUNNING_MODAL"] and facts["no limb came"] == 8
    assert facts["left behind"] == []
    assert len(facts["limbs again"]) == 8 and facts["ready again"] is True


def test_live_build(installed: None) -> None:
    facts = play("live")
    assert facts["kept within"] < 1e-4
    assert facts["after"] > facts["before"] and facts["undone"] == facts["before"]
