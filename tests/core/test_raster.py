"""Views and the depth buffer against a brute-force reading of every pixel."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.raster import View, close_view, four_views, interpolate, principal_axes, rasterise


def brute_force(screen: np.ndarray, triangles: np.ndarray, width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
    """Depth and triangle at every pixel centre by solving for barycentric weights one triangle at a time."""
    column, row = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    points = np.stack([column.ravel(), row.ravel(), np.ones(width * height)])
    depth, index = np.full(width * height, np.inf), np.full(width * height, -1)
    for number, triangle in enumerate(triangles):
        corners = screen[triangle]
        system = np.vstack([corners[:, :2].T, np.ones(3)])
        if abs(np.linalg.det(system)) < 1e-9:
            continue
        weights = np.linalg.solve(system, points)
        here = (weights >= 0).all(axis=0)
        z = corners[:, 2] @ weights
        nearer = here & (z < depth)
        depth[nearer], index[nearer] = z[nearer], number
    return depth.reshape(height, width), index.reshape(height, width)


@pytest.mark.parametrize(("count", "size"), [(3, 60.0), (40, 20.0), (400, 3.0), (2000, 0.4)])
def test_depth_buffer_equals_brute_force(count: int, size: float) -> None:
    random = np.random.default_rng(count)
    centres = random.uniform(-5, 55, size=(count, 1, 3))
    screen = (centres + random.normal(size=(count, 3, 3)) * size).reshape(-1, 3)
    triangles = np.arange(3 * count).reshape(-1, 3)
    buffer = rasterise(screen, triangles, 50, 40)
    depth, index = brute_force(screen, triangles, 50, 40)
    differ = buffer.triangles != index
    assert differ.mean() < 0.002 and (index >= 0).any()  # a centre on an edge may go either way in single precision
    np.testing.assert_allclose(buffer.depth[~differ & (index >= 0)], depth[~differ & (index >= 0)], rtol=1e-3, atol=1e-3 * max(size, 1.0))


def test_no_cracks_between_small_triangles() -> None:
    x, y = np.meshgrid(np.linspace(0, 80, 230), np.linspace(0, 60, 170))
    screen = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    corner = (np.arange(169)[:, None] * 230 + np.arange(229)).ravel()
    triangles = np.concatenate([np.column_stack([corner, corner + 1, corner + 231]), np.column_stack([corner, corner + 231, corner + 230])])
    assert (rasterise(screen, triangles, 80, 60).triangles >= 0).all()


def test_triangles_outside_or_without_area_or_number_leave_nothing() -> None:
    screen = np.array([[-9, -9, 0], [-5, -9, 0], [-9, -5, 0], [3, 3, 0], [8, 8, 0], [5.5, 5.5, 0], [np.nan, 1, 0], [9, np.nan, 1],
                       [1, 9, 2.0]])
    buffer = rasterise(screen, np.arange(9).reshape(3, 3), 10, 10)
    assert (buffer.triangles == -1).all() and np.isinf(buffer.depth).all()
    assert (rasterise(np.empty((0, 3)), np.empty((0, 3), dtype=int), 4, 3).triangles == -1).all()


def test_interpolated_values_are_linear() -> None:
    screen = np.array([[0, 0, 5], [40, 0, 6], [0, 30, 7.0]])
    triangles = np.array([[0, 1, 2]])
    buffer = rasterise(screen, triangles, 40, 30)
    pixels, values = interpolate(screen, triangles, buffer, 2.0 * screen[:, 0] - screen[:, 1] + 1.0)
    row, column = np.divmod(pixels, 40)
    np.testing.assert_allclose(values, 2.0 * (column + 0.5) - (row + 0.5) + 1.0, atol=1e-3)


def test_projection_keeps_right_up_and_near() -> None:
    view = View(np.eye(3), np.zeros(3), 10.0, 100, 60)
    np.testing.assert_allclose(view.project(np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])),
                               [[50, 30, 0], [60, 30, 0], [50, 20, 0], [50, 30, -1]])
    np.testing.assert_allclose(view.enlarged(2).project(np.array([[1, 1, 1.0]])), [[120, 40, -1]])


@pytest.mark.parametrize("seed", range(4))
def test_four_views_hold_everything_and_lay_the_limb_along_the_width(seed: int) -> None:
    random = np.random.default_rng(seed)
    turn = np.linalg.qr(random.normal(size=(3, 3)))[0]
    points = random.uniform(-1, 1, size=(500, 3)) * [5, 1.5, 0.6] @ turn.T + random.normal(size=3) * 10
    root = points[np.argmax(points @ turn[:, 0])]
    views = four_views(points, 400, root=root)
    assert len({(view.width, view.height, view.scale) for view in views}) == 1
    for view in views:
        screen = view.project(points)
        assert screen[:, 0].min() > 0 and screen[:, 0].max() < view.width
        assert screen[:, 1].min() > 0 and screen[:, 1].max() < view.height
        assert np.ptp(screen[:, 0]) > 0.85 * view.width and view.project(root[None])[0, 0] < view.width / 2
        np.testing.assert_allclose(view.axes @ view.axes.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(view.axes) == pytest.approx(1.0)
    directions = [view.backward for view in views]
    np.testing.assert_allclose(directions[0], -directions[2], atol=1e-12)
    assert abs(directions[0] @ directions[1]) < 1e-12
    assert abs(directions[0] @ turn[:, 2]) > 0.95


def test_close_view_puts_the_place_in_the_middle() -> None:
    view = close_view(four_views(np.random.default_rng(1).normal(size=(50, 3)), 200)[0], np.array([1, 2, 3.0]), 0.25)
    np.testing.assert_allclose(view.project(np.array([[1, 2, 3.0]]))[0, :2], [view.width / 2, view.height / 2])
    assert view.scale * 0.5 == pytest.approx(min(view.width, view.height))


@pytest.mark.parametrize("points", [np.zeros((1, 3)), np.zeros((5, 3)), np.array([[0, 0, 0], [1, 0, 0.0]])])
def test_degenerate_clouds_still_give_views(points: np.ndarray) -> None:
    assert np.isfinite(principal_axes(points)).all()
    for view in four_views(points, 100):
        assert np.isfinite(view.project(points)).all() and 0 < view.height <= 100
