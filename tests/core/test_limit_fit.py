"""The limit surface's fit: the subdivided mesh, made by the tests' own subdivision, lies closer than that of the plain fit."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.limit_fit import fit_limit, limit_mesh
from ringwright.core.outward import FlippedSurface
from ringwright.core.polymesh import PolyMesh
from ringwright.core.quality import scaled_jacobian
from ringwright.core.settle import settle
from support.capsule_cage import CAGE, FINE, OWN, free
from support.reference_deviation import reference_deviation
from support.subdivision import catmull_clark


@pytest.mark.parametrize(("mesh", "times"), [(CAGE, 4.0), (FINE, 4.0)], ids=["coarse", "fine"])
def test_subdivided_mesh_fits(mesh: PolyMesh, times: float) -> None:
    settled = mesh.with_positions(settle(mesh, OWN, free(mesh)).positions)
    fitted = fit_limit(settled, OWN, free(mesh))
    pushed = settled.with_positions(fitted.positions)
    plain = reference_deviation(catmull_clark(settled, 3), OWN, 20_000).mean
    assert reference_deviation(catmull_clark(pushed, 3), OWN, 20_000).mean < plain / times
    assert fitted.after < fitted.before / times and fitted.rounds <= 8
    before, after = (scaled_jacobian(cage.positions[mesh.quads()]) for cage in (settled, pushed))
    assert (after >= 0.8 * before - 1e-9).all()
    assert OWN.closest(limit_mesh(pushed).positions).distances.mean() < OWN.closest(pushed.positions).distances.mean()


def test_held_vertices_stay() -> None:
    settled = CAGE.with_positions(settle(CAGE, OWN, free(CAGE)).positions)
    held = settled.positions[:, 2] < 2.0
    fitted = fit_limit(settled, OWN, held)
    np.testing.assert_array_equal(fitted.positions[held], settled.positions[held])
    assert np.linalg.norm(fitted.positions - settled.positions, axis=1)[~held].min() > 0


def test_a_surface_seen_from_inside_or_far_away_is_refused() -> None:
    with pytest.raises(MeshError, match="settle the mesh first"):
        fit_limit(CAGE, FlippedSurface(OWN), free(CAGE))
    with pytest.raises(MeshError, match="settle the mesh first"):
        fit_limit(CAGE.with_positions(CAGE.positions + 50.0), OWN, free(CAGE))
