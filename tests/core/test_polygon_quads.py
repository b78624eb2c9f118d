"""Quads for even polygons: convex, concave, warped, large; the best split against all splits."""

import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.polygon_quads import _quad_costs, area_vector, grid_filling, inset_filling, plain_filling, polygon_fillings


def polygon(count, seed=None, warp=0.0):
    angle = 2 * np.pi * np.arange(count) / count
    radius = np.ones(count) if seed is None else np.random.default_rng(seed).uniform(0.6, 1.4, count)
    height = warp * np.random.default_rng(0 if seed is None else seed).uniform(-1, 1, count)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), height])


def assert_fills(points, filling):
    """Boundary edges once in the polygon's direction, inner edges twice in opposite ones, area kept, Euler number 1."""
    count = len(points)
    edges = [(int(a), int(b)) for quad in filling.quads for a, b in zip(quad, np.roll(quad, -1), strict=True)]
    assert len(set(edges)) == len(edges)
    outer = {edge for edge in edges if edge[::-1] not in set(edges)}
    assert outer == {(corner, (corner + 1) % count) for corner in range(count)}
    assert count + len(filling.weights) - len({tuple(sorted(edge)) for edge in edges}) + len(filling.quads) == 1
    assert filling.weights.sum(axis=1) == pytest.approx(np.ones(len(filling.weights)))
    every = np.concatenate([points, filling.weights @ points])
    area = sum(area_vector(every[quad]) for quad in filling.quads)
    assert area == pytest.approx(area_vector(points))


@pytest.mark.parametrize("count", [4, 6, 8, 10, 12, 18, 28, 30])
def test_all_ways_fill_any_even_polygon(count):
    for points in (polygon(count), polygon(count, count), polygon(count, count, warp=0.4)):
        ways = polygon_fillings(points)
        assert [len(way.weights) for way in ways].count(0) >= 1
        for way in ways:
            assert_fills(points, way)
        assert len(plain_filling(points).quads) == count // 2 - 1
        assert np.all(np.diff([way.quality for way in ways]) <= 1e-6)


def all_splits(corners):
    if len(corners) == 4:
        yield [tuple(corners)]
        return
    first, last = corners[0], corners[-1]
    for a in range(1, len(corners) - 2, 2):
        for b in range(a + 1, len(corners) - 1, 2):
            runs = [corners[: a + 1], corners[a : b + 1], corners[b:]]
            parts = [[[]] if len(run) == 2 else list(all_splits(run)) for run in runs]
            for one in parts[0]:
                for two in parts[1]:
                    for three in parts[2]:
                        yield [(first, corners[a], corners[b], last), *one, *two, *three]


@pytest.mark.parametrize("seed", range(12))
def test_plain_split_is_the_cheapest_of_all(seed):
    points = polygon(10, seed, warp=0.2)
    normal = area_vector(points)
    cheapest = min(sum(_quad_costs(points[np.array(split)], normal)) for split in all_splits(list(range(10))))
    assert sum(_quad_costs(points[plain_filling(points).quads], normal)) == pytest.approx(cheapest)


def test_l_shape_splits_into_convex_quads():
    points = np.array([[0, 0, 0], [2, 0, 0], [2, 1, 0], [1, 1, 0], [1, 2, 0], [0, 2, 0]], dtype=float)
    filling = plain_filling(points)
    assert filling.quality > 0.3


def test_inset_keeps_poles_off_the_corners():
    points = polygon(8)
    filling = inset_filling(points)
    uses = np.bincount(filling.quads.ravel())
    assert np.all(uses[:8] == 2)
    assert filling.quality > 0.3


def test_grid_of_an_even_square_is_regular():
    side = np.linspace(0, 1, 4)[:-1]
    zero, one = np.zeros(3), np.ones(3)
    points = np.column_stack([np.concatenate([side, one, 1 - side, zero]), np.concatenate([zero, side, one, 1 - side]), np.zeros(12)])
    filling = grid_filling(points)
    assert len(filling.quads) == 9 and filling.quality == pytest.approx(1.0)


def test_large_polygon_is_filled():
    points = polygon(200)
    assert_fills(points, plain_filling(points))


def test_odd_polygon_is_refused():
    with pytest.raises(MeshError, match="must be even"):
        polygon_fillings(polygon(7))
