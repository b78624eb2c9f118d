"""Patches without poles: a border cut out of a grid gets its grid back."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.patch import region_border
from ringwright.core.patch_peel import peel
from ringwright.core.polymesh import PolyMesh
from support.patch_checks import assert_disc
from support.random_meshes import grid_faces


def wanted_along(cells: np.ndarray) -> np.ndarray:
    """Quads that the border of a disc of grid cells, (rows, columns) bool, takes at every vertex."""
    rows, columns = cells.shape
    quads = np.asarray(grid_faces(rows, columns))
    mesh = PolyMesh.from_quads(np.zeros(((rows + 1) * (columns + 1), 3)), quads)
    chosen = cells.ravel()
    return np.bincount(quads[chosen].ravel(), minlength=mesh.vertex_count)[region_border(mesh, chosen)]


def grown(random: np.random.Generator, size: int, count: int) -> np.ndarray:
    """Cells grown one by one from the middle of a square, holes and touching corners avoided."""
    cells = np.zeros((size, size), dtype=bool)
    cells[size // 2, size // 2] = True
    for _ in range(40 * count):
        row, column = random.integers(1, size - 1, 2)
        around = [cells[row + i, column + j] for i, j in ((-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1))]
        sides, changes = around[::2], sum(around[k] != around[k - 1] for k in range(8))
        if not cells[row, column] and any(sides) and changes == 2 and cells.sum() < count:
            cells[row, column] = True
    return cells


def test_a_rectangle() -> None:
    woven = peel(wanted_along(np.ones((3, 5), dtype=bool)))
    assert woven is not None and len(woven.quads) == 15
    assert_disc(woven.quads, 16)


@pytest.mark.parametrize("seed", range(60))
def test_regions_of_a_grid_get_their_grid_back(seed: int) -> None:
    """Without poles inside the filling is the grid itself, so the quads are as many as the cells."""
    random = np.random.default_rng(seed)
    cells = grown(random, 14, int(random.integers(2, 80)))
    wanted = wanted_along(cells)
    woven = peel(wanted)
    assert woven is not None
    assert len(woven.quads) == cells.sum()
    assert_disc(woven.quads, len(wanted))
    np.testing.assert_array_equal(np.bincount(woven.quads.ravel())[: len(wanted)], wanted)
    assert np.all(np.bincount(woven.quads.ravel())[len(wanted):] == 4)


@pytest.mark.parametrize("wanted", [[1, 2, 1, 2, 1, 2, 2, 1, 2, 2], [2] * 12, [1, 1, 1, 2, 2, 1], [1, 2, 2, 1, 1, 1]])
def test_borders_that_are_no_walk_on_a_grid_are_left_alone(wanted: list[int]) -> None:
    assert peel(np.array(wanted)) is None
