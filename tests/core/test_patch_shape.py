"""Where a patch's inner vertices lie: square on regular borders, without folds on bent ones."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.patch import Patch, fill_loop
from ringwright.core.patch_laplacian import PatchLaplacian
from ringwright.core.patch_shape import border_plane, crosses_itself, vertex_normals
from ringwright.core.patch_topology import fill_patterns
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
    """Measured: none folded; least scaled Jacobian 0.126, below 0.3 in 12 of the 1,000, above 0.68 in half; mean of the means 0.930."""
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


def test_a_flat_border_has_its_plane_normal_everywhere() -> None:
    border = ellipse_border(24)
    woven = fill_patterns(24, ())[0].woven
    laplacian = PatchLaplacian(woven)
    normals = vertex_normals(woven, laplacian, laplacian.harmonic(border), None)
    np.testing.assert_allclose(normals, np.broadcast_to([0, 0, 1.0], normals.shape), atol=1e-9)


def test_crossing_polygons_are_told_from_simple_ones() -> None:
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1.0)])
    assert not crosses_itself(square)
    assert crosses_itself(square[[0, 2, 1, 3]])
