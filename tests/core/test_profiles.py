"""Profiles: the three that come along read, change what is judged, and wrong ones are refused with the key's name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import ringwright
from ringwright.core.checks import checks_made
from ringwright.core.errors import ProfileError
from ringwright.core.findings import CHECKS, SEVERITIES, Finding
from ringwright.core.inspection import inspect_mesh, with_severities
from ringwright.core.object_findings import ObjectFacts, object_findings
from ringwright.core.polymesh import PolyMesh
from ringwright.core.profiles import Profile, read_profile

FOLDER = Path(ringwright.__path__[0]) / "profiles"


def crossing_sheets() -> PolyMesh:
    """Two quads through each other and a triangle beside them."""
    return PolyMesh.from_faces([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0], [0, -1, -1], [0, 1, -1], [0, 1, 1], [0, -1, 1],
                                [3, 0, 0], [4, 0, 0], [3, 1, 0]], [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10]])


@pytest.mark.parametrize("name", ["film", "game", "print"])
def test_those_that_come_along(name: str) -> None:
    profile = read_profile((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    assert profile.about.endswith(".") and profile.limits != Profile().limits


def test_severity_follows_the_profile() -> None:
    found = {name: {finding.name: finding.severity for finding in inspect_mesh(
        crossing_sheets(), profile=read_profile((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))).findings}
        for name in ("film", "game", "print")}
    assert found["film"]["self_intersections"] == "warning" and found["print"]["self_intersections"] == "error"
    assert found["film"]["triangles"] == "error" and found["game"]["triangles"] == "note" and "triangles" not in found["print"]
    assert found["print"]["open_ends"] == "error" and "open_ends" not in found["game"]


@pytest.mark.parametrize(("text", "words"), [
    ("schema = 2", "schema must be 1"), ("schema = 1\n[limit]", "no key 'limit'"), ("schema = ", "not TOML"),
    ("schema = 1\n[limits]\nsmallest_angle = 3", "[limits]: there is no key 'smallest_angle'"),
    ("schema = 1\n[limits]\nfold_angle = 'wide'", "[limits], fold_angle"), ("schema = 1\n[limits]\nfold_angle = true", "fold_angle"),
    ("schema = 1\n[limits]\nmost_open_ends = 1.5", "whole number"), ("schema = 1\n[limits]\nfold_angle = nan", "fold_angle"),
    ("schema = 1\n[severity]\ntriangles = 'bad'", "must be one of error, warning, note, off"),
    ("schema = 1\n[severity]\nsquares = 'note'", "no key 'squares'"), ("schema = 1\nlimits = 3", "must be a table"),
    ("schema = 1\nabout = 3", "about"),
])
def test_wrong_ones_are_refused(text: str, words: str) -> None:
    with pytest.raises(ProfileError) as refusal:
        read_profile(text)
    assert words in str(refusal.value)


@pytest.mark.parametrize("name", CHECKS)
def test_a_studio_sets_the_severity_of_every_check(name: str) -> None:
    finding = Finding(name, "warning", "mesh", np.empty(0, dtype=np.int32), None, "Found.", "Mend.")
    for said in (*SEVERITIES, "off"):
        profile = read_profile(f'schema = 1\n[severity]\n{name} = "{said}"\n')
        assert [found.severity for found in with_severities([finding], profile)] == ([] if said == "off" else [said])
    assert [(found.name, found.severity) for found in with_severities([finding], Profile())] == [(name, "warning")]


def test_severities_decide_whether_a_mesh_passes() -> None:
    strict = read_profile('schema = 1\n[severity]\nself_intersections = "error"\ntriangles = "note"\n')
    mild = read_profile('schema = 1\n[severity]\nself_intersections = "off"\ntriangles = "warning"\n')
    assert not inspect_mesh(crossing_sheets(), profile=strict).passed and inspect_mesh(crossing_sheets(), profile=mild).passed
    assert "self_intersections" in checks_made(inspect_mesh(crossing_sheets(), profile=strict))
    assert "self_intersections" not in checks_made(inspect_mesh(crossing_sheets(), profile=mild))


def test_every_finding_has_a_name_that_a_profile_can_use() -> None:
    names = {finding.name for finding in inspect_mesh(crossing_sheets()).findings}
    assert names and names <= set(CHECKS) and len(set(CHECKS)) == len(CHECKS)


def facts(name: str = "hand", matrix: np.ndarray | None = None, extent: float = 0.2) -> ObjectFacts:
    return ObjectFacts(name, np.eye(4) if matrix is None else matrix, extent)


@pytest.mark.parametrize(("item", "wanted"), [
    (facts(), []), (facts("Cube"), ["object_name"]), (facts("hand.001"), ["object_name"]), (facts("hand.v1"), []),
    (facts(matrix=np.diag([2.0, 2, 2, 1])), ["unapplied_scale"]), (facts(matrix=np.diag([1.0, 2, 1, 1])), ["uneven_scale"]),
    (facts(matrix=np.diag([-1.0, 1, 1, 1])), ["mirrored_object"]),
    (facts(matrix=np.array([[0.0, -1, 0, 5], [1, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])), ["unapplied_rotation"]),
    (facts(extent=1e-5), ["object_size"]), (facts(extent=5000.0), ["object_size"]),
])
def test_objects(item: ObjectFacts, wanted: list[str]) -> None:
    limits = read_profile((FOLDER / "film.toml").read_text(encoding="utf-8")).limits
    assert [finding.name for finding in object_findings([item], limits)] == wanted
