"""Arc length and frames: against quadrature and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial import SphericalVoronoi
from scipy.spatial.transform import Rotation

from ringwright.core.frames import (
    any_square_direction,
    arc_lengths,
    even_directions,
    rotation_minimising_frames,
    sample_polyline,
    smooth_directions,
    square_to,
    unit,
)
from ringwright.core.polymesh import FloatArray

RADIUS, PITCH = 1.0, 0.5
SPEED = float(np.hypot(RADIUS, PITCH))
TURN = -2 * np.pi * PITCH / SPEED  # of the frame against the Frenet normal in one turn of the helix: minus the total torsion


def helix(steps: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points, tangents and Frenet normals over one turn."""
    u = np.linspace(0, 2 * np.pi, steps + 1)
    points = np.column_stack([RADIUS * np.cos(u), RADIUS * np.sin(u), PITCH * u])
    tangents = np.column_stack([-RADIUS * np.sin(u), RADIUS * np.cos(u), np.full_like(u, PITCH)]) / SPEED
    return points, tangents, np.column_stack([-np.cos(u), -np.sin(u), np.zeros_like(u)])


def helix_error(steps: int) -> float:
    points, tangents, normals = helix(steps)
    frames = rotation_minimising_frames(points, tangents, normals[0])
    turned = Rotation.from_rotvec(TURN * tangents[-1]).apply(normals[-1])
    return float(np.linalg.norm(frames[-1] - turned))


def test_the_helix_turns_as_its_closed_form_says() -> None:
    """Source: Wang et al. 2008; the figures at 16 to 256 steps were computed apart from this code."""
    assert pytest.approx(-2.809926, abs=1e-6) == TURN
    for steps, error in ((16, 1.49e-5), (32, 9.29e-7), (64, 5.80e-8), (128, 3.63e-9)):
        assert helix_error(steps) == pytest.approx(error, rel=0.01)


def test_double_reflection_is_of_fourth_order() -> None:
    errors = [helix_error(steps) for steps in (16, 32, 64, 128)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    np.testing.assert_allclose(orders, 4.0, atol=0.05)


def test_frames_are_unit_and_square_to_their_tangents() -> None:
    points, tangents, normals = helix(50)
    frames = rotation_minimising_frames(points, tangents, normals[0] + 0.7 * tangents[0])
    np.testing.assert_allclose(np.linalg.norm(frames, axis=1), 1, atol=1e-14)
    np.testing.assert_allclose(np.sum(frames * tangents, axis=1), 0, atol=1e-14)


def test_a_planar_arc_keeps_its_binormal_and_carries_the_radius() -> None:
    angle = np.linspace(0, 1.5 * np.pi, 23)
    radial = np.column_stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)])
    tangents = np.column_stack([-np.sin(angle), np.cos(angle), np.zeros_like(angle)])
    np.testing.assert_allclose(rotation_minimising_frames(2 * radial, tangents, np.array([0.0, 0, 1])), [[0, 0, 1]] * 23, atol=1e-14)
    np.testing.assert_allclose(rotation_minimising_frames(2 * radial, tangents, radial[0]), radial, atol=1e-13)


def test_the_frame_stays_where_points_stand_still() -> None:
    points = np.array([[0.0, 0, 0], [0, 0, 0], [0, 0, 1]])
    frames = rotation_minimising_frames(points, np.tile([0.0, 0, 1], (3, 1)), np.array([1.0, 0, 0]))
    np.testing.assert_array_equal(frames, [[1, 0, 0]] * 3)


def test_arc_length_of_a_fine_polyline_meets_a_quadrature() -> None:
    """The ellipse with half axes 2 and 1, a quarter of it: chords of a polyline fall short by the square of their length."""
    def at(t: FloatArray) -> FloatArray:
        return np.column_stack([2 * np.cos(t), np.sin(t), 0 * t])

    exact = quad(lambda t: np.hypot(2 * np.sin(t), np.cos(t)), 0, np.pi / 2, epsabs=1e-13)[0]
    short = [exact - arc_lengths(at(np.linspace(0, np.pi / 2, count + 1)))[-1] for count in (100, 200, 400)]
    assert 0 < short[0] < 1e-4 * exact
    np.testing.assert_allclose(np.array(short[:-1]) / short[1:], 4, rtol=0.01)
    places = np.linspace(0, np.pi / 2, 401)
    lengths = arc_lengths(at(places))
    assert lengths.shape == (401,) and lengths[0] == 0
    halfway = quad(lambda t: np.hypot(2 * np.sin(t), np.cos(t)), 0, places[150], epsabs=1e-13)[0]
    assert lengths[150] == pytest.approx(halfway, rel=1e-5)


def test_a_polyline_is_sampled_by_length_and_straight_beyond_its_ends() -> None:
    corner = np.array([[0.0, 0, 0], [2, 0, 0], [2, 4, 0]])
    sampled = sample_polyline(corner, np.array([-1.0, 0, 1, 2, 3, 6, 8]))
    np.testing.assert_allclose(sampled, [[-1, 0, 0], [0, 0, 0], [1, 0, 0], [2, 0, 0], [2, 1, 0], [2, 4, 0], [2, 6, 0]], atol=1e-15)


def test_the_plane_at_a_joint_bisects_the_bend() -> None:
    bend = np.radians(70)
    onward = np.array([np.sin(bend), 0, np.cos(bend)])
    points = np.array([[0.0, 0, -3], [0, 0, 0], 3 * onward])
    direction = smooth_directions(points, np.array([3.0]), np.array([1.0]))[0]
    np.testing.assert_allclose(direction, unit(np.array([0, 0, 1]) + onward), atol=1e-14)
    far = smooth_directions(points, np.array([1.0, 5.0]), np.array([0.5, 0.5]))
    np.testing.assert_allclose(far, [[0, 0, 1], onward], atol=1e-14)


def test_directions_square_to_an_axis() -> None:
    rng = np.random.default_rng(3)
    axes = unit(rng.normal(size=(20, 3)))
    for axis in [*axes, *np.eye(3)]:
        across = any_square_direction(axis)
        assert abs(across @ axis) < 1e-15 and np.linalg.norm(across) == pytest.approx(1, abs=1e-14)
    vectors = rng.normal(size=(20, 3))
    np.testing.assert_allclose(np.sum(square_to(vectors, axes) * axes, axis=1), 0, atol=1e-14)
    np.testing.assert_array_equal(unit(np.zeros((2, 3))), np.zeros((2, 3)))


@pytest.mark.parametrize(("count", "first_turn"), [(48, 0.0), (256, 0.7)])
def test_directions_lie_evenly_over_the_sphere(count: int, first_turn: float) -> None:
    """Every direction has the same share of the sphere, as scipy's spherical Voronoi cells tell it; the two ends differ most."""
    directions = even_directions(count, first_turn)
    shares = SphericalVoronoi(directions).calculate_areas() / (4 * np.pi / count)
    assert directions.shape == (count, 3) and shares.min() > 0.93 and shares.max() < 1.2
    assert np.ptp(np.sort(shares)[2:-2]) < 0.12
    turned = Rotation.from_rotvec([0.0, 0.0, first_turn]).apply(even_directions(count))
    np.testing.assert_allclose(directions, turned, atol=1e-12)
