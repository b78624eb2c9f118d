"""Collars: rows round a socket's hole are spread over the skin where they were laid unevenly, and stay where they were even."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.collar import COLLAR_REACH, spread_collar
from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh
from ringwright.core.quality import scaled_jacobian
from support.reference_surface import ReferenceSurface
from support.shapes import bent_tube

SIZE = 24
HOLE = slice(10, 14)
"""Columns and rows of the faces that are missing in the middle of the sheet."""
CROSSING = 3.5


def sheet(push: float) -> tuple[PolyMesh, IntArray]:
    """A square sheet of unit quads with a hole of 16 edges in its middle, and the hole's ring.

    push : how far vertices two rows beside the hole are pushed toward it, past the next row where over 2.5
    """
    number = np.arange((SIZE + 1) ** 2, dtype=np.int32).reshape(SIZE + 1, SIZE + 1)
    quads = np.stack([number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]], axis=-1)
    present = np.ones((SIZE, SIZE), dtype=np.bool_)
    present[HOLE, HOLE] = False
    x, y = np.meshgrid(np.arange(SIZE + 1.0), np.arange(SIZE + 1.0), indexing="ij")
    pushed = x + push * np.exp(-0.5 * (x - HOLE.start + 2.5) ** 2 - 0.1 * (y - 0.5 * SIZE) ** 2)
    used, corners = np.unique(quads[present], return_inverse=True)
    low, high = HOLE.start, HOLE.stop
    rim = np.concatenate([number[low:high, low], number[high, low:high], number[high:low:-1, high], number[low, high:low:-1]])
    points = np.column_stack([pushed.ravel(), y.ravel(), np.zeros(x.size)])
    return PolyMesh.from_quads(points[used], corners.reshape(-1, 4)), np.searchsorted(used, rim)


def floor() -> ReferenceSurface:
    return ReferenceSurface([[-99, -99, 0], [99, -99, 0], [99, 99, 0], [-99, 99, 0.0]], [[0, 1, 2], [0, 2, 3]])


def spread(mesh: PolyMesh, hole: IntArray, surface: ReferenceSurface) -> FloatArray:
    adjacency = build_adjacency(mesh)
    border = adjacency.boundary_vertex.copy()
    border[hole] = False
    return spread_collar(mesh.positions, mesh.quads(), adjacency, hole, ~border, surface)


def test_rows_that_cross_are_spread() -> None:
    mesh, hole = sheet(CROSSING)
    assert scaled_jacobian(mesh.positions[mesh.quads()]).min() < 0.0
    moved = spread(mesh, hole, floor())
    assert scaled_jacobian(moved[mesh.quads()]).min() > 0.5


def test_rows_that_lie_evenly_stay() -> None:
    mesh, hole = sheet(0.2)
    assert np.array_equal(spread(mesh, hole, floor()), mesh.positions)


def test_rows_beyond_the_collar_stay() -> None:
    mesh, hole = sheet(CROSSING)
    away = np.abs(mesh.positions[:, None, :2] - sheet(0.0)[0].positions[hole, :2]).sum(axis=2).min(axis=1)  # edges that lie between
    moved = (spread(mesh, hole, floor()) != mesh.positions).any(axis=1)
    assert moved.any() and not moved[away > COLLAR_REACH * 4 + CROSSING].any()


def test_what_may_not_move_stays() -> None:
    mesh, hole = sheet(CROSSING)
    adjacency, stays = build_adjacency(mesh), np.arange(mesh.vertex_count) % 5 == 0
    moved = spread_collar(mesh.positions, mesh.quads(), adjacency, hole, ~(stays | adjacency.boundary_vertex), floor())
    assert np.array_equal(moved[stays], mesh.positions[stays]) and not np.array_equal(moved, mesh.positions)


@pytest.mark.parametrize("bend_radius", [3.0, 1.4])
def test_they_lie_on_a_skin_that_bends(bend_radius: float) -> None:
    """On the inner side of a bent tube: a membrane free of the skin would cut straight across."""
    skin = bent_tube(1.0, bend_radius, 1.6, 128, 128)
    surface = ReferenceSurface(skin.positions, skin.triangles)
    mesh, hole = sheet(CROSSING)
    turn, around = 1.6 * mesh.positions[:, 0] / SIZE, 0.1 * (mesh.positions[:, 1] - 0.5 * SIZE)
    away = bend_radius - np.cos(around)
    bent = mesh.with_positions(np.column_stack([bend_radius - away * np.cos(turn), np.sin(around), away * np.sin(turn)]))
    moved = spread(bent, hole, surface)
    changed = (moved != bent.positions).any(axis=1)
    assert changed.sum() > 100 and surface.closest(moved[changed]).distances.max() < 1e-6
    assert scaled_jacobian(moved[mesh.quads()]).min() > 0.3
