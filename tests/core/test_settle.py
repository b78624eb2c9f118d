"""Settling: on the target, without folds, held vertices still, rows as they were laid, own skin only."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.defects import faces_against
from ringwright.core.face_geometry import face_area_vectors
from ringwright.core.polymesh import BoolArray, FloatArray, PolyMesh
from ringwright.core.quality import METRICS
from ringwright.core.settle import junction_freedom, settle, vertex_normals
from support.random_meshes import grid_faces
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, capsule, cylinder
from support.tubes import join, tube

ROUND = ReferenceSurface(*cylinder(1.0, 6.0, 128, 64))


def rough_tube(seed: int = 0, noise: float = 0.06, sides: int = 12, rings: int = 16) -> PolyMesh:
    """A tube from z = 0.5 to 5.5 whose points stray from the round target and from their rows."""
    mesh = tube(sides, rings, base=(0, 0, 0.5), spacing=5.0 / (rings - 1))
    stray = np.random.default_rng(seed).uniform(-noise, noise, mesh.positions.shape)
    stray[[*range(sides), *range(len(stray) - sides, len(stray))]] = 0
    return mesh.with_positions(mesh.positions + stray)


def ends(mesh: PolyMesh) -> BoolArray:
    return build_adjacency(mesh).boundary_vertex


def scaled_jacobian(mesh: PolyMesh) -> FloatArray:
    return METRICS["scaled_jacobian"].measure(mesh.positions[mesh.quads()])


@pytest.mark.parametrize("seed", range(4))
def test_a_rough_tube_comes_to_lie_on_its_target(seed: int) -> None:
    mesh = rough_tube(seed)
    held = ends(mesh)
    settled = settle(mesh, ROUND, held)
    cage = mesh.with_positions(settled.positions)
    np.testing.assert_array_equal(settled.positions[held], mesh.positions[held])
    assert ROUND.closest(settled.positions[~held]).distances.max() < 1e-9
    assert not len(faces_against(cage, face_area_vectors(cage), ROUND))
    assert scaled_jacobian(mesh).min() < 0.9
    assert scaled_jacobian(cage).min() > 0.9
    assert settled.normals.shape == settled.positions.shape == mesh.positions.shape
    outward = settled.positions * [1, 1, 0]
    assert (np.einsum("ij,ij->i", settled.normals, outward)[~held] > 0.99).all()
    assert settled.steps > 0


def test_a_tube_that_is_too_thin_or_too_thick_lands_too() -> None:
    for factor in (0.7, 1.3):
        mesh = rough_tube(1, 0.03)
        away = mesh.with_positions(mesh.positions * [factor, factor, 1])
        settled = settle(away, ROUND, np.zeros(mesh.vertex_count, dtype=np.bool_))
        np.testing.assert_allclose(np.hypot(*settled.positions.T[:2]), 1, atol=2e-3)
        cage = away.with_positions(settled.positions)
        assert not len(faces_against(cage, face_area_vectors(cage), ROUND))


def test_a_settled_cage_stays() -> None:
    mesh = rough_tube(2)
    held = ends(mesh)
    once = mesh.with_positions(settle(mesh, ROUND, held).positions)
    again = np.linalg.norm(settle(once, ROUND, held).positions - once.positions, axis=1)
    edge = 5.0 / 15
    assert again.max() < 0.1 * edge and again.mean() < 0.03 * edge


def test_rings_gathered_at_a_joint_stay_gathered() -> None:
    heights = np.array([0.5, 1.1, 1.7, 2.3, 2.7, 3.0, 3.3, 3.7, 4.3, 4.9, 5.5])
    mesh = tube(12, len(heights), spacing=1.0)
    laid = mesh.with_positions(mesh.positions * [1, 1, 0] + np.repeat(heights, 12)[:, None] * [0, 0, 1])
    settled = settle(laid, ROUND, ends(laid))
    now = settled.positions[:, 2].reshape(-1, 12).mean(axis=1)
    np.testing.assert_allclose(now, heights, atol=0.06)


def test_folded_faces_are_unfolded() -> None:
    """A vertex dragged over its neighbour folds two faces; they come out flat again."""
    mesh = rough_tube(3, 0.0)
    positions = mesh.positions.copy()
    positions[7 * 12 + 4] = positions[9 * 12 + 4] + 0.3 * (positions[9 * 12 + 5] - positions[9 * 12 + 4])
    folded = mesh.with_positions(positions)
    assert scaled_jacobian(folded).min() < 0
    settled = settle(folded, ROUND, ends(mesh))
    cage = mesh.with_positions(settled.positions)
    assert scaled_jacobian(cage).min() > 0.5
    assert not len(faces_against(cage, face_area_vectors(cage), ROUND))


def test_a_vertex_keeps_to_its_own_limbs_skin() -> None:
    """Two round limbs stand a tenth of their radius apart; the cage of one strays into the gap and past its middle."""
    one, other = capsule(1.0, 6.0, 96, 64), capsule(1.0, 6.0, 96, 64)
    both = Shape(np.concatenate([one.positions, other.positions + [2.1, 0, 0]]),
                 np.concatenate([one.triangles, other.triangles + len(one.positions)]))
    mesh = rough_tube(4, 0.02)
    fat = mesh.with_positions(mesh.positions * [1.07, 1.07, 1])
    alone = ReferenceSurface(*one)
    past = ReferenceSurface(both.positions, both.triangles).closest(fat.positions).positions[:, 0] > 1.04
    assert past.sum() > 5
    settled = settle(fat, ReferenceSurface(*both), np.zeros(mesh.vertex_count, dtype=np.bool_))
    assert alone.closest(settled.positions).distances.max() < 1e-9


def test_lone_vertices_and_other_faces_do_no_harm() -> None:
    mesh = rough_tube(5)
    corners = mesh.quads().tolist()
    faces = [corners[40][:3], [corners[40][0], *corners[40][2:]], *corners[:40], *corners[41:]]
    mixed = PolyMesh.from_faces(np.concatenate([mesh.positions, [[1.0, 0, 3]]]), faces)
    settled = settle(mixed, ROUND, np.append(ends(mesh), False))
    assert np.isfinite(settled.positions).all()
    assert ROUND.closest(settled.positions).distances.max() < 1e-3


def test_two_pieces_settle_each_on_its_own() -> None:
    mesh = join(rough_tube(6), rough_tube(7))
    settled = settle(mesh, ROUND, ends(mesh))
    assert ROUND.closest(settled.positions[~ends(mesh)]).distances.max() < 1e-9


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_settling_knows_no_scale(scale: float) -> None:
    mesh = rough_tube(8)
    shape = cylinder(1.0, 6.0, 128, 64)
    plain = settle(mesh, ROUND, ends(mesh))
    scaled = settle(mesh.with_positions(scale * mesh.positions), ReferenceSurface(scale * shape.positions, shape.triangles), ends(mesh))
    np.testing.assert_allclose(scaled.positions / scale, plain.positions, atol=0.01)


def test_normals_of_a_tube_look_outward() -> None:
    mesh = tube(16, 4)
    normals = vertex_normals(mesh.positions, mesh.quads())
    np.testing.assert_allclose(normals, mesh.positions * [1, 1, 0], atol=1e-12)


def test_freedom_falls_from_poles() -> None:
    quads = np.array(grid_faces(8, 8))
    mesh = PolyMesh.from_quads(np.zeros((81, 3)), quads)
    assert not junction_freedom(build_adjacency(mesh)).any()
    three = PolyMesh.from_quads(np.zeros((7, 3)), [[0, 1, 2, 3], [0, 3, 4, 5], [0, 5, 6, 1]])
    freedom = junction_freedom(build_adjacency(three))
    assert freedom[0] == 1 and (freedom[[1, 3, 5]] == 0.75).all() and (freedom[[2, 4, 6]] == 0.5).all()
