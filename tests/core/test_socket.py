"""Sockets: the block that is taken out of a trunk's wall, its hole, and the choice of the best."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.poles import PlanTally, count_poles
from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh
from ringwright.core.socket import Block, BranchRoot, block_quads, choose_block, hole_fits, hole_ring
from ringwright.core.stepdown import step_down_row

SIDES, RINGS, RISE = 16, 12, 0.4


def wall() -> tuple[list[IntArray], FloatArray]:
    """Rings of a round tube along +z with square faces, and their points."""
    angle = 2 * np.pi * np.arange(SIDES) / SIDES
    points = np.concatenate([np.column_stack([np.cos(angle), np.sin(angle), np.full(SIDES, RISE * row)]) for row in range(RINGS)])
    return list(np.arange(SIDES * RINGS, dtype=np.int32).reshape(RINGS, SIDES)), points


def branch_at(angle: float, height: float, count: int, radius: float) -> BranchRoot:
    out = np.array([np.cos(angle), np.sin(angle), 0.0])
    return BranchRoot(1.1 * out + [0, 0, height], out, np.array([0.0, 0, 1]), radius, count)


def chosen(branch: BranchRoot, *, free: np.ndarray | None = None, joint_ring: np.ndarray | None = None,
           standing: list[np.ndarray] | None = None) -> Block | None:
    rings, points = wall()
    everywhere = np.ones(len(points), dtype=np.bool_)
    nowhere = np.zeros(RINGS, dtype=np.bool_)
    whole = [np.ones(SIDES, dtype=np.bool_)] * (RINGS - 1)
    return choose_block(rings, points, everywhere if free is None else free, nowhere if joint_ring is None else joint_ring, branch,
                        whole if standing is None else standing)


@pytest.mark.parametrize(("rows", "columns"), [(1, 1), (1, 3), (2, 2), (3, 1), (3, 4)])
def test_a_socket_makes_four_five_poles(rows: int, columns: int) -> None:
    rings, points = wall()
    block = Block(4, 14, rows, columns, 0.0, 0.0)
    quads = [step_down_row(rings[row + 1], rings[row], []) for row in range(RINGS - 1)]
    for row, column in block_quads(block, SIDES):
        quads[row][column] = -1
    hole = hole_ring(rings, block)
    assert len(hole) == 2 * (rows + columns) == len(set(hole.tolist())) and hole[0] == rings[4][14]
    branch = len(points) + np.arange(len(hole), dtype=np.int32)
    quads.append(step_down_row(branch, hole, []))
    standing = np.concatenate(quads)
    standing = standing[standing[:, 0] >= 0]
    used, corners = np.unique(standing, return_inverse=True)
    mesh = PolyMesh.from_quads(np.zeros((len(used), 3)), corners.reshape(-1, 4))
    adjacency = build_adjacency(mesh)
    census = count_poles(mesh, adjacency, PlanTally(0, 1, 0))
    assert census.inner_by_valence() == {5: 4} and not census.boundary_by_valence() and census.excess == 0
    assert adjacency.edge_face_count.max() == 2


def test_the_hole_faces_the_branch() -> None:
    for angle in (0.0, 1.0, 2.5, 5.0):
        block = chosen(branch_at(angle, 2.0, 8, 0.35))
        assert block is not None and (block.rows, block.columns) == (2, 2)
        middle = 2 * np.pi * (block.column + 0.5 * block.columns) / SIDES
        assert abs(np.angle(np.exp(1j * (middle - angle)))) < 0.6 * 2 * np.pi / SIDES
        assert abs(RISE * (block.row + 0.5 * block.rows) - 2.0) <= 0.51 * RISE


def test_a_larger_girth_takes_the_squarest_block_of_its_count() -> None:
    for count, shape in ((4, {1}), (6, {1, 2}), (12, {3}), (10, {2, 3})):
        block = chosen(branch_at(0.1, 2.2, count, 0.11 * count / 2))
        assert block is not None and 2 * (block.rows + block.columns) == count
        assert {block.rows, block.columns} == shape


def test_the_phase_turns_the_branch_to_the_hole() -> None:
    rings, points = wall()
    branch = branch_at(0.0, 2.0, 8, 0.35)
    block = chosen(branch)
    assert block is not None
    offset = points[hole_ring(rings, block)] - branch.centre
    hole = np.arctan2(offset @ np.cross(branch.tangent, branch.frame), offset @ branch.frame)
    ring = block.phase + 2 * np.pi * np.arange(8) / 8
    assert np.abs(np.angle(np.exp(1j * (hole - ring)))).max() < np.pi / 8


def test_poles_borders_and_taken_quads_are_left_alone() -> None:
    rings, points = wall()
    best = chosen(branch_at(0.0, 2.0, 8, 0.35))
    assert best is not None
    free = np.ones(len(points), dtype=np.bool_)
    free[hole_ring(rings, best)[1]] = False
    other = chosen(branch_at(0.0, 2.0, 8, 0.35), free=free)
    assert other is not None and free[hole_ring(rings, other)].all() and other.cost > best.cost
    standing = [np.ones(SIDES, dtype=np.bool_) for _ in range(RINGS - 1)]
    row, column = block_quads(best, SIDES)[3]
    standing[row][column] = False
    other = chosen(branch_at(0.0, 2.0, 8, 0.35), standing=standing)
    assert other is not None and all(standing[r][c] for r, c in block_quads(other, SIDES)) and other.cost > best.cost
    low = chosen(branch_at(0.0, 0.0, 8, 0.35))
    assert low is not None and low.row == 1


def test_joint_rings_are_kept_off_where_there_is_as_good_a_place_beside() -> None:
    joint = np.zeros(RINGS, dtype=np.bool_)
    joint[4] = True
    block = chosen(branch_at(0.0, 2.2, 8, 0.35), joint_ring=joint)
    assert block is not None and block.row > 4


def test_no_room_is_told() -> None:
    assert chosen(branch_at(0.0, 2.0, 8, 0.35), free=np.zeros(SIDES * RINGS, dtype=np.bool_)) is None
    assert chosen(branch_at(0.0, 2.0, 64, 0.35)) is None


def test_a_hole_far_from_its_branch_is_none() -> None:
    """Only the far end of the trunk is free; a branch at its other end must not be bridged over to it."""
    free = np.zeros(SIDES * RINGS, dtype=np.bool_)
    free[-4 * SIDES :] = True
    assert chosen(branch_at(0.0, 3.2, 8, 0.35), free=free) is not None
    assert chosen(branch_at(0.0, 0.8, 8, 0.35), free=free) is None


def test_a_hole_that_looks_away_never_fits() -> None:
    rings, points = wall()
    holes = np.stack([points[hole_ring(rings, Block(4, column, 2, 2, 0.0, 0.0))] for column in range(SIDES)])
    phases, costs = hole_fits(holes, branch_at(0.0, 2.0, 8, 0.35))
    assert phases.shape == costs.shape == (SIDES,)
    middles = np.cos(2 * np.pi * (np.arange(SIDES) + 1) / SIDES)
    assert np.isinf(costs[middles < -0.1]).all() and np.isfinite(costs[middles > 0.1]).all()
    assert np.argmin(costs) == SIDES - 1
