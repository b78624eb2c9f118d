"""Planted faults are found, each exactly where it was planted, and a sound mesh shows none."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core import defects
from ringwright.core.adjacency import build_adjacency
from ringwright.core.face_geometry import face_area_vectors
from ringwright.core.polymesh import PolyMesh
from support.reference_surface import ReferenceSurface


def grid(columns: int = 4, rows: int = 4) -> PolyMesh:
    """Flat grid of unit quads that look up."""
    x, y = np.meshgrid(np.arange(columns + 1.0), np.arange(rows + 1.0))
    positions = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    row, column = np.divmod(np.arange(rows * columns), columns)
    corner = row * (columns + 1) + column
    return PolyMesh.from_quads(positions, np.column_stack([corner, corner + 1, corner + columns + 2, corner + columns + 1]))


def with_faces(mesh: PolyMesh, faces: list[list[int]], extra: np.ndarray | None = None) -> PolyMesh:
    positions = mesh.positions if extra is None else np.vstack([mesh.positions, extra])
    return PolyMesh.from_faces(positions, [mesh.face(k).tolist() for k in range(mesh.face_count)] + faces)


def turned(mesh: PolyMesh, faces: list[int]) -> PolyMesh:
    return PolyMesh.from_faces(mesh.positions, [mesh.face(k)[::-1].tolist() if k in faces else mesh.face(k).tolist()
                                                for k in range(mesh.face_count)])


def test_sound_grid_shows_nothing() -> None:
    mesh = grid()
    adjacency = build_adjacency(mesh)
    vectors = face_area_vectors(mesh)
    np.testing.assert_allclose(vectors, np.tile([0, 0, 1.0], (16, 1)))
    assert not any(len(found) for found in (
        defects.loose_vertices(adjacency), defects.non_manifold_edges(adjacency), defects.non_manifold_vertices(mesh, adjacency),
        defects.duplicate_vertices(mesh.positions, 1e-6), defects.repeated_corners(mesh), defects.duplicate_faces(mesh),
        defects.zero_area_faces(vectors, 1e-12), defects.flipped_faces(mesh, adjacency),
        defects.folded_edges(adjacency, vectors, 120.0)))


def test_three_faces_at_an_edge() -> None:
    mesh = with_faces(grid(), [[6, 7, 26, 25]], np.array([[1, 1, 1], [2, 1, 1.0]]))
    assert defects.non_manifold_edges(build_adjacency(mesh)).tolist() == [[6, 7]]


def test_pinch_point() -> None:
    mesh = with_faces(grid(), [[24, 25, 26, 27]], np.array([[5, 4, 0], [5, 5, 0], [4, 5, 0.0]]))
    assert defects.non_manifold_vertices(mesh, build_adjacency(mesh)).tolist() == [24]


def test_two_cones_at_one_apex() -> None:
    """Both fans are closed, so no boundary gives the pinch away."""
    ring = np.array([[1, 0, 1], [0, 1, 1], [-1, 0, 1], [0, -1, 1.0]])
    positions = np.vstack([[0, 0, 0], ring, ring * [1, 1, -1]])
    up = [[0, 1 + k, 1 + (k + 1) % 4] for k in range(4)]
    down = [[0, 5 + (k + 1) % 4, 5 + k] for k in range(4)]
    mesh = PolyMesh.from_faces(positions, up + down)
    assert defects.non_manifold_vertices(mesh, build_adjacency(mesh)).tolist() == [0]


@pytest.mark.parametrize("seed", range(5))
def test_close_vertices_are_found_like_by_brute_force(seed: int) -> None:
    random = np.random.default_rng(seed)
    positions = random.random((300, 3))
    twins = random.choice(300, 40, replace=False)
    positions = np.vstack([positions, np.repeat(positions[twins], 3, axis=0) + random.normal(size=(120, 3)) * 6e-4])
    distance = 1e-3
    found = defects.duplicate_vertices(positions, distance)
    gaps = np.linalg.norm(positions[:, None] - positions[None], axis=2)
    later = np.flatnonzero((np.tril(gaps <= distance, -1)).any(axis=1))
    assert found[:, 1].tolist() == later.tolist() and len(later) > 20
    assert (gaps[found[:, 0], found[:, 1]] <= distance).all()


def test_doubled_and_degenerate_faces() -> None:
    mesh = with_faces(grid(), [[7, 6, 1, 2], [0, 1, 1, 6]])
    assert defects.duplicate_faces(mesh).tolist() == [16]
    assert defects.repeated_corners(mesh).tolist() == [17]
    flat = grid().with_positions(np.where(np.arange(25)[:, None] == 6, [[1.0, 0.0, 0.0]], grid().positions))
    squeezed = flat.with_positions(np.where(np.arange(25)[:, None] == 5, [[0.0, 0.0, 0.0]], flat.positions))
    assert defects.zero_area_faces(face_area_vectors(squeezed), 1e-9).tolist() == [0]


def test_loose_vertex() -> None:
    mesh = with_faces(grid(), [], np.array([[9, 9, 9.0]]))
    assert defects.loose_vertices(build_adjacency(mesh)).tolist() == [25]


@pytest.mark.parametrize("planted", [[5], [0, 1, 2], [0, 5, 10, 15]])
def test_flipped_faces(planted: list[int]) -> None:
    mesh = turned(grid(), planted)
    assert defects.flipped_faces(mesh, build_adjacency(mesh)).tolist() == planted


def test_flips_are_judged_piece_by_piece() -> None:
    first = grid()
    second = turned(grid(), list(range(15)))
    both = PolyMesh.from_faces(np.vstack([first.positions, second.positions + [0, 0, 5]]),
                               [first.face(k).tolist() for k in range(16)] + [(second.face(k) + 25).tolist() for k in range(16)])
    assert defects.flipped_faces(both, build_adjacency(both)).tolist() == [31]


def test_moebius_strip_cannot_be_oriented() -> None:
    angle = 2 * np.pi * np.arange(12) / 12
    strip = [np.column_stack([(2 + side * np.cos(angle / 2)) * np.cos(angle), (2 + side * np.cos(angle / 2)) * np.sin(angle),
                              side * np.sin(angle / 2)]) for side in (-0.5, 0.5)]
    faces = [[k, k + 1, 13 + k, 12 + k] for k in range(11)] + [[11, 12, 0, 23]]
    mesh = PolyMesh.from_faces(np.vstack(strip), faces)
    assert len(defects.flipped_faces(mesh, build_adjacency(mesh))) == 12


def test_face_that_looks_against_the_target() -> None:
    target = ReferenceSurface.from_mesh(grid(8, 8))
    mesh = turned(grid(), [3])
    lifted = mesh.with_positions(mesh.positions + [1, 1, 0.1])
    assert defects.faces_against(lifted, face_area_vectors(lifted), target).tolist() == [3]


def test_fold_is_found_at_its_edge() -> None:
    mesh = grid(2, 1)
    folded = mesh.with_positions(np.where(mesh.positions[:, :1] == 2, [[0.2, 0, 0.1]] + mesh.positions * [0, 1, 0], mesh.positions))
    edges = defects.folded_edges(build_adjacency(folded), face_area_vectors(folded), 150.0)
    assert edges.tolist() == [[1, 4]]
