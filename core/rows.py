"""Vectors as three rows, x over y over z, (3, ...): the layout in which numpy is quickest over thousands of them."""

from __future__ import annotations

import numpy as np

from .polymesh import FloatArray


def rows_of(points: FloatArray) -> FloatArray:
    """(n, 3) points as (3, n) rows."""
    return np.ascontiguousarray(points.T)


def points_of(rows: FloatArray) -> FloatArray:
    """(3, n) rows as (n, 3) points."""
    return np.ascontiguousarray(rows.T)


def dots(first: FloatArray, second: FloatArray) -> FloatArray:
    """Scalar products of vectors in rows, (3, ...) and (3, ...) to (...)."""
    return np.asarray(np.einsum("i...,i...->...", first, second), dtype=np.float64)


def crosses(first: FloatArray, second: FloatArray) -> FloatArray:
    """Vector products of vectors in rows, (3, ...)."""
    product = np.empty(np.broadcast_shapes(first.shape, second.shape))
    for axis in range(3):
        following, last = (axis + 1) % 3, (axis + 2) % 3
        np.multiply(first[following], second[last], out=product[axis])
        product[axis] -= first[last] * second[following]
    return product


def lengths(rows: FloatArray) -> FloatArray:
    """Lengths of vectors in rows, (3, ...) to (...)."""
    return np.sqrt(dots(rows, rows))


def unit_rows(rows: FloatArray) -> FloatArray:
    """Vectors in rows scaled to length 1; a zero vector stays zero."""
    size = lengths(rows)
    return np.asarray(rows / np.where(size > 0.0, size, 1.0), dtype=np.float64)
