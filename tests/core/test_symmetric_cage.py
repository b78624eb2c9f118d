"""A cage with branches on both sides becomes its own image and stays on its target."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import BuildResult, build_cage
from ringwright.core.errors import MeshError
from ringwright.core.inspection import inspect_mesh
from ringwright.core.plan import Fork, Limb, LimbPlan
from ringwright.core.symmetric_cage import symmetric_cage
from support.reference_surface import ReferenceSurface
from support.shapes import capsule, fork, fork_chains


@pytest.fixture(scope="module")
def surface() -> ReferenceSurface:
    return ReferenceSurface(*fork(64))


@pytest.fixture(scope="module")
def built(surface: ReferenceSurface) -> BuildResult:
    chains = fork_chains()
    limbs = (Limb("trunk", chains["trunk"].joints, sides=16),
             *(Limb(f"branch.{side}", chains[name].joints, sides=8, tip="closed") for side, name in (("L", "left"), ("R", "right"))))
    return build_cage(LimbPlan(limbs, (Fork("trunk", ("branch.L", "branch.R"), (1,)),)), surface)


@pytest.mark.parametrize("positive", [True, False])
def test_every_vertex_has_its_image(built: BuildResult, surface: ReferenceSurface, positive: bool) -> None:
    found = symmetric_cage(built, surface, positive=positive)
    points = found.mesh.positions
    images = points * [-1, 1, 1]
    nearest = np.linalg.norm(points[:, None] - images, axis=2).min(axis=1)
    assert nearest.max() == 0


def test_poles_stay_at_the_bound_and_the_cage_on_the_target(built: BuildResult, surface: ReferenceSurface) -> None:
    found = symmetric_cage(built, surface)
    inspection = inspect_mesh(found.mesh, tally=found.tally)
    assert inspection.poles.excess == 0 and (found.mesh.face_sizes == 4).all()
    assert len(inspection.counts.boundary_loops) == 1 and not [each for each in inspection.findings if each.severity == "error"]
    assert np.percentile(surface.closest(found.mesh.positions).distances, 95) < 5e-3 * surface.diagonal


def test_each_side_knows_its_own_limb(built: BuildResult, surface: ReferenceSurface) -> None:
    found = symmetric_cage(built, surface).mesh
    limbs, heights = found.attributes["vertex.limb"], found.positions[:, 0]
    left, right = heights[(limbs == 1) & (heights != 0)], heights[(limbs == 2) & (heights != 0)]
    assert len(left) == len(right) > 20 and (np.sign(left) != np.sign(right)).all()


def test_a_limb_beside_the_plane_is_refused() -> None:
    surface = ReferenceSurface(capsule(length=4.0).positions + [3, 0, 0], capsule(length=4.0).triangles)
    plan = LimbPlan((Limb("finger", np.array([[3, 0, 0], [3, 0, 4.0]]), sides=8),))
    with pytest.raises(MeshError, match="No strip of quads"):
        symmetric_cage(build_cage(plan, surface), surface)
