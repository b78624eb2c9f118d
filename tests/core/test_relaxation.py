"""What quads ask of their corners: rectangles, and places between the neighbours."""

from __future__ import annotations

import numpy as np

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.relaxation import (
    build_stencil,
    corner_normals,
    neighbour_middle,
    quad_shapes,
    rectangle_targets,
    relaxed,
    sound_quads,
    vertex_normals_of,
)
from ringwright.core.rows import rows_of
from support.random_meshes import grid_faces


def grid(rows: int, columns: int, heights: FloatArray | None = None) -> PolyMesh:
    """A flat sheet of rows * columns quads, one unit wide, its rows at the given heights."""
    place = np.arange(rows + 1.0) if heights is None else heights
    across, along = np.meshgrid(np.arange(columns + 1.0), place)
    positions = np.column_stack([across.ravel(), along.ravel(), np.zeros(across.size)])
    return PolyMesh.from_quads(positions, grid_faces(rows, columns))


def asked(mesh: PolyMesh, freedom: float = 0.0) -> FloatArray:
    stencil = build_stencil(mesh, build_adjacency(mesh), np.full(mesh.vertex_count, freedom))
    rows = rows_of(mesh.positions)
    up = quad_shapes(rows, stencil.corners).areas
    return relaxed(rows, up, stencil).T


def test_rectangles_most_like_a_quad() -> None:
    normal = np.array([[0.0, 0, 1]])
    rectangle = np.array([[[0.0, 0, 0], [3, 0, 0], [3, 1, 0], [0, 1, 0]]])
    np.testing.assert_allclose(rectangle_targets(rectangle, normal, np.zeros(1)), rectangle, atol=1e-12)
    squarer = rectangle_targets(rectangle, normal, np.ones(1))[0]
    wide, tall = np.ptp(squarer, axis=0)[:2]
    assert 3 > wide > np.sqrt(3) > tall > 1  # on the way to the square of the same area
    np.testing.assert_allclose(squarer.mean(axis=0), [1.5, 0.5, 0], atol=1e-12)
    leaning = np.array([[[0.0, 0, 0], [2, 0.2, 0], [2.4, 1.2, 0], [0.2, 1, 0]]])
    made = rectangle_targets(leaning, normal, np.zeros(1))[0]
    edges = np.roll(made, -1, axis=0) - made
    np.testing.assert_allclose(np.sum(edges * np.roll(edges, 1, axis=0), axis=1), 0, atol=1e-12)


def test_a_folded_quad_asks_for_a_rectangle_seen_from_its_side() -> None:
    normal = np.array([[0.0, 0, 1]])
    folded = np.array([[[0.0, 0, 0], [2, 0, 0], [2, -1, 0], [0, -1, 0]]])
    made = rectangle_targets(folded, normal, np.zeros(1))[0]
    assert np.cross(made[2] - made[0], made[3] - made[1])[2] > 0.5


def test_rows_of_rectangles_lie_still() -> None:
    """Gathered rows as at a joint: every vertex asks to stay, the rim's too, but for the sheet's four corners."""
    mesh = grid(6, 5, np.array([0.0, 1.0, 1.8, 2.1, 2.4, 3.2, 4.2]))
    kept = ~np.isin(np.arange(mesh.vertex_count), [0, 5, 36, 41])
    np.testing.assert_allclose(asked(mesh)[kept], mesh.positions[kept], atol=1e-12)


def test_free_vertices_ask_for_even_rows() -> None:
    mesh = grid(2, 4, np.array([0.0, 0.4, 2.0]))
    middle = np.flatnonzero((mesh.positions[:, 1] == 0.4) & (mesh.positions[:, 0] == 2.0))
    assert 0.5 < asked(mesh, freedom=1.0)[middle, 1] < 1.0


def test_vertices_without_faces_or_neighbours_stay() -> None:
    sheet = grid(2, 2)
    corners = sheet.quads().tolist()
    mesh = PolyMesh.from_faces(np.concatenate([sheet.positions, [[9.0, 9, 9], [0, -1, 0]]]), [*corners, [0, 10, 1]])
    np.testing.assert_allclose(asked(mesh)[[9]], [[9.0, 9, 9]])
    stencil = build_stencil(mesh, build_adjacency(mesh), np.zeros(mesh.vertex_count))
    assert stencil.lone.tolist() == [False] * 9 + [True, True] and stencil.alone.tolist() == [False] * 9 + [True, False]
    np.testing.assert_allclose(neighbour_middle(rows_of(mesh.positions), stencil)[:, 9], [9.0, 9, 9])


def test_sound_quads_against_all_four_corners() -> None:
    """Random quads: sound where each corner's own area looks the face's way and that is the normals' way."""
    random = np.random.default_rng(5)
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]) + 0.5 * random.standard_normal((4000, 4, 3)) * [1, 1, 0.2]
    mesh = PolyMesh.from_quads(corners.reshape(-1, 3), np.arange(16_000).reshape(-1, 4))
    rows, every = rows_of(mesh.positions), mesh.quads().T
    face = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    onward, back = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    expected = (np.einsum("fki,fi->fk", np.cross(onward, back), face) > 0).all(axis=1) & (face[:, 2] > 0)
    normals = np.tile([[0.0], [0.0], [1.0]], (1, mesh.vertex_count))
    found = sound_quads(quad_shapes(rows, every), corner_normals(normals, every))
    assert 0.2 < expected.mean() < 0.8
    np.testing.assert_array_equal(found, expected)


def test_vertex_normals_are_those_of_the_faces_round() -> None:
    mesh = grid(3, 3)
    stencil = build_stencil(mesh, build_adjacency(mesh), np.zeros(mesh.vertex_count))
    areas = quad_shapes(rows_of(mesh.positions), stencil.corners).areas
    np.testing.assert_allclose(vertex_normals_of(areas, stencil), np.tile([[0.0], [0.0], [1.0]], (1, 16)))
