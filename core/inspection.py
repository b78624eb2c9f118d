"""Inspect a mesh: gather its figures, judge them, and put both into plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, cast

import numpy as np

from .adjacency import Adjacency, build_adjacency, components
from .deviation import Deviation, measure_deviation
from .evenness import JointSpacing, area_jumps, joint_spacings
from .face_geometry import face_area_vectors
from .findings import (
    SEVERITIES,
    Expectation,
    Finding,
    Severity,
    crossing_findings,
    evenness_findings,
    expectation_findings,
    fit_findings,
    pole_findings,
    shape_findings,
    symmetry_findings,
    topology_findings,
)
from .folded_surface import folded
from .object_findings import ObjectFacts, object_findings
from .poles import JointZone, PlanTally, PoleCensus, StepDownPlace, count_poles, find_step_downs, poles_in_zones
from .polymesh import VERTEX_LIMB, FloatArray, IntArray, PolyMesh
from .profiles import OFF, Profile
from .quality import METRICS
from .rings import boundary_loops
from .self_intersections import self_intersections
from .surface import Surface
from .symmetry import Symmetry, measure_symmetry
from .unwrap_findings import unwrap_findings
from .uv_quality import UnwrapFigures, measure_unwrap

if TYPE_CHECKING:
    from .flex import Flex

REPORTED_METRICS = ("scaled_jacobian", "aspect_ratio", "edge_ratio", "skew", "taper", "warpage", "stretch", "minimum_angle",
                    "maximum_angle", "shape")
"""Quad metrics that an inspection measures, in the order of its tables."""

ROUNDING = 1e-9
"""A figure this near the end of a range lies in it: what a square's edges leave."""


@dataclass(frozen=True)
class Spread:
    """How a figure is spread over the quads: its ends, first and last percentile, median and mean."""

    minimum: float
    percentile_1: float
    median: float
    mean: float
    percentile_99: float
    maximum: float


@dataclass(frozen=True)
class MeshCounts:
    """How much there is of everything.

    face_sizes : corner count to number of faces
    components : number of pieces, loose vertices left out
    boundary_loops : ring count of every open end, in the order of the loops
    """

    vertices: int
    edges: int
    faces: int
    face_sizes: Mapping[int, int]
    components: int
    boundary_loops: tuple[int, ...]


@dataclass(frozen=True)
class Inspection:
    """All that an inspection found.

    findings : errors first, then warnings, then notes
    quality : metric name to its spread over the quads; empty without quads
    poles_in_zones : joint zone to (k,) int32 vertex indices; zones without a pole are left out
    zones : names of the joint zones that were looked at
    deviation : None without a target
    diagonal : of the mesh's own bounding box
    flex : how the mesh bends; None where it was not tried
    area_jumps : spread of the larger over the smaller of two neighbouring faces; None without neighbours
    joint_spacings : joint to the rows between its rings
    symmetry : None where the mesh is not meant to be symmetric
    outside : metric name to the number of quads outside the range that the VERDICT manual calls acceptable
    unwrap : figures of the mesh's map; None where it has none
    objects : number of objects that the host told about
    loose_edges : number of edges without a face; None where they are not known
    profile : what the findings were judged by
    """

    findings: tuple[Finding, ...]
    counts: MeshCounts
    poles: PoleCensus
    poles_in_zones: Mapping[str, IntArray]
    zones: tuple[str, ...]
    step_downs: tuple[StepDownPlace, ...]
    quality: Mapping[str, Spread]
    deviation: Deviation | None
    expectation: Expectation
    tally: PlanTally | None
    diagonal: float
    flex: Flex | None = None
    area_jumps: Spread | None = None
    joint_spacings: Mapping[str, JointSpacing] = field(default_factory=dict)
    symmetry: Symmetry | None = None
    outside: Mapping[str, int] = field(default_factory=dict)
    unwrap: UnwrapFigures | None = None
    objects: int = 0
    loose_edges: int | None = None
    profile: Profile = field(default_factory=Profile)

    def count(self, severity: str) -> int:
        """Number of findings of one severity."""
        return sum(finding.severity == severity for finding in self.findings)

    @property
    def passed(self) -> bool:
        """Whether no finding is an error."""
        return self.count("error") == 0

    @property
    def quad_share(self) -> float:
        """Share of quads among the faces, 0 to 1; 0 without faces."""
        return self.counts.face_sizes.get(4, 0) / self.counts.faces if self.counts.faces else 0.0


@dataclass(frozen=True)
class Target:
    """The dense surface that the mesh is measured against.

    mesh : its faces, for samples on it
    surface : answers for it
    cage_surface : answers for what is measured, quads split from first to third corner
    measured : what must fit in place of the mesh itself, such as its limit surface; the mesh's vertices come first in it
    """

    mesh: PolyMesh
    surface: Surface
    cage_surface: Surface
    measured: PolyMesh | None = None


