"""Cross-sections: rays, areas and centroids of known outlines, evenly cut rings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from ringwright.core.polymesh import FloatArray
from ringwright.core.section import (
    Tube,
    area_radii,
    cast_profiles,
    centroids,
    directions_at,
    even_angles,
    fill_profiles,
    fullest_phase,
    girths,
    near_tubes,
    nearest_phase,
    ring_angles,
)
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, cylinder

Z, X = np.array([[0.0, 0, 1]]), np.array([[1.0, 0, 0]])


@pytest.fixture(scope="module")
def tube() -> ReferenceSurface:
    return ReferenceSurface(*cylinder(1.0, 4.0, around=512, along=8))


def ellipse(long: float, short: float, rays: int = 256) -> FloatArray:
    """Polar profile of an ellipse round its centre."""
    angle = even_angles(1, rays)[0]
    return long * short / np.hypot(short * np.cos(angle), long * np.sin(angle))


def test_angles_run_counter_clockwise_about_the_tangent() -> None:
    directions = directions_at(Z, X, np.array([[0, np.pi / 2, np.pi]]))
    np.testing.assert_allclose(directions[0], [[1, 0, 0], [0, 1, 0], [-1, 0, 0]], atol=1e-15)


def test_rays_measure_a_round_tube_from_an_off_centre_point(tube: ReferenceSurface) -> None:
    centre = np.array([[0.4, 0.0, 2.0]])
    radii = cast_profiles(tube, centre, Z, X, even_angles(1))
    angle = even_angles(1)[0]
    exact = -0.4 * np.cos(angle) + np.sqrt(1 - (0.4 * np.sin(angle)) ** 2)
    np.testing.assert_allclose(radii[0], exact, atol=1e-4)
    np.testing.assert_allclose(centroids(centre, Z, X, radii)[0], [0, 0, 2], atol=0.01)
    assert area_radii(radii)[0] == pytest.approx(1, abs=0.01)


def test_rays_that_miss_or_meet_the_skin_from_outside_count_for_nothing(tube: ReferenceSurface) -> None:
    assert np.isinf(cast_profiles(tube, np.array([[0.0, 0, 9]]), Z, X, even_angles(1))).all()
    beside = cast_profiles(tube, np.array([[3.0, 0, 2]]), Z, X, even_angles(1))
    assert np.isinf(beside).all()
    turned = ReferenceSurface(tube.positions, tube.triangles[:, ::-1])
    assert np.isinf(cast_profiles(turned, np.array([[0.0, 0, 2]]), Z, X, even_angles(1))).all()


def test_the_skin_of_another_limb_counts_for_nothing(tube: ReferenceSurface) -> None:
    other = Tube(np.array([[0.9, 0.0, 2], [2, 0, 2], [3, 0, 2]]), np.full(3, 0.3))
    radii = cast_profiles(tube, np.array([[0.0, 0, 2]]), Z, X, even_angles(1), [other])[0]
    angle = even_angles(1)[0]
    masked = 2 * np.sin(np.minimum(angle, 2 * np.pi - angle) / 2) < 0.33
    assert np.isinf(radii[masked]).all() and np.isfinite(radii[~masked]).all() and masked.sum() == 3


def test_points_behind_a_limbs_root_are_not_its_own() -> None:
    other = Tube(np.array([[0.0, 0, 0], [0, 0, 1], [0, 0, 2]]), np.ones(3))
    points = np.array([[0.5, 0, -0.1], [0.5, 0, 0.1], [0, 1.1, 1.5], [0, 1.3, 1.5], [0, 0, 2.9], [0, 0, 3.3]])
    assert near_tubes(points, [other]).tolist() == [False, True, True, False, True, False]
    assert not near_tubes(points, []).any()


def test_figures_of_an_ellipse() -> None:
    profile = ellipse(2, 1)[None]
    assert area_radii(profile)[0] == pytest.approx(np.sqrt(2), rel=1e-3)
    exact = 4 * quad(lambda t: np.hypot(2 * np.sin(t), np.cos(t)), 0, np.pi / 2)[0]
    assert girths(profile)[0] == pytest.approx(exact, rel=1e-3)
    centre = np.array([[5.0, 6, 7]])
    np.testing.assert_allclose(centroids(centre, Z, X, profile), centre, atol=1e-12)


def test_the_area_of_an_uneven_outline_is_that_of_its_polygon() -> None:
    """Against the shoelace formula over the outline's points."""
    profile = np.random.default_rng(2).uniform(0.5, 2.0, (3, 11))
    x, y = profile * np.cos(even_angles(3, 11)), profile * np.sin(even_angles(3, 11))
    areas = 0.5 * np.sum(x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y, axis=1)
    np.testing.assert_allclose(area_radii(profile), np.sqrt(areas / np.pi), rtol=1e-12)


