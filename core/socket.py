"""Let a branch leave the side of a trunk: take out a block of quads and bridge its hole to the branch's first ring.

The hole of an a x b block has 2 (a + b) edges; its four corners become 5-poles, the fewest that the
pole balance allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .polymesh import BoolArray, FloatArray, IntArray

JOINT_RING_COST = 1.5
"""Cost of a hole that touches a ring of a joint; a hole one branch radius off its best place costs 1."""


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
    count = len(rings[block.row])
    across = (block.column + np.arange(block.columns + 1)) % count
    low = rings[block.row][across]
    high = rings[block.row + block.rows][across]
    right = [rings[row][across[-1]] for row in range(block.row + 1, block.row + block.rows)]
    left = [rings[row][across[0]] for row in range(block.row + 1, block.row + block.rows)]
    return np.concatenate([low, right, high[::-1], left[::-1]]).astype(np.int32)


def block_quads(block: Block, count: int) -> IntArray:
    """Row and column of every quad in the block, (rows * columns, 2) int32; count : the trunk's sides."""
    rows, columns = np.meshgrid(block.row + np.arange(block.rows), (block.column + np.arange(block.columns)) % count, indexing="ij")
    return np.column_stack([rows.ravel(), columns.ravel()]).astype(np.int32)


def choose_block(rings: Sequence[IntArray], positions: FloatArray, free_vertex: BoolArray, joint_ring: BoolArray, branch: BranchRoot,
                 standing: Sequence[BoolArray]) -> Block | None:
    """The block whose hole fits the branch's first ring best, or None where no block has room.

    rings : the trunk's rings, root to tip
    positions : (V, 3) float64
    free_vertex : (V,) bool, vertices that no pole and no border touches
    joint_ring : (r + 1,) bool, rings gathered round a joint
    standing : per row (columns,) bool, quads that no other socket has taken out
    """
    half = branch.count // 2
    best: Block | None = None
    for tall in range(1, half):
        wide = half - tall
        for row in range(1, len(rings) - 1 - tall):
            counts = {len(rings[each]) for each in range(row, row + tall + 1)}
            if len(counts) > 1 or wide + 2 > len(rings[row]):
                continue
            for column in range(len(rings[row])):
                trial = Block(row, column, tall, wide, 0.0, 0.0)
                hole, block = hole_ring(rings, trial), block_quads(trial, len(rings[row]))
                if not free_vertex[hole].all() or not all(standing[r][c] for r, c in block):
                    continue
                penalty = JOINT_RING_COST * float(joint_ring[row : row + tall + 1].any())
                phase, cost = hole_fit(positions[hole], branch)
                if best is None or cost + penalty < best.cost:
                    best = Block(row, column, tall, wide, phase, cost + penalty)
    return best


def hole_fit(hole: FloatArray, branch: BranchRoot) -> tuple[float, float]:
    """How well a hole fits a branch's first ring: the ring's best phase and the misfit.

    hole : (n, 3) float64, counter-clockwise seen from outside
    Returns the phase in radians and the cost: squared offset across and along the branch in radii, plus the
    squared angle by which the hole's corners stray from an even ring; infinite where the hole looks away.
    """
    offset = hole - branch.centre
    sideways = np.cross(branch.tangent, branch.frame)
    x, y, along = offset @ branch.frame, offset @ sideways, offset @ branch.tangent
    middle_x, middle_y = float(x.mean()), float(y.mean())
    flat_x, flat_y = x - middle_x, y - middle_y
    area = 0.5 * float(np.sum(flat_x * np.roll(flat_y, -1) - np.roll(flat_x, -1) * flat_y))
    if area <= 0:
        return 0.0, np.inf
    stray = np.arctan2(flat_y, flat_x) - 2 * np.pi * np.arange(len(hole)) / len(hole)
    mean = np.mean(np.exp(1j * stray))
    across = (middle_x**2 + middle_y**2) / branch.radius**2
    depth = float(along.mean()) / branch.radius
    size = np.log(np.sqrt(area / np.pi) / branch.radius)
    turn = float(np.angle(mean))
    residual = float(np.mean(np.angle(np.exp(1j * (stray - turn))) ** 2))
    return turn, float(across + 0.3 * depth**2 + residual + size**2)