def inspect_mesh(mesh: PolyMesh, *, target: Target | None = None, tally: PlanTally | None = None, joint_zones: Sequence[JointZone] = (),
                 expectation: Expectation | None = None, profile: Profile | None = None, objects: Sequence[ObjectFacts] = (),
                 uvs: FloatArray | None = None, loose_edges: IntArray | None = None, seed: int = 0) -> Inspection:
    """Inspect a mesh.

    target : what it must fit; without one nothing is said about fit
    tally, joint_zones, expectation : what the limb plan says, where there is one
    profile : where figures turn into findings, and how severe these are
    objects : what the host says about the objects that carry the mesh
    uvs : (C, 2) float64, map coordinates of every corner, where the mesh is unwrapped
    loose_edges : (k, 2) int32, vertices of the edges without a face, where they are known
    seed : of the deviation's samples
    Raises MeshError where a target is given and one of the two meshes has no area.
    """
    profile, expectation = profile or Profile(), expectation or Expectation()
    limits = profile.limits
    adjacency = build_adjacency(mesh)
    loops, pieces = boundary_loops(mesh, adjacency), _pieces(mesh, adjacency)
    counts = _count(mesh, adjacency, len(pieces), [len(loop) for loop in loops])
    census = count_poles(mesh, adjacency, tally)
    limbs = mesh.attributes.get(VERTEX_LIMB)
    in_zones = poles_in_zones(mesh.positions, census.vertices, joint_zones, None if limbs is None else limbs.astype(np.int32))
    area_vectors, metrics = face_area_vectors(mesh), _measure_quads(mesh)
    diagonal = _diagonal(mesh)
    jumps, spacings = area_jumps(adjacency, area_vectors), joint_spacings(mesh, joint_zones)
    symmetry = measure_symmetry(mesh.positions, adjacency.valence > 0, limits.symmetry_distance / 100.0 * diagonal, expectation.symmetry)
    unwrap = None if uvs is None or not mesh.face_count else measure_unwrap(mesh, uvs)
    findings = [*topology_findings(mesh, adjacency, loose_edges), *shape_findings(mesh, adjacency, area_vectors, metrics, diagonal, limits),
                *pole_findings(mesh, census, in_zones),
                *evenness_findings(mesh, jumps, spacings, metrics["aspect_ratio"], limits),
                *crossing_findings(mesh, self_intersections(mesh)), *symmetry_findings(mesh, symmetry, expectation.symmetry),
                *expectation_findings(mesh, pieces, _shortest_first(mesh, loops), expectation, limits),
                *object_findings(objects, limits), *unwrap_findings(mesh, unwrap, limits)]
    deviation = None
    if target is not None:
        measured, surface = target.measured or mesh, folded(target.surface, expectation.symmetry)
        deviation = measure_deviation(measured, target.mesh, target.cage_surface, surface, seed=seed)
        resting = measured.positions[: mesh.vertex_count]
        findings += fit_findings(mesh, area_vectors, surface, deviation, limits, resting)
    findings = with_severities(findings, profile)
    findings.sort(key=lambda finding: SEVERITIES.index(finding.severity))
    return Inspection(tuple(findings), counts, census, in_zones, tuple(zone.name for zone in joint_zones), find_step_downs(mesh, census),
                      {name: _spread(values) for name, values in metrics.items() if len(values)}, deviation, expectation, tally, diagonal,
                      None, _spread(jumps.ratios) if len(jumps.ratios) else None, spacings, symmetry,
                      {name: _outside(name, values) for name, values in metrics.items() if len(values)}, unwrap, len(objects),
                      None if loose_edges is None else len(loose_edges), profile)


def with_severities(findings: list[Finding], profile: Profile) -> list[Finding]:
    """The findings as severe as the profile says, without those that it turns off."""
    said = profile.severities
    return [replace(finding, severity=cast(Severity, said.get(finding.name, finding.severity)))
            for finding in findings if said.get(finding.name) != OFF]


def _count(mesh: PolyMesh, adjacency: Adjacency, pieces: int, loops: list[int]) -> MeshCounts:
    sizes, numbers = np.unique(mesh.face_sizes, return_counts=True)
    return MeshCounts(mesh.vertex_count, adjacency.edge_count, mesh.face_count,
                      dict(zip(sizes.tolist(), numbers.tolist(), strict=True)), pieces, tuple(loops))


def _pieces(mesh: PolyMesh, adjacency: Adjacency) -> list[IntArray]:
    """Vertices of every piece, the smallest piece first; loose vertices are in none."""
    used = np.flatnonzero(adjacency.valence > 0)
    labels = components(mesh.vertex_count, adjacency.edge_verts)[used]
    order = np.argsort(labels, kind="stable")
    parts = np.split(used[order], np.flatnonzero(np.diff(labels[order])) + 1) if len(used) else []
    return sorted((part.astype(np.int32) for part in parts), key=len)


def _shortest_first(mesh: PolyMesh, loops: Sequence[IntArray]) -> list[IntArray]:
    """Open ends by their length."""
    return sorted(loops, key=lambda loop: float(np.linalg.norm(mesh.positions[loop] - np.roll(mesh.positions[loop], 1, axis=0),
                                                               axis=1).sum()))


def _outside(name: str, values: FloatArray) -> int:
    """Quads outside the range that the manual calls acceptable."""
    metric = METRICS[name]
    return int(np.count_nonzero((values < metric.lowest - ROUNDING) | (values > metric.highest + ROUNDING)))


def _measure_quads(mesh: PolyMesh) -> dict[str, FloatArray]:
    corners = mesh.positions[mesh.faces_of_size(4)[1]]
    return {name: METRICS[name].measure(corners) for name in REPORTED_METRICS}


def _spread(values: FloatArray) -> Spread:
    low, middle, high = np.percentile(values, [1.0, 50.0, 99.0])
    return Spread(float(values.min()), float(low), float(middle), float(values.mean()), float(high), float(values.max()))


def _diagonal(mesh: PolyMesh) -> float:
    """Of the box round the vertices whose position is a number."""
    sound = mesh.positions[np.isfinite(mesh.positions).all(axis=1)]
    return float(np.linalg.norm(np.ptp(sound, axis=0))) if len(sound) else 0.0
