"""Descent on a patch's energy: its gradient is right, folds open, batches make no difference."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import check_grad

from ringwright.core import patch_descent
from ringwright.core.patch_descent import badness, descend, folded, lbfgs, quad_corners
from ringwright.core.patch_laplacian import PatchLaplacian
from ringwright.core.patch_topology import fill_patterns
from ringwright.core.polymesh import FloatArray
from support.borders import polygon_border, random_smooth_border


def test_a_strongly_folded_start_unfolds() -> None:
    border = polygon_border([(0, 0), (6, 0), (6, 6), (5, 6), (5, 1), (1, 1), (1, 6), (0, 6)], (6, 6, 1, 5, 4, 5, 1, 6))
    woven = fill_patterns(len(border), (), least_rows=1)[0].woven
    laplacian = PatchLaplacian(woven)
    start = laplacian.harmonic(border)
    normals = np.broadcast_to([0.0, 0.0, 1.0], start.shape)
    assert folded(woven, start, normals).any()
    assert not folded(woven, descend(woven, laplacian, start, normals, None, 120), normals).any()


def test_the_gradient_is_that_of_the_energy() -> None:
    border = random_smooth_border(np.random.default_rng(5), 24)
    woven = fill_patterns(24, ())[0].woven
    start = PatchLaplacian(woven).harmonic(border / np.linalg.norm(border[1] - border[0]))
    start += np.random.default_rng(6).normal(scale=0.2, size=start.shape)
    normals = np.random.default_rng(7).normal(size=start.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    batches = quad_corners(woven, normals)

    def energy(flat: FloatArray) -> float:
        return sum(patch_descent._add_energy(batch, flat.reshape(3, -1), 0.3, 1.1, np.zeros((3, len(start)))) for batch in batches)

    def gradient(flat: FloatArray) -> FloatArray:
        total = np.zeros((3, len(start)))
        for batch in batches:
            patch_descent._add_energy(batch, flat.reshape(3, -1), 0.3, 1.1, total)
        return total.ravel()

    flat = start.T.ravel()
    assert check_grad(energy, gradient, flat) < 1e-5 * np.linalg.norm(gradient(flat))


def test_batches_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    border = random_smooth_border(np.random.default_rng(8), 40)
    woven = fill_patterns(40, ())[0].woven
    laplacian = PatchLaplacian(woven)
    start = laplacian.harmonic(border * 4)
    normals = np.broadcast_to([0.0, 0.0, 1.0], start.shape)
    whole = descend(woven, laplacian, start, normals, None, 20)
    monkeypatch.setattr(patch_descent, "QUADS_AT_ONCE", 7)
    np.testing.assert_allclose(descend(woven, laplacian, start, normals, None, 20), whole, atol=1e-6)
    assert badness(woven, whole, normals) < badness(woven, start, normals)


def test_lbfgs_finds_the_minimum_of_a_curved_valley() -> None:
    def valley(point: FloatArray) -> tuple[float, FloatArray]:
        """Rosenbrock 1960; minimum 0 at (1, 1)."""
        x, y = point
        return (1 - x) ** 2 + 100 * (y - x * x) ** 2, np.array([-2 * (1 - x) - 400 * x * (y - x * x), 200 * (y - x * x)])

    value, point = lbfgs(valley, np.array([-1.2, 1.0]), 200)
    assert value < 1e-8
    np.testing.assert_allclose(point, 1, atol=1e-3)
