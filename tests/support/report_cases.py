"""Inspections with their pictures, from nothing at all to everything that a report can show."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from ringwright.core.adjacency import build_adjacency
from ringwright.core.deviation import map_deviation
from ringwright.core.findings import Expectation
from ringwright.core.flex import flex_test, skinned
from ringwright.core.flex_report import with_flex
from ringwright.core.inspection import Inspection, Target, inspect_mesh
from ringwright.core.joint_motion import JOINT_RANGES, JointRange
from ringwright.core.object_findings import ObjectFacts
from ringwright.core.picture import Dense
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.poles import JointZone, PlanTally
from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.report import html_page
from ringwright.core.report_pictures import ReportPictures, picture_inspection
from ringwright.core.ring_reduction import step_ring
from ringwright.core.rings import boundary_loops
from ringwright.core.skeleton import skeleton_of

from .reference_surface import ReferenceSurface
from .tubes import tube

CASES = ("nothing", "sound", "stepped", "faults", "everything")
HOSTILE = '<script src="https://example.invalid/x.js"></script>&amp;\'"><img src=x onerror=alert(1)> \u202e \x01 ]]>'
"""A name as no sensible person gives one."""


@dataclass(frozen=True)
class ReportCase:
    """An inspection and what its report shows."""

    inspection: Inspection
    pictures: ReportPictures

    def page(self, title: str = "Tube", unit: str = "cm", source: str = "tube.obj") -> str:
        """The report's page."""
        return html_page(self.inspection, self.pictures, title=title, unit=unit, sources={"Cage": source})


@cache
def make_case(name: str) -> ReportCase:
    """A case by its name."""
    return {"nothing": _nothing, "sound": _sound, "stepped": _stepped, "faults": _faults, "everything": _everything}[name]()


def _nothing() -> ReportCase:
    empty = PolyMesh.from_faces(np.empty((0, 3)), [])
    inspection = inspect_mesh(empty)
    return ReportCase(inspection, picture_inspection(empty, inspection, width=160))


def _sound() -> ReportCase:
    mesh = tube(12, 9)
    inspection = inspect_mesh(mesh, tally=PlanTally(0, 0, 0), expectation=Expectation(1, 2, 96))
    return ReportCase(inspection, picture_inspection(mesh, inspection, width=320))


def _stepped() -> ReportCase:
    """A tube whose upper end has two edges fewer than its lower one."""
    mesh = tube(12, 9)
    adjacency = build_adjacency(mesh)
    upper = max(boundary_loops(mesh, adjacency), key=lambda loop: float(mesh.positions[loop, 2].mean()))
    stepped = step_ring(mesh, adjacency, upper, 10).edit.mesh
    inspection = inspect_mesh(stepped, tally=PlanTally(0, 0, 1))
    return ReportCase(inspection, picture_inspection(stepped, inspection, width=320))


def _faults() -> ReportCase:
    """A tube against a rounder one: a triangle, a vertex pulled out, a pole in a joint, a hole, names that break pages."""
    cage, dense = tube(10, 7, spacing=0.8), tube(120, 7, spacing=0.8)
    positions = np.where(np.arange(70)[:, None] == 33, cage.positions * [1.1, 1.1, 1.0], cage.positions)
    faces = [cage.face(k).tolist() for k in range(cage.face_count) if k not in (17, 40)]
    first = cage.face(40).tolist()
    spoilt = PolyMesh.from_faces(positions, [*faces, first[:3], [first[0], first[2], first[3]]])
    zone = JointZone(HOSTILE, np.array([0, 0, 3.2]), np.array([0, 0, 1.0]), 1.3, 3.0)
    surface = ReferenceSurface.from_mesh(dense)
    inspection = inspect_mesh(spoilt, target=Target(dense, surface, ReferenceSurface.from_mesh(spoilt)), tally=PlanTally(0, 0, 0),
                              joint_zones=[zone], expectation=Expectation(1, 2, 60, "x"),
                              objects=[ObjectFacts(HOSTILE + ".001", np.diag([1.0, 2.0, -1.0, 1.0]), 0.2)])
    return ReportCase(inspection, picture_inspection(spoilt, inspection, target=Dense(dense.positions, dense.triangles()),
                                                     heat=map_deviation(spoilt, surface), width=320))


def _everything() -> ReportCase:
    """A stalk against its target, unwrapped and bent far, with a joint and a step between counts."""
    mesh, dense = tube(12, 17, spacing=0.12), tube(96, 17, spacing=0.12)
    surface = ReferenceSurface.from_mesh(dense)
    plan = LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 0.96], [0, 0, 1.92]])),))
    zone = JointZone("stalk, rings 7 to 9", np.array([0, 0, 0.96]), np.array([0, 0, 1.0]), 0.13, 1.5)
    uvs = rolled_out(mesh, 12)
    plain = inspect_mesh(mesh, target=Target(dense, surface, ReferenceSurface.from_mesh(mesh)), tally=PlanTally(0, 0, 0),
                         joint_zones=[zone], expectation=Expectation(1, 2, 200, "x"), uvs=uvs)
    flex = flex_test(skinned(mesh, skeleton_of(plan)), {**JOINT_RANGES, "other": JointRange(175)})
    inspection = with_flex(plain, flex)
    return ReportCase(inspection, picture_inspection(mesh, inspection, target=Dense(dense.positions, dense.triangles()),
                                                     heat=map_deviation(mesh, surface), uvs=uvs, width=320))


def rolled_out(mesh: PolyMesh, sides: int) -> FloatArray:
    """Map coordinates of a straight tube's corners: cut along one side and laid flat into the unit square, (C, 2) float64."""
    quads = mesh.quads()
    columns, levels = quads % sides, quads // sides
    wraps = (columns.max(axis=1) == sides - 1) & (columns.min(axis=1) == 0)
    columns = np.where(wraps[:, None] & (columns == 0), sides, columns)
    side = float(np.linalg.norm(mesh.positions[1] - mesh.positions[0]))
    step = float(np.linalg.norm(mesh.positions[sides] - mesh.positions[0]))
    flat = np.column_stack([columns.ravel() * side, levels.ravel() * step])
    return np.asarray(flat / flat.max(), dtype=np.float64)
