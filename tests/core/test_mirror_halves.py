"""Mirror planes, matches by topology, repairs."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.mirror_halves import (
    MirrorPlane,
    asymmetry,
    check_mirror_plane,
    find_mirror_plane,
    mirror_match,
    neighbours_agree,
    one_sided,
    symmetrised,
)
from ringwright.core.polymesh import PolyMesh
from support.reference_surface import ReferenceSurface
from support.shapes import fork
from support.tubes import tube

ACROSS_X = MirrorPlane(np.zeros(3), np.array([1.0, 0, 0]), 0.0)


def barrel() -> PolyMesh:
    """A tube whose columns lie on the plane x = 0 twice."""
    return tube(12, 7, turn=np.pi / 2)


@pytest.mark.parametrize("turn", [0.0, np.pi / 12, 0.3])
def test_a_tube_matches_whether_vertices_or_edges_lie_on_the_plane(turn: float) -> None:
    mesh = tube(12, 5, turn=turn)
    plane = MirrorPlane(np.zeros(3), np.array([np.cos(turn), np.sin(turn), 0]), 0.0)
    partner = mirror_match(mesh, plane)
    assert neighbours_agree(mesh, partner) and asymmetry(mesh, plane, partner).max() < 1e-12


def test_the_match_holds_when_one_side_was_moved() -> None:
    mesh = barrel()
    expected = mirror_match(mesh, ACROSS_X)
    rng = np.random.default_rng(2)
    moved = mesh.with_positions(mesh.positions + 0.05 * rng.standard_normal(mesh.positions.shape))
    assert np.array_equal(mirror_match(moved, ACROSS_X), expected)


def test_repair_is_exact_and_moves_no_more_than_half_the_fault() -> None:
    mesh = barrel()
    partner = mirror_match(mesh, ACROSS_X)
    rng = np.random.default_rng(4)
    moved = mesh.with_positions(mesh.positions + 0.03 * rng.standard_normal(mesh.positions.shape))
    repaired = symmetrised(moved, ACROSS_X, partner)
    assert asymmetry(repaired, ACROSS_X, partner).max() < 1e-12
    step = np.linalg.norm(repaired.positions - moved.positions, axis=1)
    assert (step <= 0.5 * asymmetry(moved, ACROSS_X, partner) + 1e-12).all()
    on_plane = partner == np.arange(mesh.vertex_count)
    assert on_plane.sum() == 14 and np.abs(repaired.positions[on_plane, 0]).max() < 1e-15


def test_an_edited_side_is_carried_over() -> None:
    mesh = barrel()
    partner = mirror_match(mesh, ACROSS_X)
    edited = mesh.positions.copy()
    edited[edited[:, 0] > 0.1] += [0.2, 0.1, 0.05]
    both = one_sided(mesh.with_positions(edited), ACROSS_X, partner)
    assert asymmetry(both, ACROSS_X, partner).max() < 1e-12
    kept = mesh.positions[:, 0] > 0.1
    assert np.allclose(both.positions[kept], edited[kept])


def test_halves_that_are_not_alike_are_refused() -> None:
    mesh = barrel()
    quads = mesh.quads()
    right = int(np.argmax(mesh.positions[quads].mean(axis=1)[:, 0]))
    cut = PolyMesh.from_faces(mesh.positions, [face.tolist() for index, face in enumerate(quads) if index != right])
    with pytest.raises(MeshError, match="not built alike"):
        mirror_match(cut, ACROSS_X)


@pytest.mark.parametrize("seed", range(4))
def test_the_plane_of_a_turned_target_is_found(seed: int) -> None:
    shape = fork(48)
    rng = np.random.default_rng(seed)
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    shift = rng.standard_normal(3)
    points = shape.positions @ turn.T + shift
    surface = ReferenceSurface(points, shape.triangles)
    plane = find_mirror_plane(surface, points)
    assert plane.error < 1e-3
    assert surface.closest(plane.reflect(points)).distances.max() < 0.02 * surface.diagonal


def test_a_lopsided_target_says_so() -> None:
    shape = fork(40)
    points = shape.positions.copy()
    points[:, 0] += 0.4 * np.maximum(points[:, 0], 0) ** 2
    points[:, 1] += 0.3 * points[:, 2] * points[:, 0]
    straight = find_mirror_plane(ReferenceSurface(shape.positions, shape.triangles), shape.positions).error
    found = find_mirror_plane(ReferenceSurface(points, shape.triangles), points)
    assert found.error > 3 * straight
    with pytest.raises(MeshError, match="like its mirror image across no plane"):
        check_mirror_plane(found)
