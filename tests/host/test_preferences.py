"""What the artist prefers counts: the profile by which a cage is judged, given to one inspection or kept with the extension."""

from __future__ import annotations

from pathlib import Path

import bpy
import pytest

from ringwright.addon import preferences
from ringwright.addon.commands.arguments import profile_names
from ringwright.addon.mesh_bridge import create_mesh
from support.tubes import tube

pytestmark = pytest.mark.usefixtures("extension")


@pytest.fixture
def triangulated_cage(extension: None) -> bpy.types.Object:
    mesh = create_mesh("Cage", tube(8, 6))
    item = bpy.data.objects.new("Cage", mesh)
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    bpy.context.scene.ringwright.cage = item
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.mesh.quads_convert_to_tris()
    bpy.ops.object.mode_set(mode="OBJECT")
    return item


def severity_of_triangles(**values: str) -> str:
    bpy.ops.ringwright.inspect(use_plan=False, **values)
    return next(row.severity for row in bpy.context.scene.ringwright.findings if row.kind == "triangles")


def test_every_profile_can_be_chosen() -> None:
    names = [name for name, _, _ in preferences.PROFILE_ITEMS]
    assert names == ["PLAIN", *profile_names(), "FILE"]


def test_a_profile_given_to_the_inspection(triangulated_cage: bpy.types.Object) -> None:
    assert severity_of_triangles() == "error"
    assert severity_of_triangles(profile="game") == "note"
    with pytest.raises(RuntimeError, match="There is no profile 'gam'"):
        bpy.ops.ringwright.inspect(profile="gam")


def test_the_preferred_profile(triangulated_cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('schema = 1\n[severity]\ntriangles = "warning"\n', encoding="utf-8")
    chosen = {"profile": "game", "profile_file": str(own)}
    monkeypatch.setattr(preferences, "preference", chosen.__getitem__)
    assert severity_of_triangles() == "note"
    chosen["profile"] = "FILE"
    assert severity_of_triangles() == "warning"
    own.unlink()
    with pytest.raises(RuntimeError, match=r"own\.toml"):
        bpy.ops.ringwright.inspect()


def test_without_its_preferences_the_defaults_count() -> None:
    assert preferences.preference("marker_size") == 1.0 and preferences.preference("sides") == 8
    assert preferences.preference("profile") == "PLAIN"
