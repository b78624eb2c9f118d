"""What `inspect` and `build` share: an inspection with the host's queries, told as text, JSON and report."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from ...core.findings import Expectation
from ...core.inspection import Inspection, Target, inspect_mesh
from ...core.inspection_text import format_text, to_json
from ...core.outward import outward_surface
from ...core.poles import JointZone, PlanTally
from ...core.polymesh import PolyMesh
from ...core.report import write_report
from ...core.surface import Surface

FINDINGS = 1
"""Exit code where a finding is an error."""
TRIED_POINTS = 2048
"""Points tried in the target's box to find some inside it: a hand fills about a twentieth of its box."""


@dataclass(frozen=True)
class Asked:
    """What a limb plan asks of the finished mesh; without a plan nothing.

    tally : the plan's numbers that bound the poles
    joint_zones : where no pole should lie
    expectation : pieces, open ends, budget
    """

    tally: PlanTally | None = None
    joint_zones: Sequence[JointZone] = ()
    expectation: Expectation = Expectation()


def inspect_fit(mesh: PolyMesh, target: PolyMesh, surface: Surface, asked: Asked) -> Inspection:
    """Inspect a mesh against its target; surface answers for the target."""
    from ..host_surface import HostSurface

    with HostSurface.from_arrays(mesh.positions, mesh.triangles()) as own:
        return _inspect(mesh, Target(target, outward(surface), own), asked)


def inspect_alone(mesh: PolyMesh, asked: Asked) -> Inspection:
    """Inspect a mesh without a target."""
    return _inspect(mesh, None, asked)


def _inspect(mesh: PolyMesh, target: Target | None, asked: Asked) -> Inspection:
    return inspect_mesh(mesh, target=target, tally=asked.tally, joint_zones=asked.joint_zones, expectation=asked.expectation)


def outward(surface: Surface) -> Surface:
    """The surface with normals that point outward, told by points inside it; as it is where it has no inside."""
    points = np.random.default_rng(0).uniform(*surface.bounds, size=(TRIED_POINTS, 3))
    inner = points[surface.inside(points)]
    return outward_surface(surface, inner) if len(inner) else surface
