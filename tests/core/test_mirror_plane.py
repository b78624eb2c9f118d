"""Mirror planes of targets: turned, noisy, with a part that differs on one side; and targets without one."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.mirror_plane import MirrorFit, MirrorPlane, check_mirror_plane, find_mirror_plane
from ringwright.core.polymesh import FloatArray
from support.creatures import biped_part
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, fork

TILTED = np.array([[np.cos(0.12), -np.sin(0.12), 0], [np.sin(0.12), np.cos(0.12), 0], [0, 0, 1.0]])


def found_in(points: FloatArray, shape: Shape) -> tuple[MirrorFit, float]:
    """The plane of the points on a shape's triangles, and the surface's diagonal."""
    surface = ReferenceSurface(points, shape.triangles)
    return find_mirror_plane(surface, points), surface.diagonal


def off(plane: MirrorPlane, turn: FloatArray, shift: FloatArray) -> tuple[float, float]:
    """Degrees and distance between a plane and the plane x = 0, turned and shifted."""
    cosine = abs(float(plane.normal @ turn[:, 0]))
    return float(np.degrees(np.arccos(min(cosine, 1.0)))), abs(float(plane.heights(shift[None])[0]))


@pytest.mark.parametrize("seed", range(4))
def test_the_plane_of_a_turned_target_is_found(seed: int) -> None:
    """A fork sampled on a grid, whose own image lies 0.0005 diagonals off it."""
    shape, rng = fork(48), np.random.default_rng(seed)
    turn, shift = np.linalg.qr(rng.standard_normal((3, 3)))[0], rng.standard_normal(3)
    points = shape.positions @ turn.T + shift
    surface = ReferenceSurface(points, shape.triangles)
    fit = find_mirror_plane(surface, points)
    check_mirror_plane(fit)
    assert surface.closest(fit.plane.reflect(points)).distances.max() < 0.005 * surface.diagonal


@pytest.fixture(scope="module")
def biped() -> Shape:
    """A body that leans forward, so that it is its own image across x = 0 alone, to the grid's exactness."""
    shape = biped_part(60).shape
    height = np.ptp(shape.positions[:, 2])
    lean = 0.3 / height * (shape.positions[:, 2] - shape.positions[:, 2].mean()) ** 2
    return Shape(shape.positions + lean[:, None] * [0, 1, 0], shape.triangles)


def test_the_plane_of_a_turned_body_is_exact(biped: Shape) -> None:
    turn, shift = np.linalg.qr(np.random.default_rng(1).standard_normal((3, 3)))[0], np.array([3.0, -2.0, 1.0])
    fit, diagonal = found_in(biped.positions @ turn.T + shift, biped)
    degrees, distance = off(fit.plane, turn, shift)
    assert degrees < 0.02 and distance < 1e-4 * diagonal and fit.median < 2e-4


@pytest.mark.parametrize(("noise", "most_degrees"), [(0.001, 0.2), (0.003, 0.5)])
def test_noise_turns_the_plane_little(biped: Shape, noise: float, most_degrees: float) -> None:
    size = float(np.linalg.norm(np.ptp(biped.positions, axis=0)))
    rough = biped.positions + noise * size * np.random.default_rng(0).standard_normal(biped.positions.shape)
    fit, diagonal = found_in(rough @ TILTED.T, biped)
    check_mirror_plane(fit)
    degrees, distance = off(fit.plane, TILTED, np.zeros(3))
    assert degrees < most_degrees and distance < 2e-3 * diagonal


@pytest.mark.parametrize("part", ["an arm raised", "an arm missing", "a lump on the back"])
def test_what_differs_on_one_side_does_not_pull(biped: Shape, part: str) -> None:
    points, shape = biped.positions.copy(), biped
    low, high = points.min(axis=0), points.max(axis=0)
    reach = high[0] - low[0]
    side = points[:, 0] > 0.2 * reach
    if part == "an arm raised":
        turned = points[side] - [0.2 * reach, 0, points[side, 2].mean()]
        points[side] = np.column_stack([0.4 * turned[:, 0] - 0.9 * turned[:, 2], turned[:, 1], 0.9 * turned[:, 0] + 0.4 * turned[:, 2]])
        points[side] += biped.positions[side].mean(axis=0)
    elif part == "an arm missing":
        kept = ~side[biped.triangles].any(axis=1)
        used, triangles = np.unique(biped.triangles[kept], return_inverse=True)
        points, shape = points[used], Shape(points[used], triangles.reshape(-1, 3).astype(np.int32))
    else:
        middle = np.array([0.08 * reach, high[1], low[2] + 0.7 * (high[2] - low[2])])
        near = np.linalg.norm(points - middle, axis=1) < 0.15 * reach
        points[near, 1] += 0.1 * reach
    fit, diagonal = found_in(points @ TILTED.T, shape)
    check_mirror_plane(fit)
    degrees, distance = off(fit.plane, TILTED, np.zeros(3))
    assert degrees < 0.2 and distance < 1e-3 * diagonal


def test_a_lopsided_target_says_so() -> None:
    shape = fork(40)
    points = shape.positions.copy()
    points[:, 0] += 0.4 * np.maximum(points[:, 0], 0) ** 2
    points[:, 1] += 0.3 * points[:, 2] * points[:, 0]
    straight, _ = found_in(shape.positions, shape)
    fit, _ = found_in(points, shape)
    assert fit.median > 10 * straight.median
    with pytest.raises(MeshError, match="like its mirror image across no plane"):
        check_mirror_plane(fit)
