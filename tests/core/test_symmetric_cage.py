"""A plan with branches on both sides of its mirror plane gives a cage that is its own image and lies on its target."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.assemble import assemble
from ringwright.core.budget import solve_counts
from ringwright.core.build import BuildResult, build_cage, measure_limbs
from ringwright.core.errors import MeshError
from ringwright.core.expected import expected_of
from ringwright.core.inspection import inspect_mesh
from ringwright.core.limb_size import limb_sizes
from ringwright.core.plan import Fork, Limb, LimbPlan, Socket
from ringwright.core.skeleton import skeleton_of
from ringwright.core.symmetric_cage import even_assembly
from support.creatures import grown
from support.reference_surface import ReferenceSurface
from support.shapes import LimbChain, capsule, fork, fork_chains


def body(**options: object) -> LimbPlan:
    chains = fork_chains()
    limbs = (Limb("trunk", chains["trunk"].joints),
             *(Limb(f"branch.{side}", chains[name].joints, tip="closed") for side, name in (("R", "left"), ("L", "right"))))
    return LimbPlan(limbs, (Fork("trunk", ("branch.L", "branch.R")),), symmetry="x", **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def surface() -> ReferenceSurface:
    return ReferenceSurface(*fork(64))


@pytest.fixture(scope="module")
def built(surface: ReferenceSurface) -> BuildResult:
    return build_cage(body(), surface)


def test_every_vertex_has_its_image(built: BuildResult) -> None:
    points = built.mesh.positions
    nearest = np.linalg.norm(points[:, None] - points * [-1, 1, 1], axis=2).min(axis=1)
    assert nearest.max() == 0


def test_it_is_one_piece_at_the_pole_bound_on_the_target(built: BuildResult, surface: ReferenceSurface) -> None:
    inspection = inspect_mesh(built.mesh, tally=built.tally, joint_zones=built.zones, expectation=expected_of(built.plan))
    assert inspection.poles.excess == 0 and (built.mesh.face_sizes == 4).all() and inspection.counts.components == 1
    assert len(inspection.counts.boundary_loops) == 1 and not [each for each in inspection.findings if each.severity == "error"]
    assert np.percentile(surface.closest(built.mesh.positions).distances, 95) < 5e-3 * surface.diagonal


def test_each_side_knows_its_own_limb(built: BuildResult) -> None:
    limbs, heights = built.mesh.attributes["vertex.limb"], built.mesh.positions[:, 0]
    right, left = heights[(limbs == 1) & (heights != 0)], heights[(limbs == 2) & (heights != 0)]
    assert len(left) == len(right) > 20 and (right < 0).all() and (left > 0).all()


def test_a_budget_counts_both_sides_once(surface: ReferenceSurface) -> None:
    for budget in (300, 700):
        built = build_cage(body(quad_budget=budget), surface)
        assert 0.85 * budget < built.mesh.face_count == built.counts.quads <= budget


def test_bones_are_not_doubled(built: BuildResult) -> None:
    assert [bone.name for bone in skeleton_of(built.plan).bones].count("branch.1.L") == 1
    assert len(skeleton_of(built.plan).bones) == len(skeleton_of(replace(built.plan, symmetry=None)).bones)


@pytest.mark.parametrize("positive", [True, False])
def test_the_half_that_is_kept_stays_where_it_was(surface: ReferenceSurface, positive: bool) -> None:
    plan = body()
    measures = measure_limbs(plan, surface)
    counts = solve_counts(plan, limb_sizes(plan, measures))
    whole = assemble(plan, counts, measures, surface)
    even = even_assembly(whole, plan, "x", positive=positive).assembly
    sign = 1 if positive else -1
    kept = {tuple(point) for point in np.round(whole.mesh.positions, 9) if sign * point[0] > 0.5}
    assert len(kept) > 20 and kept == {tuple(point) for point in np.round(even.mesh.positions, 9) if sign * point[0] > 0.5}
    assert even.barred.shape == (even.mesh.vertex_count, 3) and even.held.sum() == whole.held.sum() + 2  # the cut passes the open end twice


def test_a_cage_beside_the_plane_is_refused() -> None:
    surface = ReferenceSurface(capsule(length=4.0).positions + [3, 0, 0], capsule(length=4.0).triangles)
    plan = LimbPlan((Limb("finger", np.array([[3, 0, 0], [3, 0, 4.0]]), sides=8),))
    measures = measure_limbs(plan, surface)
    whole = assemble(plan, solve_counts(plan, limb_sizes(plan, measures)), measures, surface)
    with pytest.raises(MeshError, match="No strip of quads"):
        even_assembly(whole, plan, "x")


@pytest.mark.parametrize(("away", "radius"), [(0.6, 0.55), (0.55, 0.6)])
def test_holes_beside_the_plane_stay_on_their_own_sides(away: float, radius: float) -> None:
    """Two arms that leave a chest's front side by side: a hole across the plane would take quads from both halves."""
    chains = {"trunk": LimbChain(np.array([[0, 0, 10], [0, 0, 4.0]]), np.array([1.8, 1.8]))}
    limbs = [Limb("trunk", np.array([[0, 0, 10], [0, 0, 7.5], [0, 0, 5.0]]))]
    for side, sign in (("L", 1.0), ("R", -1.0)):
        leg, arm = np.array([[sign, 0, 4], [sign * 1.4, 0, -3]]), np.array([[sign * away, -0.8, 7], [sign * (away + 0.3), -5, 7.3]])
        chains |= {f"leg.{side}": LimbChain(leg, np.array([1.0, 0.8])), f"arm.{side}": LimbChain(arm, np.array([radius, 0.8 * radius]))}
        limbs += [Limb(f"leg.{side}", leg, tip="closed"), Limb(f"arm.{side}", np.array([arm[0], arm.mean(axis=0), arm[1]]), tip="closed")]
    plan = LimbPlan(tuple(limbs), (Fork("trunk", ("leg.R", "leg.L")),), (Socket("trunk", "arm.L"), Socket("trunk", "arm.R")),
                    symmetry="x", quad_budget=900)
    surface = ReferenceSurface(*grown(chains, 0.3, 90))
    measures = measure_limbs(plan, surface)
    mesh = assemble(plan, solve_counts(plan, limb_sizes(plan, measures)), measures, surface).mesh
    ends = build_adjacency(mesh).edge_verts
    for name, sign in (("arm.L", 1), ("arm.R", -1)):
        limbs_of = mesh.attributes["vertex.limb"][ends]
        bridge = ends[(limbs_of == [limb.name for limb in limbs].index(name)).sum(axis=1) == 1]
        hole = bridge[mesh.attributes["vertex.limb"][bridge] == 0]
        assert len(hole) >= 8 and (sign * mesh.positions[hole, 0] > 0).all(), name
