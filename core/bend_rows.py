"""Rows where a limb bends: how far a joint's bend reaches along a bone, how many rows it takes, where they stand.

Skin weights blend over the reach. Few rows there lose volume: every chord between two rings cuts the bend's corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .polymesh import FloatArray

BLEND_RADII = 1.4
"""Weights blend over this many radii of the limb to each side of a joint, where the bones have room: of 0.5 to 2 radii tried on
an arm and a leg, wider ones kept more volume and squarer quads up to here, and little more beyond."""
BLEND_SHARE = 0.45
"""A blend takes at most this share of the bones on both sides, so that two joints' blends do not meet."""
BEND_ROWS = 3.0
"""Rows on each side of a joint within the reach of its bend, at a row density of 1. By a bent tube: a bend of 63 degrees
loses 1.5 times what a finely sampled one does with rows of 0.65 radii, 1.2 times with these."""
GATHER = 0.8
"""The rings nearest to a joint stand this share of the bend's other rows from one another (common practice: tighter at
joints; tried on an arm and a leg: 0.6 keeps no more volume, and fits the target less)."""
LEAST_REACH = 1e-3
"""A bend that reaches over less of its bone takes no rows of its own."""
_HALVINGS = 60


@dataclass(frozen=True)
class Bend:
    """One end of a bone that bends.

    reach : along the bone from that end, target units
    rows : least rows within it
    """

    reach: float
    rows: float


NO_BEND = Bend(0.0, 0.0)


def joint_bend(length: float, radius: float, density: float = 1.0) -> Bend:
    """The bend of a bone at a joint.

    length : of the bone; radius : of the limb there; density : rows per square face that are asked for
    """
    return Bend(min(BLEND_RADII * radius, BLEND_SHARE * length), BEND_ROWS * density)


def rows_with_bends(length: float, plain_row: float, bends: tuple[Bend, Bend]) -> float:
    """Rows of a bone whose rows are so long, and shorter where a bend needs more; not rounded."""
    bent = sum(max(bend.rows, bend.reach / plain_row) for bend in bends)
    return bent + (length - sum(bend.reach for bend in bends)) / plain_row


def bend_steps(rows: int, length: float, bends: tuple[Bend, Bend], loops: tuple[int, int] = (0, 0)) -> FloatArray:
    """Shares of a bone's length that its rows take, (rows,) float64, adding up to 1.

    bends : at the root and at the tip; with fewer rows than they ask for, all are alike
    loops : rows gathered at each end, where that leaves a row between them
    """
    steps = _spread(rows, length, bends)
    if sum(loops) < rows:
        steps[: loops[0]] *= GATHER
        steps[rows - loops[1] :] *= GATHER
    return steps / steps.sum()


def _spread(rows: int, length: float, bends: tuple[Bend, Bend]) -> FloatArray:
    if rows <= sum(bend.rows for bend in bends) + 0.5:
        return np.full(rows, 1.0 / rows)
    bends = tuple(bend if bend.reach > LEAST_REACH * length else NO_BEND for bend in bends)  # type: ignore[assignment]
    short, long = 0.5 * length / rows, 2.0 * length * rows
    for _ in range(_HALVINGS):
        plain = float(np.sqrt(short * long))
        short, long = (plain, long) if rows_with_bends(length, plain, bends) > rows else (short, plain)
    counted = [max(bend.rows, bend.reach / short) for bend in bends]
    ends = np.array([0.0, bends[0].reach, length - bends[1].reach, length])
    until = np.cumsum([0.0, counted[0], (ends[2] - ends[1]) / short, counted[1]])
    kept = np.concatenate([[True], np.diff(until) > 0])
    return np.asarray(np.diff(np.interp(np.linspace(0.0, until[-1], rows + 1), until[kept], ends[kept])) / length, dtype=np.float64)
