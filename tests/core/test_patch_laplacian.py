"""The factored Laplacian: harmonic values inside a border, solved to rounding."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import spsolve

from ringwright.core.patch_laplacian import PatchLaplacian
from ringwright.core.patch_topology import fill_patterns
from ringwright.core.patch_weave import Weave
from support.borders import random_smooth_border


def inner_laplacian(woven: Weave) -> csr_matrix:
    graph = nx.Graph([(quad[k], quad[k - 1]) for quad in woven.quads.tolist() for k in range(4)])
    return csr_matrix(nx.laplacian_matrix(graph, nodelist=range(woven.vertex_count)))[woven.loop_size:, woven.loop_size:]


@pytest.mark.parametrize("corners", [(), (0, 10, 20, 30), (0, 4, 38), (0, 8, 16, 24, 32)])
def test_every_inner_vertex_gets_the_mean_of_its_neighbours(corners: tuple[int, ...]) -> None:
    border = random_smooth_border(np.random.default_rng(3), 40)
    woven = fill_patterns(40, corners)[0].woven
    blended = PatchLaplacian(woven).harmonic(border)
    graph = nx.Graph([(quad[k], quad[k - 1]) for quad in woven.quads.tolist() for k in range(4)])
    np.testing.assert_array_equal(blended[:40], border)
    for vertex in range(40, woven.vertex_count):
        np.testing.assert_allclose(blended[vertex], blended[list(graph[vertex])].mean(axis=0), atol=1e-12)


@pytest.mark.parametrize("edges", [6, 12, 30, 96, 256])
def test_solutions_agree_with_a_sparse_solver(edges: int) -> None:
    woven = fill_patterns(edges, (), least_rows=1)[0].woven
    laplacian, matrix = PatchLaplacian(woven), inner_laplacian(woven)
    right = np.random.default_rng(edges).normal(size=(matrix.shape[0], 3))
    solved = laplacian.solve(right)
    np.testing.assert_allclose(solved, spsolve(matrix.tocsc(), right).reshape(solved.shape), atol=1e-9)
    np.testing.assert_allclose(laplacian.apply(solved), right, atol=1e-10)


def test_inner_vertices_that_do_not_meet_are_solved_alike() -> None:
    """Two blocks of 2 x 2 quads with one quad between them: each has an inner vertex of its own."""
    border = [(0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (5, 0), (5, 1), (5, 2), (4, 2), (3, 2), (3, 1), (2, 1), (2, 2), (1, 2), (0, 2),
              (0, 1)]
    number = {place: index for index, place in enumerate([*border, (1, 1), (4, 1)])}
    cells = [(x, y) for x in range(5) for y in range(2) if (x, y) != (2, 1)]
    quads = [[number[x + dx, y + dy] for dx, dy in ((0, 0), (1, 0), (1, 1), (0, 1))] for x, y in cells]
    values = PatchLaplacian(Weave(np.array(quads, dtype=np.int32), 16, 18)).harmonic(np.array(border, dtype=np.float64))
    np.testing.assert_allclose(values[16:], [(1, 1), (4, 1)])


def test_a_patch_without_inner_vertices_has_its_border_alone() -> None:
    border = np.random.default_rng(0).normal(size=(4, 3))
    np.testing.assert_array_equal(PatchLaplacian(fill_patterns(4, ())[0].woven).harmonic(border), border)
