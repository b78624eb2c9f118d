"""The second opinion itself, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from support.reference_surface import ReferenceSurface
from support.shapes import cylinder, sphere


@pytest.fixture(scope="module")
def ball() -> ReferenceSurface:
    shape = sphere(rounds=6)
    return ReferenceSurface(1000.0 * shape.positions + 5000.0, shape.triangles)


def _points_round_ball(count: int) -> np.ndarray:
    return 5000.0 + 1000.0 * np.random.default_rng(4).normal(size=(count, 3))


def test_closest_points_of_a_sphere(ball: ReferenceSurface) -> None:
    points = _points_round_ball(2000)
    nearest = ball.closest(points)
    radius = np.linalg.norm(points - 5000.0, axis=1)
    assert np.abs(nearest.distances - np.abs(radius - 1000.0)).max() < 0.5  # facets lie up to 0.4 below the sphere
    assert np.allclose(np.linalg.norm(points - nearest.positions, axis=1), nearest.distances)
    assert np.einsum("ij,ij->i", nearest.normals, nearest.positions - 5000.0).min() > 990.0


def test_rays_from_the_middle_never_slip_between_triangles(ball: ReferenceSurface) -> None:
    towards = ball.positions - 5000.0  # straight at vertices, where triangles meet
    hits = ball.cast(np.full_like(towards, 5000.0), 3.0 * towards)
    assert hits.hit.all()
    assert np.abs(hits.distances - 1000.0).max() < 0.1
    assert np.abs(hits.positions - ball.positions).max() < 0.2


def test_rays_that_miss(ball: ReferenceSurface) -> None:
    origins = np.array([[5000.0, 5000.0, 7000.0], [5000.0, 5000.0, 7000.0]])
    hits = ball.cast(origins, np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]))
    assert hits.hit.tolist() == [False, True]
    assert np.array_equal(hits.positions[0], origins[0])
    assert np.isinf(hits.distances[0]) and not hits.normals[0].any()
    assert hits.distances[1] == pytest.approx(1000.0, abs=1e-6)


def test_inside_a_sphere_whichever_way_it_faces(ball: ReferenceSurface) -> None:
    points = _points_round_ball(2000)
    radius = np.linalg.norm(points - 5000.0, axis=1)
    clear = np.abs(radius - 1000.0) > 1.0
    turned = ReferenceSurface(ball.positions, ball.triangles[:, ::-1])
    for surface in (ball, turned):
        assert np.array_equal(surface.inside(points)[clear], (radius < 1000.0)[clear])


def test_inside_an_open_tube() -> None:
    shape = cylinder(radius=1.0, length=8.0)
    surface = ReferenceSurface(shape.positions, shape.triangles)
    points = np.array([[0.0, 0.0, 4.0], [0.9, 0.0, 4.0], [1.1, 0.0, 4.0], [0.0, 0.0, 9.0]])
    assert surface.inside(points).tolist() == [True, True, False, False]


def test_no_points(ball: ReferenceSurface) -> None:
    none = np.zeros((0, 3))
    assert ball.closest(none).normals.shape == (0, 3)
    assert ball.cast(none, none).distances.shape == (0,)
    assert ball.inside(none).shape == (0,)
