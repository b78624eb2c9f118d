"""Rows where a limb bends: how far a joint's bend reaches along a bone, how many rows it takes, where they stand.

Skin weights blend over the reach. Few rows there lose volume: every chord between two rings cuts the bend's corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .polymesh import FloatArray

BLEND_RADII = 1.7
"""Weights blend over this many radii of the limb to each side of a joint, where the bones have room: a bend of 90 degrees does not
press the inner skin together to nothing (tried on an arm and a leg: 1.4 radii and 0.45 of a bone give smaller
scaled Jacobians at most joints)."""
ROOT_DEPTH = 1.3
"""A branch's root joint lies this many of the branch's radii under its trunk's skin (measured on knuckles and toe roots)."""
BLEND_SHARE = 0.5
"""A blend takes at most this share of a bone, so that it keeps clear of the limb's end; two blends share the whole bone."""
BEND_ROWS = 4.0
"""Rows on each side of a joint that bends to a right angle, 0.42 radii apart where the bones have room (tried on an arm and a leg
within a budget: 4.4 and 4.8 keep no more volume and fit the arm less, since they take quads from its sides)."""
RIGHT_ANGLE = 90.0
TURN_POWER = 0.2
"""Rows of a bend grow with this power of its angle (tried on an arm and a leg; by the loss of volume alone they would grow as
the angle, but a bend of few rows looks poor at any angle)."""
REST_ROWS = 0.75
"""A joint that is bent to a right angle as it stands, as an ankle nearly is, takes this share of rows more: its skin stands far from it
on the outer side and fans (tried on an arm and a leg: an elbow bent by 49 degrees keeps enough volume with hardly more rows, an ankle
bent by 72 degrees needs four tenths more)."""
REST_POWER = 3.0
"""The share grows with this power of the bend at rest."""
ROOT_POWER = 0.55
"""Before a fork rows grow with this power of its branches' turn on top: toes, which bend by 60 degrees, keep volume enough with four
fifths of the rows (tried on a leg; an arm's fingers bend by 90)."""
GATHER = 0.8
"""The rings nearest to a joint stand this share of the bend's other rows from one another (common practice: tighter at
joints; tried on an arm and a leg: 0.6 keeps no more volume, and fits the target less)."""
MOST_CLOSER = 6.0
"""Rows in a bend stand at most this many times closer than the others (common practice)."""
LEAST_REACH = 1e-3
"""A bend that reaches over less of its bone takes no rows of its own."""
_HALVINGS = 60


@dataclass(frozen=True)
class Bend:
    """One end of a bone that bends.

    reach : along the bone from that end, target units
    rows : within it, where the rows between the bends are not so long that they would be too unlike
    """

    reach: float
    rows: float


NO_BEND = Bend(0.0, 0.0)


@dataclass(frozen=True)
class JointTurn:
    """How a joint bends, degrees.

    degrees : from the straight limb to as far as it goes
    rest : as it stands
    """

    degrees: float
    rest: float


NO_TURN = JointTurn(0.0, 0.0)


def blend_share(length: float, wanted: float, beyond: float) -> float:
    """Share of what a joint's blend wants that a bone beside it has room for, 0 to 1.

    length : of the bone; wanted : by the joint; beyond : by the joint at the bone's other end, 0 where there is none
    """
    return min(1.0, (length if beyond > 0.0 else BLEND_SHARE * length) / (wanted + beyond))


def bend_rows(turn: JointTurn) -> float:
    """Rows on each side of a joint that bends so."""
    if turn.degrees <= 0.0:
        return 0.0
    return BEND_ROWS * (turn.degrees / RIGHT_ANGLE) ** TURN_POWER * (1.0 + REST_ROWS * (turn.rest / RIGHT_ANGLE) ** REST_POWER)


def root_rows_share(turn: JointTurn) -> float:
    """Share of a bend's rows that a trunk needs before a fork whose branches bend so at their roots, at most 1."""
    return min(1.0, turn.degrees / RIGHT_ANGLE) ** ROOT_POWER


def rows_with_bends(length: float, plain_row: float, bends: tuple[Bend, Bend]) -> float:
    """Rows of a bone whose rows are so long, and shorter where it bends; not rounded."""
    bent = sum(_rows_in(bend, plain_row) for bend in bends)
    return bent + (length - sum(bend.reach for bend in bends)) / plain_row


def _rows_in(bend: Bend, plain_row: float) -> float:
    """Rows within the reach of a bend beside rows that are so long."""
    plain = bend.reach / plain_row
    return max(plain, min(bend.rows, MOST_CLOSER * plain))


def bend_steps(rows: int, length: float, bends: tuple[Bend, Bend], loops: tuple[int, int] = (0, 0)) -> FloatArray:
    """Shares of a bone's length that its rows take, (rows,) float64, adding up to 1.

    bends : at the root and at the tip
    loops : rows gathered at each end, where that leaves a row between them
    """
    steps = _spread(rows, length, bends)
    if sum(loops) < rows:
        steps[: loops[0]] *= GATHER
        steps[rows - loops[1] :] *= GATHER
    return steps / steps.sum()


def _spread(rows: int, length: float, bends: tuple[Bend, Bend]) -> FloatArray:
    bends = tuple(bend if bend.reach > LEAST_REACH * length else NO_BEND for bend in bends)  # type: ignore[assignment]
    short, long = 0.5 * length / rows, 2.0 * MOST_CLOSER * length / rows
    for _ in range(_HALVINGS):
        plain = float(np.sqrt(short * long))
        short, long = (plain, long) if rows_with_bends(length, plain, bends) > rows else (short, plain)
    ends = np.array([0.0, bends[0].reach, length - bends[1].reach, length])
    until = np.cumsum([0.0, _rows_in(bends[0], short), (ends[2] - ends[1]) / short, _rows_in(bends[1], short)])
    kept = np.concatenate([[True], np.diff(until) > 0])
    return np.asarray(np.diff(np.interp(np.linspace(0.0, until[-1], rows + 1), until[kept], ends[kept])) / length, dtype=np.float64)
