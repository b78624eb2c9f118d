"""Half a sculpt answers for both sides of a mirrored cage; a whole one for itself."""

from __future__ import annotations

import numpy as np

from ringwright.core.expected import expected_of
from ringwright.core.folded_surface import FoldedSurface, folded
from ringwright.core.inspection import Target, inspect_mesh
from ringwright.core.mirror import mirror_mesh
from ringwright.core.plan import Limb, LimbPlan
from support.reference_surface import ReferenceSurface
from support.shapes import capsule
from support.tubes import tube

SIDE = np.array([3.0, 0.0, 0.0])


def halves() -> tuple[ReferenceSurface, ReferenceSurface]:
    """A capsule beside the plane x = 0, and the same with its image."""
    shape = capsule(length=6.0, around=96, along=96)
    points = shape.positions + SIDE
    both = np.vstack([points, points * [-1, 1, 1]])
    triangles = np.vstack([shape.triangles, shape.triangles[:, ::-1] + len(points)])
    return ReferenceSurface(points, shape.triangles), ReferenceSurface(both, triangles)


def test_the_empty_side_is_answered_by_the_image() -> None:
    half, both = halves()
    found = folded(half, "x")
    rng = np.random.default_rng(2)
    points = np.vstack([rng.normal(size=(200, 3)) + SIDE, rng.normal(size=(200, 3)) - SIDE])
    own, wanted = found.closest(points), both.closest(points)
    assert np.allclose(own.distances, wanted.distances) and np.allclose(own.positions, wanted.positions, atol=1e-6)
    assert np.array_equal(found.inside(points), both.inside(points))
    up = np.broadcast_to([0.0, 0.0, 1.0], points.shape)
    hits, other = found.cast(points, up), both.cast(points, up)
    assert np.array_equal(hits.hit, other.hit)
    assert np.allclose(hits.positions, other.positions, atol=1e-3)  # rays of single precision that graze


def test_only_one_sided_targets_are_folded() -> None:
    half, both = halves()
    assert folded(half, None) is half and folded(both, "x") is both and folded(half, "y") is half
    assert isinstance(folded(half, "x"), FoldedSurface)


def test_a_mirrored_cage_fits_half_a_sculpt() -> None:
    """Without the image every face of the other side would look against the target and lie far off it."""
    half, _ = halves()
    cage = tube(16, 9, spacing=0.5, base=(3, 0, 1))
    plan = LimbPlan((Limb("arm", np.array([[3.0, 0, 1], [3, 0, 5]])),), symmetry="x")
    mesh = mirror_mesh(cage, "x", np.zeros(cage.vertex_count, dtype=np.bool_))
    shape = capsule(length=6.0, around=96, along=96)
    dense = type(mesh)((shape.positions + SIDE), shape.triangles.ravel(), 3 * np.arange(len(shape.triangles) + 1, dtype=np.int32))
    own = ReferenceSurface(mesh.positions, mesh.triangles())
    found = inspect_mesh(mesh, target=Target(dense, half, own), expectation=expected_of(plan))
    assert found.deviation is not None and found.deviation.vertex_maximum < 0.01 * half.diagonal
    assert not [finding.reason for finding in found.findings if "against the target" in finding.reason]
    plain = inspect_mesh(mesh, target=Target(dense, half, own), expectation=expected_of(LimbPlan(plan.limbs)))
    assert plain.deviation is not None and plain.deviation.vertex_maximum > 0.3 * half.diagonal
