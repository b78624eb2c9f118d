"""Catmull-Clark subdivision against its rules worked out by hand."""

from __future__ import annotations

import numpy as np

from ringwright.core.polymesh import PolyMesh
from support.subdivision import catmull_clark

CUBE_QUADS = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]]


def _cube() -> PolyMesh:
    corners = [[x, y, z] for z in (-1, 1) for y in (-1, 1) for x in (-1, 1)]
    return PolyMesh.from_quads(corners, CUBE_QUADS)


def test_one_round_on_a_cube() -> None:
    fine = catmull_clark(_cube(), 1)
    assert (fine.vertex_count, fine.face_count) == (26, 24)
    assert np.allclose(np.abs(fine.positions[:8]), 5.0 / 9.0)
    assert np.allclose(np.sort(np.abs(fine.positions[8:20]), axis=1), [0.0, 0.75, 0.75])
    assert np.allclose(np.sort(np.abs(fine.positions[20:]), axis=1), [0.0, 0.0, 1.0])


def test_children_of_a_face_follow_one_another() -> None:
    fine = catmull_clark(_cube(), 2)
    centres = fine.positions[fine.quads()].mean(axis=1).reshape(6, 16, 3).mean(axis=1)
    parents = _cube().positions[_cube().quads()].mean(axis=1)
    assert np.allclose(centres / np.linalg.norm(centres, axis=1, keepdims=True), parents)


def test_boundary_follows_its_own_spline() -> None:
    square = PolyMesh.from_quads([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]])
    fine = catmull_clark(square, 1)
    assert np.allclose(fine.positions[0], [0.125, 0.125, 0.0])
    assert np.allclose(fine.positions[4:8].sum(axis=0), [2.0, 2.0, 0.0])


def test_flat_regular_grid_keeps_its_middle() -> None:
    x, y = np.meshgrid(np.arange(6.0), np.arange(6.0))
    start = (np.arange(5)[:, None] * 6 + np.arange(5)).ravel()
    quads = np.column_stack([start, start + 1, start + 7, start + 6])
    grid = PolyMesh.from_quads(np.column_stack([x.ravel(), y.ravel(), 3 * x.ravel()]), quads)
    fine = catmull_clark(grid, 1)
    inner = [row * 6 + column for row in range(1, 5) for column in range(1, 5)]
    assert np.allclose(fine.positions[inner], grid.positions[inner])
