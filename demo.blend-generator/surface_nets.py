"""A triangle mesh of a distance field's zero surface, by surface nets on a uniform grid.

Method: naive surface nets (after Gibson, "Constrained elastic surface nets", 1998): one vertex for every grid
cell that the surface crosses, at the mean of the crossings on the cell's edges; one quad for every grid edge that
it crosses. The field is sampled finely only near the surface.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.int32]
SingleArray = npt.NDArray[np.float32]
FieldFunction = Callable[[npt.NDArray[np.floating[Any]]], SingleArray]

BLOCK = 4
"""Fine grid steps along one side of a coarse block."""
STEEPNESS = 1.5
"""How much faster than distance the field may change (tapered capsules are a little steeper than 1)."""


def surface_nets(field: FieldFunction, low: FloatArray, high: FloatArray, step: float) -> tuple[FloatArray, IndexArray]:
    """Mesh the zero surface of a field inside a box.

    field : (n, 3) points to (n,) signed distances, negative inside
    low, high : (3,) float64, corners of the box
    step : grid step
    Returns positions (V, 3) float64 and triangles (T, 3) int32, counter-clockwise seen from outside.
    """
    values = sample_near_surface(field, low, high, step)
    cells, quads = _cells_and_quads(values)
    positions = low + step * _cell_vertices(values, cells)
    return positions, split_quads(positions, quads)


def sample_near_surface(field: FieldFunction, low: FloatArray, high: FloatArray, step: float) -> SingleArray:
    """Field values on a grid, exact near the surface and only right in sign elsewhere, (nx, ny, nz) float32."""
    blocks = np.ceil((high - low) / (step * BLOCK)).astype(int)
    block_corners = np.stack(np.meshgrid(*(np.arange(count) for count in blocks), indexing="ij"), axis=-1).reshape(-1, 3)
    centre = (BLOCK - 1) / 2.0
    rough = field(low + step * (block_corners * BLOCK + centre))
    reach = STEEPNESS * step * np.sqrt(3.0) * centre + STEEPNESS * step
    near = np.flatnonzero(np.abs(rough) < reach)
    values = np.repeat(rough[:, None], BLOCK**3, axis=1)
    inner = np.stack(np.meshgrid(*[np.arange(BLOCK)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    fine = (block_corners[near][:, None, :] * BLOCK + inner).reshape(-1, 3)
    values[near] = field(low + step * fine).reshape(len(near), -1)
    grid = values.reshape(*blocks, BLOCK, BLOCK, BLOCK).transpose(0, 3, 1, 4, 2, 5)
    shape = tuple(int(count) * BLOCK for count in blocks)
    return np.ascontiguousarray(grid).reshape(shape)


def split_quads(positions: FloatArray, quads: IndexArray) -> IndexArray:
    """Cut each of (Q, 4) quads along its shorter diagonal, (2 Q, 3) int32."""
    corners = positions[quads]
    first = np.linalg.norm(corners[:, 0] - corners[:, 2], axis=1)
    second = np.linalg.norm(corners[:, 1] - corners[:, 3], axis=1)
    turned = np.where((first <= second)[:, None], quads, np.roll(quads, -1, axis=1))
    return np.asarray(np.concatenate([turned[:, [0, 1, 2]], turned[:, [0, 2, 3]]]), dtype=np.int32)


def _cells_and_quads(values: SingleArray) -> tuple[IndexArray, IndexArray]:
    """Grid cells that hold a vertex, (V, 3), and quads over these vertices, (Q, 4)."""
    inside = values < 0
    shape = np.array(values.shape)
    strides = np.array([shape[1] * shape[2], shape[2], 1])
    quads = []
    for axis in range(3):
        lower = np.take(inside, np.arange(shape[axis] - 1), axis=axis)
        upper = np.take(inside, np.arange(1, shape[axis]), axis=axis)
        places = np.argwhere(lower != upper)
        side, other = (axis + 1) % 3, (axis + 2) % 3
        across = places[:, [side, other]]
        places = places[np.all((across > 0) & (across < shape[[side, other]] - 1), axis=1)]
        corner = places @ strides
        quad = np.stack([corner, corner - strides[side], corner - strides[side] - strides[other], corner - strides[other]], axis=1)
        leaves_solid = inside.ravel()[corner]
        quads.append(np.where(leaves_solid[:, None], quad, quad[:, ::-1]))
    corners = np.concatenate(quads)
    used, index = np.unique(corners, return_inverse=True)
    cells = np.stack(np.unravel_index(used, values.shape), axis=1)
    return cells.astype(np.int32), index.reshape(corners.shape).astype(np.int32)


def _cell_vertices(values: SingleArray, cells: IndexArray) -> FloatArray:
    """Mean crossing of the twelve edges of every cell, in grid steps, (V, 3) float64."""
    total = np.zeros((len(cells), 3))
    count = np.zeros(len(cells))
    for axis in range(3):
        for first in (0, 1):
            for second in (0, 1):
                near = np.zeros(3, dtype=np.int32)
                near[(axis + 1) % 3], near[(axis + 2) % 3] = first, second
                far = near.copy()
                far[axis] = 1
                start = values[tuple((cells + near).T)].astype(np.float64)
                end = values[tuple((cells + far).T)].astype(np.float64)
                crossed = (start < 0) != (end < 0)
                fraction = np.where(crossed, start / np.where(crossed, start - end, 1.0), 0.0)
                point = near + fraction[:, None] * (far - near)
                total += np.where(crossed[:, None], point, 0.0)
                count += crossed
    return np.asarray(cells + total / count[:, None], dtype=np.float64)
