"""Cages of real limbs, built from the rig's joints: sound, without a pole too many, and closer than a professional's mesh."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from ringwright.addon.command_line import main
from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.build import BuildResult, build_cage
from ringwright.core.inspection import Inspection, inspect_mesh
from ringwright.core.plan import LimbPlan, Socket, read_plan
from ringwright.core.polymesh import BoolArray, PolyMesh
from support.open_data import require_base_mesh
from support.real_cases import CASE_NAMES, RealCase, built_case, real_case, write_case
from support.reference_deviation import ReferenceDeviation, reference_deviation
from support.reference_surface import ReferenceSurface
from support.rig_joints import RigJoint, digit_joints, rows_to_nearest_pole, trunk_joints
from support.vtk_quality import vtk_scaled_jacobian

pytestmark = pytest.mark.real

DIGIT_TIPS = 5
BRANCHES = {"arm": 3 + 1, "leg": 4}  # a fork of k branches counts k - 1, the thumb's socket 1
ON_TARGET = 1e-4  # of the target's diagonal
SAME_PLACE = 1e-7  # of the diagonal: vertices closer than this are one
INSIDE_THE_TRUNK = {"arm": {"thumb 1"}, "leg": set()}  # digits' inner joints that the trunk's skin still covers
CUT, WHOLE = "past the cut", "whole"  # which part of the professional limb gives the budget and the figures to beat
QUICK = (("arm_right", CUT), ("leg_right", CUT))
CASES = [pytest.param(each, id=", ".join(each), marks=[] if each in QUICK else [pytest.mark.slow])
         for each in product(CASE_NAMES, (CUT, WHOLE))]


@dataclass(frozen=True)
class Built:
    """A cage, the case that it was built for and the professional mesh that it is held against.

    professional : the same limb by hand: past the plane where the cage begins, or with the cut end
    """

    case: RealCase
    result: BuildResult
    professional: PolyMesh
    inspection: Inspection

    @property
    def part(self) -> str:
        return self.case.name[:3]

    @property
    def mesh(self) -> PolyMesh:
        return self.result.mesh

    def poles(self) -> Counter[int]:
        adjacency = build_adjacency(self.mesh)
        off: BoolArray = (adjacency.valence != 4) & ~adjacency.boundary_vertex
        return Counter(adjacency.valence[off].tolist())


@dataclass(frozen=True)
class Fit:
    """How a cage and the professional mesh fit the same target."""

    cage: ReferenceDeviation
    professional: ReferenceDeviation


@lru_cache(maxsize=len(CASES))
def _built(name: str, yardstick: str) -> Built:
    case = real_case(name)
    professional = case.professional if yardstick == WHOLE else case.comparable()
    result = built_case(name, professional.face_count)
    return Built(case, result, professional, inspect_mesh(result.mesh, tally=result.tally, joint_zones=result.zones))


@pytest.fixture(scope="module", params=CASES)
def built(request: pytest.FixtureRequest) -> Built:
    require_base_mesh()
    return _built(*request.param)


@pytest.fixture(scope="module")
def fit(built: Built) -> Fit:
    return Fit(*(reference_deviation(mesh, built.case.surface) for mesh in (built.mesh, built.professional)))


def test_every_face_is_a_quad_of_four_corners(built: Built) -> None:
    quads = np.sort(built.mesh.quads(), axis=1)
    assert (built.mesh.face_sizes == 4).all()
    assert (np.diff(quads, axis=1) > 0).all()
    assert len(np.unique(quads, axis=0)) == built.mesh.face_count


def test_edges_bear_two_faces_that_agree(built: Built) -> None:
    quads = built.mesh.quads()
    edges = np.stack([quads, np.roll(quads, -1, axis=1)], axis=-1).reshape(-1, 2)
    assert len(np.unique(edges, axis=0)) == len(edges), "an edge runs the same way round two faces: one of them is flipped"
    assert np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)[1].max() == 2


def test_one_piece_with_the_plans_one_open_loop(built: Built) -> None:
    adjacency = build_adjacency(built.mesh)
    assert components(built.mesh.vertex_count, adjacency.edge_verts).max() == 0
    rim = adjacency.edge_verts[adjacency.edge_face_count == 1]
    assert np.bincount(rim.ravel())[np.unique(rim)].max() == 2
    assert len(np.unique(components(built.mesh.vertex_count, rim)[rim])) == 1
    assert built.inspection.counts.boundary_loops == (len(rim),)


def test_no_two_vertices_in_one_place(built: Built) -> None:
    tree = cKDTree(built.mesh.positions)
    assert not tree.query_pairs(SAME_PLACE * float(np.linalg.norm(np.ptp(built.mesh.positions, axis=0))))


def test_only_three_and_five_poles_and_none_beyond_the_bound(built: Built) -> None:
    poles = built.poles()
    step_downs = built.result.counts.step_downs
    assert set(poles) == {3, 5}
    assert poles[3] == 4 * DIGIT_TIPS + step_downs
    assert poles[5] == 4 * BRANCHES[built.part] + step_downs
    assert built.inspection.poles.excess == 0


def test_no_pole_among_the_rings_of_elbow_and_wrist_or_knee_and_ankle(built: Built) -> None:
    rows = {joint.name: rows_to_nearest_pole(built.mesh, built.case, joint) for joint in trunk_joints(built.case)}
    assert len(rows) == 2
    assert min(rows.values()) > 1.0, rows


def test_no_pole_among_the_rings_of_a_digits_joints(built: Built) -> None:
    rows = {joint.name: rows_to_nearest_pole(built.mesh, built.case, joint) for joint in digit_joints(built.case)}
    covered = {joint.name for joint in digit_joints(built.case) if not _stands_free(built, joint)}
    assert covered == INSIDE_THE_TRUNK[built.part]
    assert min(distance for name, distance in rows.items() if name not in covered) > 1.0, rows


def test_no_pole_in_the_joint_zones_that_the_core_tells(built: Built) -> None:
    assert len(built.result.zones) >= 2 + len(digit_joints(built.case)) - len(INSIDE_THE_TRUNK[built.part])
    assert not built.inspection.poles_in_zones


def test_inspection_finds_nothing(built: Built) -> None:
    assert [finding for finding in built.inspection.findings if finding.severity != "note"] == []


def test_as_many_quads_as_the_professional_mesh_at_most(built: Built) -> None:
    assert 0.95 * built.professional.face_count <= built.mesh.face_count <= built.professional.face_count


def test_fits_no_worse_than_the_professional_mesh(fit: Fit) -> None:
    assert fit.cage.mean <= fit.professional.mean
    assert fit.cage.percentile_99 <= fit.professional.percentile_99


def test_covers_the_target_past_its_cut(fit: Fit, built: Built) -> None:
    root, onward = next(iter(built.case.limbs.values())).joints[:2]
    corners = built.case.target.positions[built.case.target.triangles()]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    past = (corners.mean(axis=1) - root) @ (onward - root) > 0.0
    assert fit.cage.covered == pytest.approx(areas[past].sum() / areas.sum(), abs=0.01)


def test_every_vertex_lies_on_the_target(built: Built) -> None:
    surface = built.case.surface
    assert surface.closest(built.mesh.positions).distances.max() <= ON_TARGET * surface.diagonal


def test_no_face_looks_against_the_target(built: Built) -> None:
    corners = built.mesh.positions[built.mesh.quads()]
    normals = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    nearest = built.case.surface.closest(corners.mean(axis=1))
    assert (np.einsum("ij,ij->i", normals, nearest.normals) > 0.0).all()


def test_faces_are_well_shaped(built: Built) -> None:
    measured = vtk_scaled_jacobian(built.mesh)
    assert measured.min() >= 0.2
    assert np.percentile(measured, 1.0) >= 0.5
    told = built.inspection.quality["scaled_jacobian"]
    assert (told.minimum, told.percentile_1) == pytest.approx((measured.min(), np.percentile(measured, 1.0)), abs=1e-9)


def test_professional_mesh_has_the_published_shape() -> None:
    require_base_mesh()
    for name, minimum, percentile in (("arm_right", 0.23, 0.53), ("leg_right", 0.06, 0.45)):
        measured = vtk_scaled_jacobian(real_case(name).professional)
        assert (measured.min(), np.percentile(measured, 1.0)) == pytest.approx((minimum, percentile), abs=0.006)


@pytest.mark.slow
@pytest.mark.parametrize("part", ["arm", "leg"])
def test_left_and_right_cages_have_the_same_rings(part: str) -> None:
    """The base mesh's sides mirror each other but for a hair's breadth."""
    require_base_mesh()
    left, right = (_built(f"{part}_{side}", CUT).result.counts.limbs for side in ("left", "right"))
    assert {name: limb.rings.tolist() for name, limb in left.items()} == {name: limb.rings.tolist() for name, limb in right.items()}


@pytest.mark.slow
def test_both_arms_in_one_plan() -> None:
    require_base_mesh()
    sides = {side: real_case(f"arm_{side}") for side in ("left", "right")}
    surface = ReferenceSurface.from_mesh(_together([case.target for case in sides.values()]))
    plan = _one_plan({side: read_plan(case.plan()) for side, case in sides.items()}, quads=4000)
    result = build_cage(plan, surface)
    inspection = inspect_mesh(result.mesh, tally=result.tally, joint_zones=result.zones)
    assert (inspection.counts.components, len(inspection.counts.boundary_loops), inspection.poles.excess) == (2, 2, 0)
    assert 0.95 * 4000 <= result.mesh.face_count <= 4000
    assert not [finding for finding in inspection.findings if finding.severity == "error"]
    assert surface.closest(result.mesh.positions).distances.max() <= ON_TARGET * surface.diagonal


@pytest.mark.slow
@pytest.mark.parametrize("name", ["arm_left", "leg_left"])
def test_the_command_builds_the_same_kind_of_cage_through_the_host(name: str, tmp_path: Path) -> None:
    require_base_mesh()
    folder = write_case(name, tmp_path)
    cage, figures = folder / "cage.obj", folder / "cage.json"
    assert main(["build", str(folder / "plan.toml"), "--target", str(folder / "target.obj"), "--out", str(cage),
                 "--json", str(figures), "--report", str(folder / "report")]) == 0
    told = json.loads(figures.read_text())
    assert told["passed"] and told["counts"]["quad_share"] == 1.0
    assert told["poles"]["excess"] == 0 and not told["poles"]["in_joints"]
    assert told["deviation"]["vertex_maximum"] <= ON_TARGET * told["deviation"]["diagonal"]
    percent = 100.0 / told["deviation"]["diagonal"]
    hand_made = reference_deviation(real_case(name).comparable(), real_case(name).surface)
    assert percent * max(told["deviation"][way]["mean"] for way in ("cage_to_target", "target_to_cage")) <= hand_made.mean
    assert (folder / "report" / "report.html").exists()


def _stands_free(built: Built, joint: RigJoint) -> bool:
    """Whether the digit's own vertices begin on the trunk's side of the joint."""
    number = list(built.case.limbs).index(joint.digit)
    own = built.mesh.positions[built.mesh.attributes["vertex.limb"] == number]
    return bool(((own - joint.place) @ joint.axis).min() < 0.0)


def _together(meshes: list[PolyMesh]) -> PolyMesh:
    starts = np.cumsum([0] + [mesh.vertex_count for mesh in meshes[:-1]])
    quads = np.concatenate([mesh.quads() + start for mesh, start in zip(meshes, starts, strict=True)])
    return PolyMesh.from_quads(np.concatenate([mesh.positions for mesh in meshes]), quads)


def _one_plan(plans: dict[str, LimbPlan], quads: int) -> LimbPlan:
    """Plans of several sides as one, every limb's name with its side before it."""
    limbs = [replace(limb, name=f"{side} {limb.name}") for side, plan in plans.items() for limb in plan.limbs]
    forks = [replace(fork, trunk=f"{side} {fork.trunk}", branches=tuple(f"{side} {name}" for name in fork.branches))
             for side, plan in plans.items() for fork in plan.forks]
    sockets = [Socket(f"{side} {socket.trunk}", f"{side} {socket.branch}") for side, plan in plans.items() for socket in plan.sockets]
    splices = [replace(splice, upper=f"{side} {splice.upper}", lower=f"{side} {splice.lower}")
               for side, plan in plans.items() for splice in plan.splices]
    return LimbPlan(tuple(limbs), tuple(forks), tuple(sockets), tuple(splices), quad_budget=quads)
