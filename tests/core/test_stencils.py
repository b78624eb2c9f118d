"""Subdivision stencils against the tests' own Catmull-Clark, limit stencils against many rounds of it."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.polymesh import PolyMesh
from ringwright.core.stencils import limit_stencils, subdivide
from support.subdivision import catmull_clark


def box() -> PolyMesh:
    """A cube with one face taken out and one vertex without a face: 3-poles, an open end, a loose vertex."""
    corners = [[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)]
    quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2]]
    return PolyMesh.from_quads(np.array([*corners, [9, 9, 9]]) + 0.1 * np.random.default_rng(0).random((9, 3)), quads)


def cross() -> PolyMesh:
    """Five quads round a 5-pole, with a rim."""
    angle = 2 * np.pi * np.arange(10) / 10
    rim = np.column_stack([np.cos(angle), np.sin(angle), 0.3 * np.cos(3 * angle)])
    return PolyMesh.from_quads(np.vstack([rim, [0, 0, 0.5]]), [[10, 2 * k, 2 * k + 1, (2 * k + 2) % 10] for k in range(5)])


@pytest.mark.parametrize("mesh", [box(), cross()])
@pytest.mark.parametrize("rounds", [0, 1, 2, 3])
def test_points_and_faces_of_every_round(mesh: PolyMesh, rounds: int) -> None:
    ours, theirs = subdivide(mesh, rounds), catmull_clark(mesh, rounds)
    np.testing.assert_array_equal(ours.quads, theirs.quads())
    np.testing.assert_allclose(ours.stencils.spread(mesh.positions), theirs.positions, atol=1e-13)
    totals = np.add.reduceat(ours.stencils.weights, ours.stencils.starts[:-1])
    np.testing.assert_allclose(totals, 1.0, atol=1e-13)


@pytest.mark.parametrize("mesh", [box(), cross()])
def test_limit_is_where_many_rounds_lead(mesh: PolyMesh) -> None:
    limit = limit_stencils(subdivide(mesh, 1)).spread(mesh.positions)
    errors = [np.abs(limit - catmull_clark(mesh, rounds).positions[: len(limit)]).max() for rounds in (3, 5, 7)]
    assert errors[2] < 1e-4 and errors[0] > 8 * errors[1] > 64 * errors[2]
    both = limit_stencils(subdivide(mesh, 2)).spread(mesh.positions)
    np.testing.assert_allclose(both[: len(limit)], limit, atol=1e-12)


def test_gathered_is_the_transposed() -> None:
    stencils = limit_stencils(subdivide(box(), 2))
    random = np.random.default_rng(1)
    points, forces = random.random((stencils.width, 3)), random.random((stencils.height, 3))
    assert np.sum(stencils.spread(points) * forces) == pytest.approx(np.sum(points * stencils.gathered(forces)), rel=1e-12)


def test_other_faces_are_refused() -> None:
    with pytest.raises(MeshError, match="not quads"):
        subdivide(PolyMesh.from_faces(np.eye(3), [[0, 1, 2]]), 1)
