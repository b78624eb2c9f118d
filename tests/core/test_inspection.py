"""An inspection finds what was planted, stays silent on sound meshes, and turns into text and JSON."""

from __future__ import annotations

import json

import numpy as np
import pytest

from ringwright.core.findings import Expectation, Limits
from ringwright.core.inspection import REPORTED_METRICS, Inspection, Target, inspect_mesh
from ringwright.core.inspection_text import ELEMENT_LIMIT, SCHEMA_VERSION, format_text, to_json, verdict
from ringwright.core.poles import JointZone, PlanTally
from ringwright.core.polymesh import PolyMesh
from ringwright.core.profiles import Profile
from support.reference_surface import ReferenceSurface
from support.tubes import tube

TUBE = tube(12, 9, spacing=0.5)


def changed(mesh: PolyMesh, faces: list[list[int]], *, without: int) -> PolyMesh:
    return PolyMesh.from_faces(mesh.positions, [mesh.face(k).tolist() for k in range(mesh.face_count) if k != without] + faces)


def names(inspection: Inspection) -> list[str]:
    return [finding.name for finding in inspection.findings]


def test_sound_tube_has_no_finding() -> None:
    inspection = inspect_mesh(TUBE, tally=PlanTally(0, 0, 0), expectation=Expectation(1, 2, 96))
    assert inspection.findings == () and inspection.passed and inspection.quad_share == 1.0
    assert inspection.counts.boundary_loops == (12, 12) and inspection.counts.components == 1
    assert tuple(inspection.quality) == REPORTED_METRICS
    assert inspection.quality["scaled_jacobian"].minimum == pytest.approx(1.0)
    assert verdict(inspection).startswith("Sound")


def test_one_quad_split_is_two_triangles_and_no_all_quad_mesh() -> None:
    mesh = TUBE
    quad = mesh.face(0).tolist()
    inspection = inspect_mesh(changed(mesh, [quad[:3], [quad[0], quad[2], quad[3]]], without=0))
    (finding,) = [found for found in inspection.findings if found.name == "triangles"]
    assert finding.severity == "error" and finding.elements.tolist() == [95, 96] and not inspection.passed
    np.testing.assert_allclose(finding.place, mesh.positions[quad[:3]].mean(axis=0))
    assert "2 triangles" in format_text(inspection)


def test_hole_budget_and_pieces_are_judged_against_the_plan() -> None:
    inspection = inspect_mesh(changed(TUBE, [], without=40), expectation=Expectation(components=2, boundary_loops=2, quads=90))
    assert names(inspection) == ["components", "boundary_loops", "budget"]
    assert "5 over the budget" in inspection.findings[2].reason


def test_folded_and_poor_quads_are_told_apart() -> None:
    mesh = TUBE
    positions = mesh.positions.copy()
    positions[40] = 0.53 * positions[40] + 0.47 * positions[53]
    poor = inspect_mesh(mesh.with_positions(positions), profile=Profile(Limits(first_percentile_scaled_jacobian=0.0)))
    assert "poor_quads" in names(poor) and "folded_quads" not in names(poor)
    positions[40] = 1.3 * positions[53] - 0.3 * positions[40]
    folded = inspect_mesh(mesh.with_positions(positions))
    assert "folded_quads" in names(folded) and not folded.passed


def test_poles_are_judged_against_plan_and_joint() -> None:
    mesh = tube(8, 3, spacing=0.5)
    tip = PolyMesh.from_faces(np.vstack([mesh.positions, [0, 0, 1.2]]), [mesh.face(k).tolist() for k in range(16)] +
                              [[16 + (k + 7) % 8, 16 + k, 16 + (k + 1) % 8, 24] for k in (0, 2, 4, 6)])
    joint = JointZone("knuckle", np.array([0, 0, 1.0]), np.array([0, 0, 1.0]), 0.1, 2.0)
    right = inspect_mesh(tip, tally=PlanTally(1, 0, 0), joint_zones=[joint])
    assert right.poles.excess == 0 and names(right) == ["poles_in_joint"]
    assert right.poles_in_zones["knuckle"].tolist() == [16, 18, 20, 22]
    wrong = inspect_mesh(tip, tally=PlanTally(0, 0, 0))
    assert names(wrong) == ["pole_excess"] and "4 more" in wrong.findings[0].reason


def test_fit_is_judged_with_a_target() -> None:
    cage, dense = TUBE, tube(240, 9, spacing=0.5)
    target = Target(dense, ReferenceSurface.from_mesh(dense), ReferenceSurface.from_mesh(cage))
    assert inspect_mesh(cage, target=target).findings == ()
    strict = inspect_mesh(cage, target=target, profile=Profile(Limits(mean_deviation=0.1, deviation_percentile_99=0.1)))
    assert names(strict) == ["mean_deviation", "deviation_percentile_99"]
    pushed = cage.positions.copy()
    pushed[30] *= [1.05, 1.05, 1.0]
    pushed[31] *= [1.02, 1.02, 1.0]
    off = inspect_mesh(cage.with_positions(pushed), target=target)
    assert names(off) == ["vertices_off_target", "asymmetry"] and off.findings[0].elements.tolist() == [30, 31]
    inside_out = PolyMesh.from_quads(cage.positions, cage.quads()[:, ::-1])
    assert names(inspect_mesh(inside_out, target=target)) == ["faces_against_target"]


def test_json_is_strict_complete_and_bounded() -> None:
    mesh = tube(64, 40, spacing=0.5)
    collapsed = mesh.with_positions(mesh.positions * [1, 1, 0])
    data = to_json(inspect_mesh(collapsed))
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again["version"] == SCHEMA_VERSION and again["counts"]["face_sizes"] == {"4": 2496}
    zero = next(finding for finding in again["findings"] if finding["name"] == "zero_area_faces")
    assert zero["count"] == 2496 and len(zero["elements"]) == ELEMENT_LIMIT


@pytest.mark.parametrize("mesh", [
    PolyMesh.from_faces(np.empty((0, 3)), []), PolyMesh.from_faces(np.zeros((3, 3)), []),
    PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]]),
    PolyMesh.from_faces(np.full((4, 3), np.nan), [[0, 1, 2, 3]])])
def test_odd_meshes_are_reported_on(mesh: PolyMesh) -> None:
    inspection = inspect_mesh(mesh)
    json.dumps(to_json(inspection), allow_nan=False)
    assert format_text(inspection)
