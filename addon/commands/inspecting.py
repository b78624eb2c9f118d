"""What `inspect` and `build` share: an inspection with the host's queries, told as text, JSON and report."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ...core.deviation import DeviationMap, map_deviation
from ...core.findings import Expectation
from ...core.folded_surface import folded
from ...core.inspection import Inspection, Target, inspect_mesh
from ...core.inspection_text import format_text, to_json
from ...core.object_findings import ObjectFacts
from ...core.outward import FlippedSurface, outward_surface
from ...core.poles import JointZone, PlanTally
from ...core.polymesh import FloatArray, IntArray, PolyMesh
from ...core.profiles import Profile
from ...core.surface import Surface
from ..written_beside import write_text

FINDINGS = 1
"""Exit code where a finding is an error."""
TRIED_POINTS = (256, 2048)
"""Points tried in the target's box to find some inside it, the more only where the fewer do not do: a hand fills about a twentieth
of its box, a sheet of skin next to nothing."""
ENOUGH_INSIDE = 8
"""Points inside the target by which its normals are told."""


@dataclass(frozen=True)
class Asked:
    """What a limb plan asks of the finished mesh; without a plan nothing.

    tally : the plan's numbers that bound the poles
    joint_zones : where no pole should lie
    expectation : pieces, open ends, budget
    profile : what figures are judged by
    objects : what the host says about the objects that carry the mesh
    measured : what must fit the target in place of the mesh itself, its limit surface
    uvs : (C, 2) float64, the mesh's map; None where it has none
    loose_edges : (k, 2) int32, edges without a face; None where they are not known
    inside_out : whether the target's faces are wound to look inward; None where that is to be found out
    """

    tally: PlanTally | None = None
    joint_zones: Sequence[JointZone] = ()
    expectation: Expectation = field(default_factory=Expectation)
    profile: Profile = field(default_factory=Profile)
    objects: Sequence[ObjectFacts] = ()
    measured: PolyMesh | None = None
    uvs: FloatArray | None = None
    loose_edges: IntArray | None = None
    inside_out: bool | None = None


@dataclass(frozen=True)
class Inspected:
    """An inspection and what its report draws.

    mesh, target : the meshes; target is None where the mesh stands alone
    heat : the deviation map of what was measured, where a report is to show one
    measured : what was measured in place of the mesh itself
    uvs : (C, 2) float64, the mesh's map
    """

    inspection: Inspection
    mesh: PolyMesh
    target: PolyMesh | None = None
    heat: DeviationMap | None = None
    measured: PolyMesh | None = None
    uvs: FloatArray | None = None


def inspect_alone(mesh: PolyMesh, asked: Asked) -> Inspected:
    """Inspect a mesh without a target."""
    return Inspected(_inspect(mesh, None, asked), mesh, uvs=asked.uvs)


def inspect_fit(mesh: PolyMesh, target: PolyMesh, surface: Surface, asked: Asked) -> Inspected:
    """Inspect a mesh against its target, for which surface answers."""
    from ..host_surface import HostSurface

    measured = asked.measured or mesh
    facing = outward(surface) if asked.inside_out is None else FlippedSurface(surface) if asked.inside_out else surface
    with HostSurface.from_arrays(measured.positions, measured.triangles()) as own:
        inspection = _inspect(mesh, Target(target, facing, own, asked.measured), asked)
    return Inspected(inspection, mesh, target, measured=asked.measured, uvs=asked.uvs)


def with_heat(inspected: Inspected, surface: Surface) -> Inspected:
    """The same with the deviation map that a report draws."""
    judged = folded(surface, inspected.inspection.expectation.symmetry)
    return replace(inspected, heat=map_deviation(inspected.measured or inspected.mesh, judged))


def tell(inspected: Inspected, options: argparse.Namespace, *, title: str, unit: str, sources: Mapping[str, str]) -> int:
    """Write the report and the JSON that the options ask for and print the text; returns the exit code."""
    inspection = inspected.inspection
    if options.report:
        from ...core.picture import Dense
        from ...core.report import write_report
        from ...core.report_pictures import picture_inspection

        dense = None if inspected.target is None else Dense(inspected.target.positions, inspected.target.triangles())
        pictures = picture_inspection(inspected.mesh, inspection, target=dense, heat=inspected.heat, uvs=inspected.uvs)
        write_report(options.report, inspection, pictures, title=title, unit=unit, sources=sources)
    if options.json:
        write_text(options.json, json.dumps(to_json(inspection), indent=1, allow_nan=False) + "\n")
    print(format_text(inspection))
    return 0 if inspection.passed else FINDINGS


def outward(surface: Surface) -> Surface:
    """The surface with normals that point outward, told by points inside it; as it is where it has no inside."""
    low, high = surface.bounds
    inner = np.zeros((0, 3))
    for count in TRIED_POINTS:
        points = low + np.random.default_rng(0).random((count, 3)) * (high - low)
        inner = points[surface.inside(points)]
        if len(inner) >= ENOUGH_INSIDE:
            break
    return outward_surface(surface, inner) if len(inner) else surface


def _inspect(mesh: PolyMesh, target: Target | None, asked: Asked) -> Inspection:
    return inspect_mesh(mesh, target=target, tally=asked.tally, joint_zones=asked.joint_zones, expectation=asked.expectation,
                        profile=asked.profile, objects=asked.objects, uvs=asked.uvs, loose_edges=asked.loose_edges)
