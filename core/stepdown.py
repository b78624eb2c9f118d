"""Step-downs: rows of quads between two rings whose counts differ."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .placement import row_correspondence
from .polymesh import IntArray


def step_down_row(upper: npt.ArrayLike, lower: npt.ArrayLike, starts: npt.ArrayLike) -> IntArray:
    """Quads of a row whose upper ring, the one toward the tip, is the fuller one.

        t0 --- t1 --- t2 --- t3        upper
        |      |   \\          |
        b0 ---------- \\ ---- b1       lower: one edge under three; t2 a 3-pole, b1 a 5-pole

    upper : (n,) int, vertices counter-clockwise seen from the tip
    lower : (n - 2 k,) int, vertices counter-clockwise seen from the tip; lower[j] lies under
        upper[row_correspondence(n, starts)[j]]
    starts : (k,) int, indices t0 into upper; none: a plain row
    Returns (n - k, 4) int32 quads, counter-clockwise seen from outside.
    """
    return _row(upper, lower, starts)[:, ::-1].copy()


def step_up_row(upper: npt.ArrayLike, lower: npt.ArrayLike, starts: npt.ArrayLike) -> IntArray:
    """Quads of a row whose lower ring, the one toward the root, is the fuller one.

    upper : (n - 2 k,) int, vertices counter-clockwise seen from the tip; upper[j] lies over
        lower[row_correspondence(n, starts)[j]]
    lower : (n,) int, vertices counter-clockwise seen from the tip
    starts : (k,) int, indices t0 into lower
    Returns (n - k, 4) int32 quads, counter-clockwise seen from outside.
    """
    return _row(lower, upper, starts)


def _row(fuller: npt.ArrayLike, sparser: npt.ArrayLike, starts: npt.ArrayLike) -> IntArray:
    """Quads with the fuller ring's edges in its own direction: (t0 t1 b1 b0) and (t1 t2 t3 b1)."""
    full, sparse = np.asarray(fuller, dtype=np.int32), np.asarray(sparser, dtype=np.int32)
    first = np.asarray(starts, dtype=np.int64).reshape(-1)
    count = len(full)
    if len(sparse) != count - 2 * len(first):
        raise ValueError(f"rings of {count} and {len(sparse)} vertices do not fit {len(first)} step-downs")
    above = row_correspondence(count, first)
    below = np.full(count, -1, dtype=np.int32)
    below[above] = sparse
    taken = np.zeros(count, dtype=np.bool_)
    taken[(first[:, None] + np.arange(3)).ravel() % count] = True
    if np.count_nonzero(taken) != 3 * len(first):
        raise ValueError("step-downs of one row overlap")
    plain = np.flatnonzero(~taken)
    plain_next = (plain + 1) % count
    second, third, fourth = ((first + step) % count for step in (1, 2, 3))
    quads: IntArray = np.concatenate([
        np.column_stack([full[plain], full[plain_next], below[plain_next], below[plain]]),
        np.column_stack([full[first], full[second], below[fourth], below[first]]),
        np.column_stack([full[second], full[third], full[fourth], below[fourth]])]).astype(np.int32)
    return quads
