"""The worst faces of a settled cage: corners move along the skin until no face is folded or nearly flat."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.relaxation import build_stencil
from ringwright.core.worst_faces import POOR, Corners, better_worst_faces, face_shapes
from support.random_meshes import grid_faces
from support.reference_surface import ReferenceSurface
from support.shapes import sphere

SIDE = 7
SKIN = ReferenceSurface(*sphere(1.0, 6))


def patch_of_the_sphere(shift: FloatArray, vertex: int) -> tuple[FloatArray, PolyMesh]:
    """An even grid of 6 by 6 quads on the top of the unit sphere, one vertex of it shifted along the skin; the grid as it was, too."""
    across = np.linspace(-0.45, 0.45, SIDE)
    x, y = (each.ravel() for each in np.meshgrid(across, across))
    even = np.column_stack([x, y, np.sqrt(1.0 - x**2 - y**2)])
    moved = even.copy()
    moved[vertex, :2] += shift
    moved[vertex] /= np.linalg.norm(moved[vertex])
    quads = np.array(grid_faces(SIDE - 1, SIDE - 1), dtype=np.int32)
    return even, PolyMesh.from_quads(moved, quads)


def corners_of(mesh: PolyMesh, may_move: np.ndarray | None = None) -> Corners:
    stencil = build_stencil(mesh, build_adjacency(mesh), np.zeros(mesh.vertex_count))
    free = np.ones(mesh.vertex_count, dtype=np.bool_) if may_move is None else may_move
    return Corners(stencil.quads, stencil.vertex_faces, free, np.ones(mesh.vertex_count))


MIDDLE = SIDE * SIDE // 2


@pytest.mark.parametrize("shift", [(0.17, 0.0), (0.2, 0.1), (0.0, -0.4), (0.14, 0.14)])
def test_folds_round_a_strayed_vertex_are_undone_on_the_skin(shift: tuple[float, float]) -> None:
    _, mesh = patch_of_the_sphere(np.array(shift), MIDDLE)
    normals = mesh.positions / np.linalg.norm(mesh.positions, axis=1, keepdims=True)
    assert face_shapes(mesh.positions, normals, mesh.quads()).min() < POOR
    found = better_worst_faces(mesh.positions, normals, corners_of(mesh), SKIN)
    assert face_shapes(found.positions, found.normals, mesh.quads()).min() >= POOR
    np.testing.assert_allclose(np.linalg.norm(found.positions, axis=1), 1.0, atol=2e-3)


def test_a_sound_mesh_stays_as_it_is() -> None:
    even, mesh = patch_of_the_sphere(np.zeros(2), MIDDLE)
    found = better_worst_faces(mesh.positions, even, corners_of(mesh), SKIN)
    np.testing.assert_array_equal(found.positions, mesh.positions)


def test_vertices_that_may_not_move_stay_and_no_face_gets_worse_than_the_worst() -> None:
    _, mesh = patch_of_the_sphere(np.array([0.2, 0.1]), MIDDLE)
    free = np.arange(mesh.vertex_count) % 2 == 1
    assert not free[MIDDLE] or free[MIDDLE + 1]
    normals = mesh.positions / np.linalg.norm(mesh.positions, axis=1, keepdims=True)
    before = face_shapes(mesh.positions, normals, mesh.quads()).min()
    found = better_worst_faces(mesh.positions, normals, corners_of(mesh, free), SKIN)
    np.testing.assert_array_equal(found.positions[~free], mesh.positions[~free])
    assert face_shapes(found.positions, found.normals, mesh.quads()).min() >= before


def test_a_face_that_looks_inward_counts_as_folded() -> None:
    even, mesh = patch_of_the_sphere(np.zeros(2), MIDDLE)
    shapes = face_shapes(even, even, mesh.quads())
    np.testing.assert_allclose(face_shapes(even, -even, mesh.quads()), -shapes)
    assert shapes.min() > 0.8
