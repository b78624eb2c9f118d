"""Triangles: how polygons are split, and the nearest point of one against libigl."""

from __future__ import annotations

import igl
import numpy as np
import pytest

from ringwright.core.polymesh import FloatArray
from ringwright.core.triangles import split_quads, triangle_normals, ways_to_triangles


def test_a_flat_quad_is_split_from_its_first_corner() -> None:
    square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    assert split_quads(square, np.array([[0, 1, 2, 3]], dtype=np.int32)).tolist() == [[0, 1, 2], [0, 2, 3]]


@pytest.mark.parametrize("dented", range(4))
def test_a_dented_quad_is_split_at_its_dent(dented: int) -> None:
    """A dart: split through its dent both halves look up, along the other line one would look down."""
    dart = np.array([[0.0, 0, 0], [4, 0, 0], [1, 1, 0], [0, 4, 0]])
    positions = np.roll(dart, dented - 2, axis=0)
    triangles = split_quads(positions, np.array([[0, 1, 2, 3]], dtype=np.int32))
    assert (triangle_normals(positions[triangles])[:, 2] > 0.99).all()
    assert all(dented in triangle for triangle in triangles.tolist())


def test_many_quads_keep_their_order_and_area() -> None:
    random = np.random.default_rng(3)
    positions = random.random((40_000, 3))
    quads = np.arange(40_000, dtype=np.int32).reshape(-1, 4)
    triangles = split_quads(positions, quads)
    assert triangles.shape == (20_000, 3)
    assert [set(pair.ravel().tolist()) for pair in triangles.reshape(-1, 2, 3)] == [set(quad) for quad in quads.tolist()]
    vectors = np.cross(positions[triangles[:, 1]] - positions[triangles[:, 0]], positions[triangles[:, 2]] - positions[triangles[:, 0]])
    corners = positions[quads]
    whole = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    np.testing.assert_allclose(vectors.reshape(-1, 2, 3).sum(axis=1), whole, atol=1e-12)


@pytest.mark.parametrize("thin", [1.0, 1e-3, 1e-7])
def test_ways_end_where_libigl_finds_the_nearest_point(thin: float) -> None:
    """Fat triangles and slivers, points on all sides of them."""
    points, corners = points_and_triangles(thin)
    expected = np.array([igl.point_mesh_squared_distance(point[None], triangle, np.array([[0, 1, 2]]))[0]
                         for point, triangle in zip(points, corners, strict=True)]).ravel()
    found = np.linalg.norm(ways_to_triangles(points, corners), axis=0)
    np.testing.assert_allclose(found, np.sqrt(expected), atol=2 * thin if thin < 1e-5 else 1e-12)


def test_ways_to_triangles_without_area_end_on_their_longest_side() -> None:
    points, corners = points_and_triangles(0.0)
    onward = np.roll(corners, -1, axis=1) - corners
    share = np.clip(np.einsum("nki,nki->nk", points[:, None] - corners, onward) / np.einsum("nki,nki->nk", onward, onward), 0.0, 1.0)
    expected = np.linalg.norm(points[:, None] - corners - share[..., None] * onward, axis=2).min(axis=1)
    np.testing.assert_allclose(np.linalg.norm(ways_to_triangles(points, corners), axis=0), expected, atol=1e-12)
    same = np.repeat(corners[:, :1], 3, axis=1)
    np.testing.assert_allclose(ways_to_triangles(points, same).T, same[:, 0] - points)


def points_and_triangles(thin: float) -> tuple[FloatArray, FloatArray]:
    """Random points and triangles whose third corner has gone down on their first side."""
    random = np.random.default_rng(7)
    corners, points = random.random((3000, 3, 3)), 3.0 * random.random((3000, 3)) - 1.0
    side = corners[:, 1] - corners[:, 0]
    share = np.einsum("ij,ij->i", corners[:, 2] - corners[:, 0], side) / np.einsum("ij,ij->i", side, side)
    foot = corners[:, 0] + share[:, None] * side
    corners[:, 2] = foot + thin * (corners[:, 2] - foot)
    return points, corners


def test_a_point_in_its_triangle_stays() -> None:
    corners = np.random.default_rng(1).random((500, 3, 3))
    weights = np.random.default_rng(2).dirichlet([1.0, 1.0, 1.0], 500)
    points = np.einsum("nc,nck->nk", weights, corners)
    assert np.abs(ways_to_triangles(points, corners)).max() < 1e-12


def test_normals_look_where_corners_run_counter_clockwise() -> None:
    corners = np.array([[[0.0, 0, 0], [2, 0, 0], [0, 3, 0]], [[0, 0, 0], [0, 3, 0], [2, 0, 0]], [[1, 1, 1]] * 3])
    np.testing.assert_allclose(triangle_normals(corners), [[0, 0, 1], [0, 0, -1], [0, 0, 0]])
