"""Close the tip of a limb: a ring of n = 2 (a + b) edges takes a grid of a x b quads, with four 3-poles and no more."""

from __future__ import annotations

import numpy as np

from .polymesh import FloatArray, IntArray
from .quality import scaled_jacobian

CLEARLY_BETTER = 0.1
"""A cap's grid starts off its limb's seam where this raises the scaled Jacobian of its worst face by so much."""


def grid_cap(ring: IntArray, short: int, long: int, first_new: int) -> IntArray:
    """Quads that close a ring with a grid.

    ring : (n,) int32, vertices counter-clockwise seen from the tip, n = 2 (short + long)
    short, long : quads along the grid's sides; the side of ``long`` quads starts at ring[0]
    first_new : number of the first inner vertex; there are (short - 1) (long - 1), row after row
    Returns (short * long, 4) int32, counter-clockwise seen from outside.
    """
    grid = cap_grid(ring, short, long, first_new)
    corners = np.stack([grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]], axis=-1)
    return corners.reshape(-1, 4).astype(np.int32)


def cap_grid(ring: IntArray, short: int, long: int, first_new: int) -> IntArray:
    """Vertices of the grid, (short + 1, long + 1) int32; the ring runs round its border."""
    if len(ring) != 2 * (short + long):
        raise ValueError(f"a ring of {len(ring)} edges does not go round a grid of {short} x {long}")
    grid = np.empty((short + 1, long + 1), dtype=np.int32)
    grid[0, :] = ring[: long + 1]
    grid[:, long] = ring[long : long + short + 1]
    grid[short, ::-1] = ring[long + short : 2 * long + short + 1]
    grid[::-1, 0] = np.append(ring[2 * long + short :], ring[0])
    grid[1:-1, 1:-1] = first_new + np.arange((short - 1) * (long - 1)).reshape(short - 1, long - 1)
    return grid


def best_turn(border: FloatArray, short: int, long: int) -> int:
    """The vertex of a ring at which its cap's grid had best start, so that the worst face is best shaped as it is laid: a flat tip wants no
    corner of the grid on its edges. The first one where no other is clearly better.

    border : (n, 3) float64, the ring's points in order
    """
    ring = np.arange(len(border), dtype=np.int32)
    shapes = np.empty(short + long)  # half a turn gives the same grid
    for turn in range(short + long):
        turned = np.roll(border, -turn, axis=0)
        points = np.concatenate([turned, cap_positions(turned, short, long)])
        shapes[turn] = scaled_jacobian(points[grid_cap(ring, short, long, len(border))]).min()
    best = int(np.argmax(shapes))
    return best if shapes[best] > shapes[0] + CLEARLY_BETTER else 0


def cap_positions(border: FloatArray, short: int, long: int) -> FloatArray:
    """Rough inner points of a cap: each between the four border points of its row and column (Coons patch).

    border : (n, 3) float64, the ring's points in order
    Returns ((short - 1) (long - 1), 3) float64, row after row.
    """
    index = cap_grid(np.arange(len(border), dtype=np.int32), short, long, 0)
    u = (np.arange(1, long) / long)[None, :, None]
    v = (np.arange(1, short) / short)[:, None, None]
    bottom, top = border[index[0, 1:-1]][None], border[index[-1, 1:-1]][None]
    left, right = border[index[1:-1, 0]][:, None], border[index[1:-1, -1]][:, None]
    corners = ((1 - u) * (1 - v) * border[index[0, 0]] + u * (1 - v) * border[index[0, -1]]
               + (1 - u) * v * border[index[-1, 0]] + u * v * border[index[-1, -1]])
    inner = (1 - v) * bottom + v * top + (1 - u) * left + u * right - corners
    return np.asarray(inner, dtype=np.float64).reshape(-1, 3)
