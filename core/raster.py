"""See a mesh from outside: parallel views and a depth buffer, by numpy alone.

Screen coordinates are pixels: x to the right, y down, the centre of the first pixel at 0.5;
depth grows away from the viewer, in the mesh's units.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .polymesh import FloatArray, IntArray

TRIANGLE_BATCH = 1 << 17
"""Triangles at a time: their coordinates then stay in the processor's cache."""

PIXEL_BATCH = 1 << 20
"""Pixel candidates at a time, about 60 MB."""

_DEPTH_STEPS = (1 << 31) - 1
_Reals = npt.NDArray[np.floating[Any]]
_SLACK = np.float32(-1e-5)
_EMPTY = np.iinfo(np.int64).max


@dataclass(frozen=True)
class View:
    """A parallel projection onto a picture.

    axes : (3, 3) float64, rows: to the right, up, towards the viewer; unit and square to each other
    centre : (3,) float64, what lies in the picture's middle
    scale : pixels a unit
    width, height : pixels
    """

    axes: FloatArray
    centre: FloatArray
    scale: float
    width: int
    height: int

    def project(self, positions: FloatArray) -> FloatArray:
        """Screen coordinates and depth of (n, 3) positions, (n, 3) float64."""
        seen = (positions - self.centre) @ self.axes.T
        return seen * [self.scale, -self.scale, -1.0] + [0.5 * self.width, 0.5 * self.height, 0.0]

    def enlarged(self, factor: int) -> View:
        """The same view with ``factor`` times as many pixels along each side."""
        return View(self.axes, self.centre, self.scale * factor, self.width * factor, self.height * factor)

    @property
    def backward(self) -> FloatArray:
        """Unit vector towards the viewer, (3,) float64."""
        return self.axes[2]


@dataclass(frozen=True)
class DepthBuffer:
    """What is seen at every pixel.

    depth : (h, w) float32, infinite where nothing is seen
    triangles : (h, w) int32, index of the triangle that is seen, -1: none
    """

    depth: npt.NDArray[np.float32]
    triangles: IntArray


def principal_axes(positions: FloatArray) -> FloatArray:
    """Directions in which points (n, 3) spread most, second most and least, (3, 3) float64 rows, right-handed."""
    spread = np.cov((positions - positions.mean(axis=0)).T) if len(positions) > 1 else np.eye(3)
    axes = np.linalg.eigh(spread)[1].T[::-1]
    axes[2] = np.cross(axes[0], axes[1])
    return np.asarray(axes, dtype=np.float64)


