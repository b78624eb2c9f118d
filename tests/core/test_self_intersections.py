"""Faces that pass through each other: against closed cases, a brute force by exact fractions, and planted ones in a large mesh."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest

from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.self_intersections import self_intersections, triangles_cross
from support.shapes import sphere


def pair(first: list[list[float]], second: list[list[float]]) -> bool:
    return bool(triangles_cross(np.array([first], dtype=float), np.array([second], dtype=float))[0])


FLOOR = [[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 2.0, 0.0]]


@pytest.mark.parametrize(("other", "crosses"), [
    ([[0.5, 0.5, -1], [0.5, 0.5, 1], [3, 3, 0.5]], True),          # an edge through the middle
    ([[-1, 0.5, -1], [3, 0.5, -1], [1, 0.5, 1]], True),            # their edges cross over each other only
    ([[0.5, 0.5, 0], [0.5, 0.5, 1], [3, 3, 1]], False),            # stands on it with one corner
    ([[0, 0, 0], [0, 0, 1], [1, 0, 1]], False),                    # shares a corner
    ([[0, 0, 0], [2, 0, 0], [1, 0, 1]], False),                    # shares an edge
    ([[0, 0, 0], [1, 1, 1], [1, 1, -1]], True),                    # shares a corner and runs through
    ([[0, 0, 1], [2, 0, 1], [0, 2, 1]], False),                    # parallel
    ([[0.2, 0.2, 0], [1, 0.2, 0], [0.2, 1, 0]], True),             # in one plane, inside
    ([[1, 1, 0], [3, 1, 0], [1, 3, 0]], False),                    # in one plane, touches the slanted edge
    ([[-1, 0.5, 0], [3, 0.5, 0], [1, 0.6, 0]], True),              # in one plane, across
    ([[0, 2, 0], [2, 0, 0], [2, 2, 0]], False),                    # in one plane, shares an edge
    ([[1, 1, -1], [1, 1, 1], [3, 3, 0]], True),                    # an edge through the very middle of an edge
])
def test_pairs(other: list[list[float]], crosses: bool) -> None:
    assert pair(FLOOR, other) is crosses
    assert pair(other, FLOOR) is crosses
    turn = np.linalg.qr(np.random.default_rng(2).standard_normal((3, 3)))[0] * 7.0
    turned = [(np.array(shape) @ turn + 3.0).tolist() for shape in (FLOOR, other)]
    if np.linalg.matrix_rank(np.array(other) - np.array(other)[0]) == 2 and not crosses:
        return  # what only touches is decided by the last digit once it is turned
    assert pair(*turned) is crosses


def exact_cross(first: FloatArray, second: FloatArray) -> bool:
    """The definition in exact fractions, for triangles in general position: an edge of one has ends on either side of the
    other's plane and passes within its three edges."""
    one, two = ([[Fraction(float(value)) for value in corner] for corner in shape] for shape in (first, second))
    return _edge_pierces(one, two) or _edge_pierces(two, one)


def _edge_pierces(triangle: list[list[Fraction]], other: list[list[Fraction]]) -> bool:
    for start, stop in ((0, 1), (1, 2), (2, 0)):
        ends = other[start], other[stop]
        if _volume(*triangle, ends[0]) * _volume(*triangle, ends[1]) < 0:
            signs = {_volume(triangle[i], triangle[j], *ends) > 0 for i, j in ((0, 1), (1, 2), (2, 0))}
            if len(signs) == 1:
                return True
    return False


def _volume(a: list[Fraction], b: list[Fraction], c: list[Fraction], d: list[Fraction]) -> Fraction:
    u, v, w = ([x - y for x, y in zip(point, a, strict=True)] for point in (b, c, d))
    return (u[0] * (v[1] * w[2] - v[2] * w[1]) - u[1] * (v[0] * w[2] - v[2] * w[0]) + u[2] * (v[0] * w[1] - v[1] * w[0]))


@pytest.mark.parametrize("seed", range(6))
def test_small_meshes_against_brute_force(seed: int) -> None:
    """All pairs of a triangle soup of very different sizes, one by one in exact arithmetic: the same pairs, none missed."""
    random = np.random.default_rng(seed)
    middle, size = 0.5 * random.random((50, 1, 3)), 10 ** random.uniform(-1.0, 0.3, (50, 1, 1))
    corners = middle + size * (random.random((50, 3, 3)) - 0.5)
    mesh = PolyMesh.from_quads(corners.reshape(-1, 3), np.arange(150).reshape(-1, 3))
    wanted = [(i, j) for i, j in combinations(range(50), 2) if exact_cross(corners[i], corners[j])]
    assert len(wanted) > 20
    assert [tuple(found) for found in self_intersections(mesh).tolist()] == wanted


def test_planted_in_a_large_mesh() -> None:
    """A sphere of 131,072 triangles with 40 tiny ones through its skin: those pairs and no other."""
    ball = sphere(rounds=7)
    random = np.random.default_rng(1)
    chosen = random.choice(len(ball.triangles), 40, replace=False)
    middles = ball.positions[ball.triangles[chosen]].mean(axis=1)
    size = 0.02 * np.sqrt(4 * np.pi / len(ball.triangles))
    across = np.cross(middles, random.standard_normal((40, 3)))
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    planted = np.stack([middles * (1 - size), middles * (1 + size) - size * across, middles * (1 + size) + size * across], axis=1)
    first = len(ball.positions)
    mesh = PolyMesh.from_quads(np.concatenate([ball.positions, planted.reshape(-1, 3)]),
                               np.concatenate([ball.triangles, first + np.arange(120).reshape(-1, 3)]))
    wanted = {(int(face), len(ball.triangles) + number) for number, face in enumerate(chosen)}
    assert {tuple(found) for found in self_intersections(mesh).tolist()} == wanted


def test_quads_count_once_and_not_against_themselves() -> None:
    """Two crossing quads are one pair, though four pairs of their triangles may cross; a warped quad does not cross itself."""
    positions = [[-1, -1, 0], [1, -1, 0.3], [1, 1, 0], [-1, 1, 0.3], [-0.5, 0.1, -1], [0.5, 0.1, -1], [0.5, 0.1, 1], [-0.5, 0.1, 1]]
    assert self_intersections(PolyMesh.from_quads(positions, [[0, 1, 2, 3], [4, 5, 6, 7]])).tolist() == [[0, 1]]
    assert self_intersections(PolyMesh.from_quads(positions, [[0, 1, 2, 3]])).shape == (0, 2)


def test_odd_meshes() -> None:
    assert self_intersections(PolyMesh.from_faces(np.zeros((0, 3)), [])).shape == (0, 2)
    broken = [[0, 0, 0], [1, 0, 0], [np.nan, 1, 0], [0, 0, 0], [0, 0, 0], [0, 0, 0]]
    assert self_intersections(PolyMesh.from_faces(broken, [[0, 1, 2], [3, 4, 5], [0, 1, 4]])).shape == (0, 2)
