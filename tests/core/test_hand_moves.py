"""Moves by hand outlive a new build of the same topology."""

from __future__ import annotations

import numpy as np

from ringwright.core.hand_moves import keep_moves
from support.tubes import tube


def test_moves_are_kept_on_the_same_faces() -> None:
    built = tube(8, 5)
    moved = built.positions.copy()
    moved[3] += [0.2, 0, 0]
    new = built.with_positions(built.positions + [0, 1, 0])
    result = keep_moves(built.with_positions(moved), built.positions, new)
    assert (result.kept, result.lost) == (1, 0)
    assert np.allclose(result.positions[3], new.positions[3] + [0.2, 0, 0])
    rest = np.arange(40) != 3
    assert np.array_equal(result.positions[rest], new.positions[rest])


def test_moves_are_counted_as_lost_on_other_faces() -> None:
    built = tube(8, 5)
    moved = built.positions.copy()
    moved[[3, 4]] += 0.1
    new = tube(10, 5)
    result = keep_moves(built.with_positions(moved), built.positions, new)
    assert (result.kept, result.lost) == (0, 2)
    assert np.array_equal(result.positions, new.positions)


def test_single_precision_is_no_move() -> None:
    built = tube(8, 5)
    old = built.with_positions(built.positions.astype(np.float32).astype(np.float64))
    assert keep_moves(old, built.positions, built).kept == 0
