"""Let a branch leave the side of a trunk: take out a block of quads and bridge its hole to the branch's first ring.

The hole of an a x b block has 2 (a + b) edges; its four corners become 5-poles, the fewest that the
pole balance allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .polymesh import BoolArray, FloatArray, IntArray

LONG_BLOCK_COST = 0.03
"""Cost of a hole e times as long as wide in quads: its ends would be drawn far round the branch."""
JOINT_RING_COST = 0.5
"""Cost of a hole that touches a ring of a joint; a hole one branch radius off its best place costs 1."""

FARTHEST_HOLE = 4.0
"""A hole of a greater cost, as one two branch radii off its best place, is none: its branch would be bridged across its neighbours."""


@dataclass(frozen=True)
class Block:
    """A block of quads in a trunk's wall.

    row, column : its lowest row and its first column
    rows, columns : its size
    phase : angle of the branch ring's vertex 0 that faces hole vertex 0, radians round the branch
    cost : misfit, in squared branch radii
    """

    row: int
    column: int
    rows: int
    columns: int
    phase: float
    cost: float


@dataclass(frozen=True)
class BranchRoot:
    """Where a branch begins: centre, direction, angle-zero direction (3,) float64, radius, ring count."""

    centre: FloatArray
    tangent: FloatArray
    frame: FloatArray
    radius: float
    count: int


def hole_ring(rings: Sequence[IntArray], block: Block) -> IntArray:
    """The hole's vertices, (n,) int32, counter-clockwise seen from outside, from the block's low first corner on.

    rings : the trunk's rings, root to tip, vertices counter-clockwise seen from the tip
    """
    return _hole_rings(rings[block.row : block.row + block.rows + 1], block.columns, np.array([block.column]))[0]


def _hole_rings(rings: Sequence[IntArray], columns: int, first: npt.NDArray[np.int64]) -> IntArray:
    """Holes of blocks ``columns`` wide between the first and the last of some rings, (k, n) int32; first : (k,) first columns."""
    count = len(rings[0])
    across = (first[:, None] + np.arange(columns + 1)) % count
    sides = np.stack([ring[across[:, [0, -1]]] for ring in rings[1:-1]], axis=1) if len(rings) > 2 else np.zeros((len(first), 0, 2))
    return np.concatenate([rings[0][across], sides[:, :, 1], rings[-1][across[:, ::-1]], sides[:, ::-1, 0]], axis=1).astype(np.int32)


def block_quads(block: Block, count: int) -> IntArray:
    """Row and column of every quad in the block, (rows * columns, 2) int32; count : the trunk's sides."""
    rows, columns = np.meshgrid(block.row + np.arange(block.rows), (block.column + np.arange(block.columns)) % count, indexing="ij")
    return np.column_stack([rows.ravel(), columns.ravel()]).astype(np.int32)


def choose_block(rings: Sequence[IntArray], positions: FloatArray, free_vertex: BoolArray, joint_ring: BoolArray, branch: BranchRoot,
                 standing: Sequence[BoolArray]) -> Block | None:
    """The block whose hole fits the branch's first ring best, or None where no block near it has room.

    rings : the trunk's rings, root to tip
    positions : (V, 3) float64
    free_vertex : (V,) bool, vertices that no pole and no border touches
    joint_ring : (r + 1,) bool, rings gathered round a joint
    standing : per row (columns,) bool, quads that no other socket has taken out
    """
    narrowest = least_block_edge(branch.count)
    wide = _best_block(rings, positions, free_vertex, joint_ring, branch, standing, narrowest)
    return wide or (_best_block(rings, positions, free_vertex, joint_ring, branch, standing, 1) if narrowest > 1 else None)


def _best_block(rings: Sequence[IntArray], positions: FloatArray, free_vertex: BoolArray, joint_ring: BoolArray, branch: BranchRoot,
                standing: Sequence[BoolArray], narrowest: int) -> Block | None:
    """The block that fits best of those at least so many quads wide and long."""
    half = branch.count // 2
    best, least = None, FARTHEST_HOLE
    for tall in range(narrowest, half - narrowest + 1):
        for row in range(1, len(rings) - 1 - tall):
            span = rings[row : row + tall + 1]
            if len({len(ring) for ring in span}) > 1 or half - tall + 2 > len(span[0]):
                continue
            holes = _hole_rings(span, half - tall, np.arange(len(span[0])))
            room = free_vertex[holes].all(axis=1) & _all_standing(standing[row : row + tall], half - tall)
            phases, costs = hole_fits(positions[holes], branch)
            costs += JOINT_RING_COST * float(joint_ring[row : row + tall + 1].any()) + LONG_BLOCK_COST * math.log(tall / (half - tall)) ** 2
            costs = np.where(room, costs, np.inf)
            column = int(np.argmin(costs))
            if costs[column] < least:
                least = float(costs[column])
                best = Block(row, column, tall, half - tall, float(phases[column]), least)
    return best


def least_block_edge(count: int) -> int:
    """Fewest quads along an edge of the block that a branch of so many sides takes out where there is room: a hole one quad wide is a
    slit."""
    return 2 if count >= 8 else 1


def least_block(count: int) -> int:
    """Fewest quads of a block for a branch of so many sides, but for a slit in a trunk without room for more."""
    edge = least_block_edge(count)
    return edge * (count // 2 - edge)


def _all_standing(standing: Sequence[BoolArray], columns: int) -> BoolArray:
    """Whether all quads of a block stand, by its first column, (c,) bool."""
    whole = np.stack(standing).all(axis=0)
    return np.asarray(whole[(np.arange(len(whole))[:, None] + np.arange(columns)) % len(whole)].all(axis=1), dtype=np.bool_)


def hole_fits(holes: FloatArray, branch: BranchRoot) -> tuple[FloatArray, FloatArray]:
    """How well holes fit a branch's first ring: the ring's best phase and the misfit.

    holes : (k, n, 3) float64, counter-clockwise seen from outside
    Returns phases (k,) in radians and costs (k,): squared offset across and along the branch in radii, plus the
    squared angle by which the hole's corners stray from an even ring; infinite where the hole looks away.
    """
    offset = holes - branch.centre
    sideways = np.cross(branch.tangent, branch.frame)
    x, y, along = offset @ branch.frame, offset @ sideways, offset @ branch.tangent
    middle_x, middle_y = x.mean(axis=1, keepdims=True), y.mean(axis=1, keepdims=True)
    flat_x, flat_y = x - middle_x, y - middle_y
    area = 0.5 * np.sum(flat_x * np.roll(flat_y, -1, axis=1) - np.roll(flat_x, -1, axis=1) * flat_y, axis=1)
    stray = np.arctan2(flat_y, flat_x) - 2 * np.pi * np.arange(holes.shape[1]) / holes.shape[1]
    turn = np.angle(np.mean(np.exp(1j * stray), axis=1))
    residual = np.mean(np.angle(np.exp(1j * (stray - turn[:, None]))) ** 2, axis=1)
    across = (middle_x[:, 0] ** 2 + middle_y[:, 0] ** 2) / branch.radius**2
    depth = along.mean(axis=1) / branch.radius
    seen = area > 0
    size = np.log(np.sqrt(np.where(seen, area, 1.0) / np.pi) / branch.radius)
    return turn, np.where(seen, across + 0.3 * depth**2 + residual + size**2, np.inf)
