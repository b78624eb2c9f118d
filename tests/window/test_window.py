"""A real editor window: the zip installed through the host's own command, the demo opened, an artist's hand simulated."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from ringwright.core.plan_templates import template_of
from support import creatures
from support.creatures import Part

ROOT = Path(__file__).resolve().parents[2]
OUTPUT = ROOT / "build" / "window"
EDITOR = shlex.split(os.environ.get("RINGWRIGHT_EDITOR", ""))
DEMO = ROOT / "build" / "demo" / "forelimb.blend"
PATIENCE = 900
"""Seconds that a scenario may take: it draws without a graphics card, on a machine that may be busy."""
QUIET = ("import bpy; bpy.context.preferences.view.show_splash = False; bpy.context.preferences.use_preferences_save = False; "
         "bpy.ops.wm.save_userpref()")

pytestmark = [pytest.mark.window, pytest.mark.slow,
              pytest.mark.skipif(not EDITOR, reason="no editor with a window: set RINGWRIGHT_EDITOR, or run make window-test EDITOR=...")]


def run_editor(*arguments: str, size: str = "1600x1000") -> str:
    """Run the editor with the test's own settings; returns what it printed.

    size : of the window, for a command that opens a display of its own
    """
    environment = {**os.environ, "BLENDER_USER_RESOURCES": str(OUTPUT / "user"), "EDITOR_SECONDS": str(PATIENCE), "EDITOR_SIZE": size}
    result = subprocess.run([*EDITOR, *arguments], capture_output=True, text=True, check=False, env=environment, cwd=ROOT,
                            timeout=PATIENCE + 60)
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


def play(scenario: str, size: str = "1600x1000", *, refused: bool = False) -> dict[str, object]:
    """Play a scenario on the demo; returns the facts that it wrote down.

    refused : whether refusals are meant to be told in the console
    """
    folder = OUTPUT / scenario
    shutil.rmtree(folder, ignore_errors=True)
    said = run_editor(str(DEMO), "--python", str(ROOT / "tests" / "window" / "driver.py"), "--", scenario, str(folder), size=size)
    assert (folder / "facts.json").exists(), said
    facts: dict[str, object] = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
    assert "failure" not in facts, facts["failure"]
    assert "Traceback" not in said and (refused or "Error:" not in said), said
    return facts


def test_panels_overlay_and_selection_tools(installed: None) -> None:
    facts = play("looks")
    for name in ("build", "inspect", "inspect wounded", "rings", "mend", "show", "splice", "settle"):
        assert facts[name] == ["FINISHED"], name
    assert "Triangles: 4." in str(facts["findings"])
    assert "26 edges faces one of 16" in str(facts["ring rows"])
    assert facts["mended findings"] == []


def test_every_panel_and_overlay_is_photographed(installed: None) -> None:
    facts = play("panels", size="1900x2600")
    pictures = {path.stem for path in (OUTPUT / "panels").glob("*.png")}
    themes = ("dark", "light") if facts["light theme"] else ("dark",)
    overlays = ["overlay_deviation", *(f"overlay_{layer.removeprefix('show_')}" for layer in facts["layers"])]
    assert {f"{what}_{theme}_{scale}x" for what in ("panels", "drawing", *overlays) for theme in themes for scale in (1, 2)} <= pictures


def test_first_cage_by_hand(installed: None) -> None:
    facts = play("first_cage")
    for name, sides in (("little", 8), ("ring", 10), ("middle", 8)):
        assert facts[f"{name} sides and spans"] == [sides, None]
    sides, spans = facts["index sides and spans"]
    assert sides == 8 and len(spans) == 3 and len(set(spans)) == 1
    for name in ("little", "ring", "middle", "index"):
        assert facts[f"{name} off centre"] < 0.02
    assert facts["fork"] == ["FINISHED"]
    assert "all quads, 1 piece, 1 open end" in facts["summary"] and facts["inspected"] == facts["summary"]
    assert facts["findings"] == []
    assert facts["undone"] is True and facts["cage gone"] is True and facts["redone"] is True
    assert facts["target untouched"] is True


def test_cancel_leaves_the_scene_bit_for_bit(installed: None) -> None:
    facts = play("cancelled")
    ran = facts["began, went on and ended"]
    assert len(ran) == 16 and all(steps == [True, True, True] for steps in ran.values()), ran
    assert facts["changed"] == {}
    assert facts["a change would be seen"] is True


def test_joints_lie_on_a_known_centre_line(installed: None) -> None:
    facts = play("centre_line")
    assert facts["joints"] == 5
    assert max(facts["off centre"]) < 0.02


def test_every_operator_invoked_where_it_cannot_work(installed: None) -> None:
    facts = play("invoked", refused=True)
    assert len(facts["operators"]) > 30
    for place, refusals in facts["refusals"].items():
        for name, words in refusals.items():
            assert "\n" not in words and "context is incorrect" not in words and len(words) > 20, f"{place}: {name}: {words}"
    assert len(facts["refusals"]["empty_scene"]) > 20


def test_draw_limb_joins_and_changes_limbs(installed: None) -> None:
    facts = play("joins")
    assert facts["after one finger"] == [[{"upper": "middle", "lower": "palm"}], None]
    splices, (fork,) = facts["after two fingers"]
    assert splices is None and fork["trunk"] == "palm" and sorted(fork["branches"]) == ["middle", "ring"]
    assert facts["drawn from its tip"] is True
    assert facts["thumb"] == facts["still a socket"] == [{"trunk": "palm", "branch": "thumb"}]
    assert facts["wrist"] == [{"upper": "palm", "lower": "wrist"}]
    assert 0.8 < facts["dragged"] < 1.2
    assert facts["joints before and after"] == [4, 4] and facts["joint deleted"] is True
    assert facts["mirror"] == [{"plane": "x"}, 10]
    assert facts["last operation"] == [8, True, 4] and facts["after the redo"] == [14, 7]
    assert facts["runs"] is True and facts["runs no longer"] is True


def test_an_arm_from_eight_clicks(installed: None) -> None:
    facts = play("ready_made")
    assert facts["limbs after a refusal"] == 0 == facts["limbs after undo"]
    assert facts["limbs"] == ["upper arm", "forearm", "palm", "index", "middle", "ring", "thumb"]
    assert facts["build"] == ["FINISHED"] and facts["findings"] == []


def test_switched_off_and_on_again(installed: None) -> None:
    facts = play("comes_and_goes")
    assert facts["keys"] and facts["colliding keys"] == []
    assert facts["in the keymap editor"] == [False] and facts["old key, new key"] == [False, True]
    if facts["the host speaks other languages"]:
        assert facts["in German"] == ["Korb bauen", "Es gibt keinen Befund; erst prüfen"]
        assert facts["said otherwise by the host"] == {}
        assert facts["words left behind in German"] == "Build Cage"
    assert facts["tool began"] == ["RUNNING_MODAL"] and facts["no limb came"] == 8
    assert facts["left behind"] == []
    assert len(facts["limbs again"]) == 8 and facts["ready again"] is True


def test_live_build(installed: None) -> None:
    facts = play("live")
    assert facts["kept within"] < 1e-4 and facts["kept"] == 1 and facts["kept by laying all anew"] == 0
    assert facts["draft"] == facts["after"] > facts["before"] and facts["undone"] == facts["before"]
    assert facts["sides after one undo"] == 8 and facts["sides after one redo"] == 12 and facts["same cage after one redo"] is True
    assert facts["began"] == ["RUNNING_MODAL"] and facts["as before after Esc"] is True and facts["sides after reverting"] == 12
    assert "moved by hand" in str(facts["asked"]) and facts["kept till the choice"] is True
    assert "Ringwright" not in facts["threads after switching off"] and facts["as before after switching off"] is True
    assert facts["built after switching on"] > facts["after"]


def test_every_choice_of_a_patch_is_live_in_the_panel_of_the_last_operation(installed: None) -> None:
    facts = play("patches")
    plain = facts["plain"]
    assert plain["quads"] and plain["faces"] > 34 + 60
    assert facts["plain again"] == plain and facts["turned in the panel"] == facts["nudged"]
    for name in ("nudged", "nudged back", "nudged across", "turned", "padded side", "round", "following", "selected corners"):
        assert facts[name]["quads"] and facts[name]["places"] != plain["places"], name
    assert facts["nudged"]["poles"] == facts["nudged across"]["poles"] == plain["poles"]


def test_ring_edits_and_their_undo(installed: None) -> None:
    facts = play("ring_edits")
    for call in ("reduce_ring", "splice_rings", "make_quads"):
        assert facts[call] == ["FINISHED"] and facts[f"{call} changed"] is True, call
        assert facts[f"{call} undone"] == facts["before"], call
    assert len({facts[name] for name in ("plain", "rows", "hidden", "keep clear")}) == 4
    for choice in ("rows", "hidden", "keep clear"):
        assert facts[f"{choice} undone"] == facts["before"], choice
    for call in ("reduce_ring", "splice_rings", "make_quads"):
        assert facts[f"{call} turned"] == facts[f"{call} called"] != facts[f"{call} first"], call
        assert facts[f"{call} back"] is True and facts[f"{call} taken back"] is True, call


def test_from_a_cage_to_what_is_handed_on(installed: None) -> None:
    facts = play("handed_over")
    assert facts["search began"] is True and facts["search goes on"] is True and facts["search ended"] is True
    assert facts["a second search"] == ["CANCELLED"]
    assert facts["changed by a cancelled search"] == []
    assert facts["a change would be seen"] is True and facts["a moved vertex would be seen"] is True
    for step in ("rig_cage", "flex_cage", "unwrap_cage", "make_symmetric", "mirror_half"):
        assert facts[step] == ["FINISHED"] and facts[f"one undo takes {step} back"] == [True, True], step
    assert facts["export"] == ["FINISHED"]
    assert len(facts["verdicts"]) > 10 and set(facts["verdicts"].values()) <= {"good", "fair", "poor"}
    assert min(facts["frames of the worst bends"]) > 1
    assert "overlap 0.00%" in facts["map"]
    assert len(facts["files"]) == 4
    assert facts["farthest image"] < 1e-6


VIEWS = {"leg": (1.0, 0.0, 0.0), "wing": (0.0, 0.0, -1.0)}
"""Where an artist looks from to point at a part's joints; all others from the front, as at every tip."""
FRONT = (0.0, 1.0, 0.0)