def four_views(positions: FloatArray, width: int, *, root: FloatArray | None = None, margin: float = 0.04) -> tuple[View, ...]:
    """Look at points (n, 3) from four sides round their longest axis, which runs along the picture's width.

    root : (3,) float64, a point that should lie towards the left, such as a limb's open end
    margin : empty border, share of the width
    The first view shows the broadest side; up in the picture is as near as can be to the positive third axis. All four
    have one scale and one size.
    """
    positions = positions[np.isfinite(positions).all(axis=1)]
    positions = positions if len(positions) else np.zeros((1, 3))
    long, broad, _ = principal_axes(positions)
    centre = 0.5 * (positions.min(axis=0) + positions.max(axis=0))
    if (root is not None and (root - centre) @ long > 0) or (root is None and long[np.argmax(np.abs(long))] < 0):
        long = -long
    if broad[2] < 0:
        broad = -broad
    sides = [(up, np.cross(long, up)) for up in (broad, np.cross(long, broad), -broad, -np.cross(long, broad))]
    rotations = [np.array([long, up, backward]) for up, backward in sides]
    spans = np.array([np.stack([(positions @ axes.T).min(axis=0), (positions @ axes.T).max(axis=0)]) for axes in rotations])
    extent = np.ptp(spans, axis=1)[:, :2].max(axis=0)
    longest = float(extent.max())
    scale = width * (1.0 - 2.0 * margin) / longest if longest > 0.0 else 1.0
    height = int(np.clip(np.ceil(float(extent[1]) * scale + 2.0 * margin * width), max(width // 5, 1), width))
    return tuple(View(axes, axes.T @ span.mean(axis=0), scale, width, height) for axes, span in zip(rotations, spans, strict=True))


def close_view(view: View, place: FloatArray, reach: float) -> View:
    """The same direction and size, with ``reach`` units on each side of ``place`` (3,) filling the picture's shorter side."""
    return View(view.axes, np.asarray(place, dtype=np.float64), min(view.width, view.height) / (2.0 * reach), view.width, view.height)


def rasterise(screen: FloatArray, triangles: IntArray, width: int, height: int) -> DepthBuffer:
    """Find the nearest triangle at every pixel centre.

    screen : (V, 3) float, from ``View.project``
    triangles : (T, 3) int; both sides are seen
    Most triangles of a dense mesh lie between pixel centres and are dropped by their bounding box; of the
    others each row tells where it enters and leaves the triangle. Depth and index share one 64-bit number a pixel, so
    that a single minimum settles both.
    """
    columns = [np.ascontiguousarray(screen[:, axis], dtype=np.float32) for axis in range(3)]
    finite = columns[2][np.isfinite(columns[2])]
    nearest, farthest = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 1.0)
    step = max(farthest - nearest, 1e-30) / _DEPTH_STEPS
    seen = np.full(width * height, _EMPTY, dtype=np.int64)
    for start in range(0, len(triangles), TRIANGLE_BATCH):
        corners = triangles[start : start + TRIANGLE_BATCH]
        x, y, z = (column[corners] for column in columns)
        for pixel, depth, triangle in _covered_pixels(x, y, z, width, height):
            level = np.clip((depth - nearest) / step, 0, _DEPTH_STEPS).astype(np.int64)
            np.minimum.at(seen, pixel, (level << 32) | (triangle + start))
    empty = seen == _EMPTY
    depth_image = np.where(empty, np.inf, nearest + (seen >> 32) * step).astype(np.float32)
    index_image = np.where(empty, -1, seen & 0xFFFFFFFF).astype(np.int32)
    return DepthBuffer(depth_image.reshape(height, width), index_image.reshape(height, width))


def interpolate(screen: FloatArray, triangles: IntArray, buffer: DepthBuffer,
                values: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Vertex values seen at the covered pixels, linear in every triangle.

    values : (V,) float64
    Returns flat pixel indices (n,) and values (n,) float64.
    """
    pixels = np.flatnonzero(buffer.triangles.ravel() >= 0)
    corners = triangles[buffer.triangles.ravel()[pixels]]
    row, column = np.divmod(pixels, buffer.depth.shape[1])
    weights = _weights(screen[corners, 0], screen[corners, 1], column + 0.5, row + 0.5)
    seen = sum((np.clip(weights[corner], 0.0, 1.0) * values[corners[:, corner]] for corner in range(3)), start=np.zeros(len(pixels)))
    return pixels, seen


def _covered_pixels(x: npt.NDArray[np.float32], y: npt.NDArray[np.float32], z: npt.NDArray[np.float32], width: int,
                    height: int) -> Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.float32], npt.NDArray[np.int64]]]:
    """Yield flat pixel, depth and triangle of every pixel centre inside triangles given by (n, 3) coordinates."""
    left, columns = _pixel_range(x, width)
    top, rows = _pixel_range(y, height)
    kept = np.flatnonzero((columns > 0) & (rows > 0))
    left, top, columns, rows = left[kept], top[kept], columns[kept], rows[kept]
    planes = _weight_planes(x[kept], y[kept])
    tilt = np.einsum("pkn,nk->pn", planes, z[kept])  # the depth's own plane
    ends = np.cumsum(columns * rows)
    first = 0
    while first < len(kept):
        before = int(ends[first - 1]) if first else 0
        last = max(first + 1, int(np.searchsorted(ends, before + PIXEL_BATCH, side="right")))
        owner, row = counted_up(rows[first:last])
        owner += first
        row += top[owner]
        start, count = _inside_row(planes, owner, row + 0.5, left[owner], left[owner] + columns[owner] - 1)
        line, along = counted_up(count)
        column, row, owner = start[line] + along, row[line], owner[line]
        depth = tilt[0, owner] * (column + 0.5) + tilt[1, owner] * (row + 0.5) + tilt[2, owner]
        yield row * width + column, depth.astype(np.float32), kept[owner]
        first = last


def _weight_planes(x: npt.NDArray[np.float32], y: npt.NDArray[np.float32]) -> FloatArray:
    """Barycentric weights of triangles (n, 3) as linear functions over the picture, (3, 3, n) float64.

    First axis: by column, by row, constant; second: which corner's weight. Not a number for a triangle seen edge on.
    """
    across, down = x.T.astype(np.float64), y.T.astype(np.float64)
    after, further = np.array([1, 2, 0]), np.array([2, 0, 1])
    planes = np.stack([down[after] - down[further], across[further] - across[after],
                       across[after] * down[further] - across[further] * down[after]])
    total = planes[2].sum(axis=0)
    return np.asarray(np.divide(planes, total, out=np.full_like(planes, np.nan), where=total != 0.0))


def _inside_row(planes: FloatArray, owner: npt.NDArray[np.int64], row: FloatArray, left: npt.NDArray[np.int64],
                right: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First column and number of columns whose centres lie inside a triangle on one row, each (m,) int64.

    owner, row : (m,) the triangle and the row's own height
    left, right : (m,) columns between which it lies
    """
    low, high = left.astype(np.float64), right.astype(np.float64)
    for slope, fall, constant in planes.transpose(1, 0, 2):
        by_column = slope[owner]
        rest = _SLACK - (fall[owner] * row + constant[owner])
        with np.errstate(divide="ignore", invalid="ignore"):
            border = rest / by_column - 0.5
        low = np.where(by_column > 0.0, np.maximum(low, np.ceil(border)), low)
        high = np.where(by_column < 0.0, np.minimum(high, np.floor(border)), high)
        high = np.where(np.isnan(by_column) | ((by_column == 0.0) & (rest > 0.0)), -1.0, high)
    count = np.maximum(high - low + 1.0, 0.0).astype(np.int64)
    return np.where(count > 0, low, 0.0).astype(np.int64), count


def counted_up(counts: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """0, 1, ... up to each count, one after the other: whose they are, and the numbers."""
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)


def _pixel_range(values: npt.NDArray[np.float32], size: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First pixel whose centre lies between the lowest and highest of (n, 3) values, and how many do."""
    a, b, c = values[:, 0], values[:, 1], values[:, 2]
    low = np.ceil(np.minimum(np.minimum(a, b), c) - np.float32(0.5))
    high = np.floor(np.maximum(np.maximum(a, b), c) - np.float32(0.5))
    low, high = np.maximum(low, 0.0), np.minimum(high, size - 1.0)
    counts = np.where(high >= low, high - low + 1.0, 0.0)
    return np.where(counts > 0, low, 0.0).astype(np.int64), counts.astype(np.int64)


def _weights(x: _Reals, y: _Reals, column: _Reals, row: _Reals) -> _Reals:
    """Barycentric weights (3, n) of points (n,) in triangles given by (n, 3) coordinates; -1 for a triangle seen edge on."""
    first = (x[:, 1] - column) * (y[:, 2] - row) - (x[:, 2] - column) * (y[:, 1] - row)
    second = (x[:, 2] - column) * (y[:, 0] - row) - (x[:, 0] - column) * (y[:, 2] - row)
    third = (x[:, 0] - column) * (y[:, 1] - row) - (x[:, 1] - column) * (y[:, 0] - row)
    total = first + second + third
    weights = np.stack([first, second, third])
    return np.divide(weights, total, out=np.full_like(weights, -1.0), where=total != 0.0)
