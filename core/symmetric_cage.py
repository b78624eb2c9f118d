"""A built cage with limbs on both sides of a plane, made exactly symmetric: one half mirrored, settled, averaged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .adjacency import build_adjacency
from .build import BuildResult
from .mirror_cut import image_limbs, mirror_by_cut
from .mirror_halves import MirrorPlane, symmetrised
from .outward import outward_surface
from .plan import PLANES
from .poles import PlanTally, count_poles, find_step_downs
from .settle import junction_freedom, settle
from .surface import Surface


def symmetric_cage(built: BuildResult, surface: Surface, plane: str = "x", *, positive: bool = True) -> BuildResult:
    """The cage with one half replaced by the other's image; every vertex then lies exactly where its image says.

    built : of a plan whose trunk lies on the plane, with the limbs of both sides
    surface : the target; where its own sides differ, vertices lie between the two
    plane : "x", "y" or "z", the axis that the plane through the origin is square to
    positive : whether the half on the positive side is kept
    Raises MeshError where no strip of quads runs along the plane: give all limbs on it the same sides, and a fork on it an
    odd web.
    """
    found = mirror_by_cut(built.mesh, plane, positive=positive, limb_images=image_limbs([limb.name for limb in built.plan.limbs]))
    adjacency = build_adjacency(found.mesh)
    outward = outward_surface(surface, np.concatenate([limb.joints for limb in built.plan.limbs]))
    settled = settle(found.mesh, outward, adjacency.boundary_vertex, junction_freedom(adjacency))
    across = MirrorPlane(np.zeros(3), np.eye(3)[PLANES.index(plane)], 0.0)
    mesh = symmetrised(found.mesh.with_positions(settled.positions), across, found.partner)
    tally = PlanTally(built.tally.tips, built.tally.branches, len(find_step_downs(mesh, count_poles(mesh, adjacency))))
    return replace(built, mesh=mesh, tally=tally, steps=built.steps + settled.steps)
