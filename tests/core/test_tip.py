"""Closed tips: grids of quads that close a ring with four 3-poles."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.defects import flipped_faces
from ringwright.core.poles import PlanTally, count_poles
from ringwright.core.polymesh import PolyMesh
from ringwright.core.quality import scaled_jacobian
from ringwright.core.rings import boundary_loops
from ringwright.core.stepdown import step_down_row
from ringwright.core.tip import best_turn, cap_grid, cap_positions, grid_cap

GRIDS = [(1, 1), (1, 2), (2, 2), (1, 3), (2, 3), (3, 3), (4, 5), (7, 9)]


def ring_points(count: int, height: float = 0.0) -> np.ndarray:
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([np.cos(angle), np.sin(angle), np.full(count, height)])


@pytest.mark.parametrize(("short", "long"), GRIDS)
def test_a_closed_tube_has_four_three_poles_and_no_other(short: int, long: int) -> None:
    count = 2 * (short + long)
    upper, lower = np.arange(count, dtype=np.int32), np.arange(count, 2 * count, dtype=np.int32)
    wall = step_down_row(upper, lower, [])
    cap = grid_cap(upper, short, long, 2 * count)
    inner = cap_positions(ring_points(count), short, long)
    assert cap.shape == (short * long, 4) and cap.dtype == np.int32
    assert inner.shape == ((short - 1) * (long - 1), 3)
    mesh = PolyMesh.from_quads(np.concatenate([ring_points(count), ring_points(count, -1), inner]), np.concatenate([wall, cap]))
    adjacency = build_adjacency(mesh)
    census = count_poles(mesh, adjacency, PlanTally(1, 0, 0))
    assert census.inner_by_valence() == {3: 4} and not census.boundary_by_valence()
    assert census.excess == 0 and census.balanced
    assert [len(loop) for loop in boundary_loops(mesh, adjacency)] == [count]
    assert not len(flipped_faces(mesh, adjacency))
    assert np.unique(mesh.corner_verts).size == mesh.vertex_count


def test_quads_look_out_of_the_tip() -> None:
    cap = grid_cap(np.arange(8, dtype=np.int32), 2, 2, 8)
    points = np.concatenate([ring_points(8), cap_positions(ring_points(8), 2, 2)])
    corners = points[cap]
    assert (np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])[:, 2] > 0).all()
    np.testing.assert_allclose(points[8], 0, atol=1e-15)


def test_the_long_side_starts_at_the_first_vertex() -> None:
    grid = cap_grid(np.arange(6, dtype=np.int32), 1, 2, 6)
    assert grid.tolist() == [[0, 1, 2], [5, 4, 3]]


def test_inner_points_of_a_flat_border_lie_on_its_grid() -> None:
    across, up = np.meshgrid(np.arange(4.0), np.arange(3.0))
    grid = cap_grid(np.arange(10, dtype=np.int32), 2, 3, 10)
    border = np.zeros((10, 3))
    for row in range(3):
        for column in range(4):
            if grid[row, column] < 10:
                border[grid[row, column], :2] = across[row, column], up[row, column]
    np.testing.assert_allclose(cap_positions(border, 2, 3), [[1, 1, 0], [2, 1, 0]], atol=1e-14)


def test_a_ring_that_does_not_go_round_the_grid_is_a_bug() -> None:
    with pytest.raises(ValueError, match="a ring of 8 edges does not go round a grid of 2 x 3"):
        grid_cap(np.arange(8, dtype=np.int32), 2, 3, 8)


@pytest.mark.parametrize(("short", "long"), [(2, 2), (1, 3), (2, 3), (3, 3)])
def test_the_grid_of_a_flat_tip_is_turned_off_its_edges(short: int, long: int) -> None:
    ring = ring_points(2 * (short + long)) * [4.0, 1.0, 1.0]
    count = len(ring)

    def worst(turn: int) -> float:
        turned = np.roll(ring, -turn, axis=0)
        points = np.concatenate([turned, cap_positions(turned, short, long)])
        return float(scaled_jacobian(points[grid_cap(np.arange(count, dtype=np.int32), short, long, count)]).min())

    best = max(worst(turn) for turn in range(count))
    assert worst(best_turn(ring, short, long)) >= best - 0.1  # one that is hardly better is not taken


@pytest.mark.parametrize(("short", "long"), GRIDS)
def test_the_grid_of_a_round_tip_starts_at_its_seam(short: int, long: int) -> None:
    assert best_turn(ring_points(2 * (short + long)), short, long) == 0