def parts_written() -> list[str]:
    """The creatures' parts and their places in the order of asking, where the editor finds them; places that a part lacks are left out."""
    folder = OUTPUT / "parts"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    names = ["hand", "leg", "paw", "wing", "tail", "tentacle"]
    for name in names:
        part, template = getattr(creatures, f"{name}_part")(), template_of(name)
        view = VIEWS.get(name, FRONT)
        places = [{"position": _well_inside(part, place.name) if place.name in part.places else None,
                   "view": FRONT if name == "leg" and template.is_tip(place.name) else view} for place in template.places]
        np.savez(folder / f"{name}.npz", positions=part.shape.positions, triangles=part.shape.triangles, places=json.dumps(places))
    return names


def _well_inside(part: Part, name: str) -> list[float]:
    """A place a little away from the outline, as an artist clicks it: the middle of the skin round it."""
    near = np.argsort(np.linalg.norm(part.shape.positions - part.places[name], axis=1))[:40]
    middle: list[float] = part.shape.positions[near].mean(axis=0).tolist()
    return middle


def test_ready_made_plans_of_a_few_clicks(installed: None) -> None:
    names = parts_written()
    facts = play("creatures")
    for name in names:
        limbs = facts[f"{name} limbs"]
        assert limbs and facts[f"{name} built"] == ["FINISHED"] and facts[f"{name} quads"] > 50, name
        assert facts[f"{name} errors"] == [], name
        assert facts[f"{name} limbs after undo"] == 0 and facts[f"{name} limbs after redo"] == len(limbs), name


def test_a_whole_body_from_an_armature(installed: None) -> None:
    from support.rigged_creature import cluttered_rig, creature

    shape, bones = creature(tail=False), cluttered_rig(tail=False, prefixed=True)
    OUTPUT.mkdir(parents=True, exist_ok=True)
    np.savez(OUTPUT / "body.npz", positions=shape.positions, triangles=shape.triangles, names=[bone.name for bone in bones],
             parents=[bone.parent for bone in bones], heads=[bone.head for bone in bones], tails=[bone.tail for bone in bones])
    facts = play("from_armature")
    for step in ("plan_from_armature", "rig_cage", "flex_cage"):
        assert facts[step] == ["FINISHED"] and facts[f"one undo takes {step} back"] == [True, True], step
    assert len(facts["limbs"]) > 10 and facts["quads"] > 500 and facts["errors"] == []
    assert facts["objects after a build given up"] is True
    assert facts["as before the search"] is True
