"""Where a patch's inner vertices lie: square on regular borders, without folds on bent ones."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.patch import Patch, fill_loop
from ringwright.core.patch_shape import border_plane, crosses_itself, descend, free_corners, harmonic_blend, lbfgs, vertex_normals
from ringwright.core.patch_topology import fill_patterns
from ringwright.core.patch_weave import neighbour_table
from ringwright.core.polymesh import FloatArray
from ringwright.core.quality import scaled_jacobian
from support.borders import ellipse_border, polygon_border, random_smooth_border, regular_corners
from support.patch_checks import assert_disc, least_neighbour_cosine


def squareness(patch: Patch) -> FloatArray:
    return scaled_jacobian(patch.positions[patch.quads])


def even_counts(sides: int, each: int) -> tuple[int, ...]:
    """Sides of ``each`` edges, the last one longer where the sum would be odd."""
    return (each,) * (sides - 1) + (each + (sides * each) % 2,)


@pytest.mark.parametrize(("sides", "each"), [(sides, each) for sides in (3, 4, 5, 6) for each in (1, 2, 3, 4, 6, 9)])
def test_regular_polygons_stay_above_the_acceptable_least_scaled_jacobian(sides: int, each: int) -> None:
    """0.3: VERDICT manual 2007, acceptable range of the scaled Jacobian."""
    patch = fill_loop(polygon_border(regular_corners(sides), even_counts(sides, each)))
    assert squareness(patch).min() >= 0.3


@pytest.mark.parametrize("edges", [4, 6, 8, 10, 12, 14, 16, 24, 32, 48, 64, 100, 128])
@pytest.mark.parametrize("aspect", [1.0, 1.6, 2.5])
def test_round_borders_stay_above_the_acceptable_least_scaled_jacobian(edges: int, aspect: float) -> None:
    patch = fill_loop(ellipse_border(edges, aspect))
    assert_disc(patch.quads, edges)
    assert squareness(patch).min() >= 0.3


@pytest.mark.parametrize("counts", [(8, 6, 6, 6), (10, 6, 4, 6), (9, 5, 6, 4), (5, 7, 6, 6)])
def test_squares_with_unequal_sides_stay_square(counts: tuple[int, ...]) -> None:
    patch = fill_loop(polygon_border(regular_corners(4), counts))
    assert squareness(patch).min() >= 0.6
    assert squareness(patch).mean() >= 0.9


def test_a_rectangle_becomes_its_even_grid() -> None:
    border = polygon_border([(0, 0), (5, 0), (5, 3), (0, 3)], (5, 3, 5, 3))
    patch = fill_loop(border)
    np.testing.assert_allclose(patch.positions[16:], patch.positions[16:].round(), atol=5e-3)
    assert squareness(patch).min() > 0.9999


def smooth_borders_without_folds(seeds: range) -> None:
    for seed in seeds:
        random = np.random.default_rng(seed)
        border = random_smooth_border(random, 2 * int(random.integers(6, 49)))
        patch = fill_loop(border)
        assert_disc(patch.quads, len(border))
        assert squareness(patch).min() > 0, f"seed {seed}"
        assert least_neighbour_cosine(patch.positions, patch.quads) > -0.5, f"seed {seed}"
        np.testing.assert_array_equal(patch.positions[: len(border)], border)


def test_random_smooth_borders_do_not_fold() -> None:
    smooth_borders_without_folds(range(25))


@pytest.mark.slow
def test_a_thousand_random_smooth_borders_do_not_fold() -> None:
    smooth_borders_without_folds(range(1000))


def test_random_smooth_borders_are_mostly_bent() -> None:
    """The sample is worth its name: few borders are convex or flat."""
    turned_inwards = bent = 0
    for seed in range(40):
        border = random_smooth_border(np.random.default_rng(seed), 60)
        centred = border - border.mean(axis=0)
        normal = np.linalg.svd(centred)[2][2]
        bent += np.abs(centred @ normal).max() > 0.1 * np.linalg.norm(centred, axis=1).mean()
        plane = border_plane(border)
        if plane is not None:
            edges = np.roll(border, -1, axis=0) - border
            turned_inwards += bool((np.cross(edges, np.roll(edges, -1, axis=0)) @ plane).min() < 0)
    assert bent > 25 and turned_inwards > 25


def test_a_strongly_folded_start_unfolds() -> None:
    border = polygon_border([(0, 0), (6, 0), (6, 6), (5, 6), (5, 1), (1, 1), (1, 6), (0, 6)], (6, 6, 1, 5, 4, 5, 1, 6))
    woven = fill_patterns(len(border), (), least_rows=1)[0].woven
    neighbours = neighbour_table(woven)
    start = harmonic_blend(woven, neighbours, border)
    normals = np.broadcast_to([0.0, 0.0, 1.0], start.shape)
    assert folded_corners(woven, start) > 0
    assert folded_corners(woven, descend(woven, start, normals, None, 120)) == 0


def folded_corners(woven, positions: FloatArray) -> int:
    corners = free_corners(woven)
    first, second = positions[corners.following] - positions[corners.at], positions[corners.previous] - positions[corners.at]
    return int(np.count_nonzero(np.cross(first, second)[:, 2] <= 0))


def test_harmonic_blend_gives_every_inner_vertex_the_mean_of_its_neighbours() -> None:
    border = random_smooth_border(np.random.default_rng(3), 40)
    woven = fill_patterns(40, ())[0].woven
    neighbours = neighbour_table(woven)
    blended = harmonic_blend(woven, neighbours, border)
    for vertex in range(40, woven.vertex_count):
        around = neighbours[vertex][neighbours[vertex] < woven.vertex_count]
        np.testing.assert_allclose(blended[vertex], blended[around].mean(axis=0), atol=1e-4)


def test_a_flat_border_has_its_plane_normal_everywhere() -> None:
    border = ellipse_border(24)
    woven = fill_patterns(24, ())[0].woven
    neighbours = neighbour_table(woven)
    normals = vertex_normals(woven, neighbours, harmonic_blend(woven, neighbours, border), None)
    np.testing.assert_allclose(normals, np.broadcast_to([0, 0, 1.0], normals.shape), atol=1e-9)


def test_lbfgs_finds_the_minimum_of_a_curved_valley() -> None:
    def valley(point: FloatArray) -> tuple[float, FloatArray]:
        """Rosenbrock 1960; minimum 0 at (1, 1)."""
        x, y = point
        return (1 - x) ** 2 + 100 * (y - x * x) ** 2, np.array([-2 * (1 - x) - 400 * x * (y - x * x), 200 * (y - x * x)])

    value, point = lbfgs(valley, np.array([-1.2, 1.0]), 200)
    assert value < 1e-8
    np.testing.assert_allclose(point, 1, atol=1e-3)


def test_crossing_polygons_are_told_from_simple_ones() -> None:
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1.0)])
    assert not crosses_itself(square)
    assert crosses_itself(square[[0, 2, 1, 3]])