def test_gaps_are_filled_round_the_ring_and_lost_rings_from_the_next() -> None:
    radii = np.tile(np.arange(1.0, 9.0), (4, 1))
    radii[1, 0], radii[1, 3] = np.inf, np.inf
    radii[2, 2:] = np.inf
    radii[3] = np.inf
    filled = fill_profiles(radii)
    np.testing.assert_allclose(filled[1], [5.0, 2, 3, 4, 5, 6, 7, 8])  # between 8 and 2 round the end, between 3 and 5
    np.testing.assert_allclose(filled[2], filled[1])
    np.testing.assert_allclose(filled[3], filled[1])
    assert np.isinf(fill_profiles(np.full((2, 8), np.inf))).all()


@pytest.mark.parametrize("count", [4, 6, 9, 16])
def test_a_ring_is_cut_into_even_lengths(count: int) -> None:
    profile = ellipse(3, 1)
    angles = ring_angles(profile, np.arange(count) / count, 0.2)
    assert angles.shape == (count,) and (np.diff(angles) > 0).all() and angles[-1] - angles[0] < 2 * np.pi

    def length(low: float, high: float) -> float:
        fine = np.linspace(low, high, 2001)
        radius = np.interp(fine % (2 * np.pi), np.linspace(0, 2 * np.pi, len(profile) + 1), np.append(profile, profile[0]))
        return float(np.hypot(np.diff(radius * np.cos(fine)), np.diff(radius * np.sin(fine))).sum())

    lengths = [length(low, high) for low, high in zip(angles, [*angles[1:], angles[0] + 2 * np.pi], strict=True)]
    np.testing.assert_allclose(lengths, np.mean(lengths), rtol=2e-3)


def test_a_round_ring_is_cut_at_even_angles_from_its_phase() -> None:
    np.testing.assert_allclose(ring_angles(np.ones(32), np.arange(8) / 8, 0.3), 0.3 + 2 * np.pi * np.arange(8) / 8, atol=1e-9)


@pytest.mark.parametrize("phase", [0.0, 0.4, 2.0, -1.3])
def test_the_phase_of_a_ring_is_found_again(phase: float) -> None:
    profile = ellipse(2, 1)
    angles = ring_angles(profile, np.arange(10) / 10, phase)
    radius = np.interp(angles % (2 * np.pi), np.linspace(0, 2 * np.pi, 257), np.append(profile, profile[0]))
    points = np.column_stack([radius * np.cos(angles), radius * np.sin(angles)])
    found = ring_angles(profile, np.arange(10) / 10, nearest_phase(profile, points))
    stray = np.angle(np.exp(1j * (found - angles)))
    assert np.abs(stray).max() < 2 * np.pi / 10 / 8  # one of the eight turns that are tried for every edge


@pytest.mark.parametrize("count", [6, 8, 12])
def test_a_free_ring_has_vertices_on_the_edges_of_a_flat_section(count: int) -> None:
    turned = np.roll(ellipse(4, 1), 37)
    edge = 2 * np.pi * 37 / 256
    angles = ring_angles(turned, np.arange(count) / count, fullest_phase(turned, count))
    for end in (edge, edge + np.pi):
        assert np.abs(np.angle(np.exp(1j * (angles - end)))).min() < 0.1


def test_a_free_ring_of_a_round_section_is_not_turned() -> None:
    assert fullest_phase(np.ones(32), 8) == 0.0


def test_shapes_of_an_empty_batch() -> None:
    none = np.zeros((0, 3))
    surface = ReferenceSurface(*Shape(np.eye(3), np.array([[0, 1, 2]], dtype=np.int32)))
    assert cast_profiles(surface, none, none, none, np.zeros((0, 4))).shape == (0, 4)
