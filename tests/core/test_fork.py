"""Forks: webs between branches and the one ring round them, for every share of edges."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.defects import flipped_faces, non_manifold_vertices
from ringwright.core.fork import branch_edges, branch_phase, crowded_turns, facing_pairs, fork_ring, may_crowd, neighbour_angles, web_quads
from ringwright.core.poles import PlanTally, count_poles
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_loops
from ringwright.core.stepdown import step_down_row

FORKS = [((4, 4), (1,)), ((6, 6), (4,)), ((6, 10), (3,)), ((6, 6, 6, 6), (2, 2, 2)), ((6, 8, 6), (1, 3)), ((4, 4, 4), (1, 1)),
         ((8, 14, 6, 10, 8), (5, 2, 2, 3))]


def forked(sides: tuple[int, ...], webs: tuple[int, ...]) -> tuple[PolyMesh, int]:
    """Branches of one row each, their webs, and a trunk of one row; and the trunk's count."""
    offsets = np.cumsum([0, *sides])
    rings = [np.arange(low, high, dtype=np.int32) for low, high in itertools.pairwise(offsets)]
    edges = branch_edges(sides, webs)
    count = int(offsets[-1])
    quads = [step_down_row(ring + count, ring, []) for ring in rings] + [web_quads(rings, edges)]
    trunk = fork_ring(rings, edges)
    below = 2 * count + np.arange(len(trunk), dtype=np.int32)
    quads.append(step_down_row(trunk, below, []))
    return PolyMesh.from_quads(np.random.default_rng(0).normal(size=(2 * count + len(trunk), 3)), np.concatenate(quads)), len(trunk)


@pytest.mark.parametrize(("sides", "webs"), FORKS)
def test_a_fork_is_manifold_with_four_five_poles_a_web(sides: tuple[int, ...], webs: tuple[int, ...]) -> None:
    mesh, trunk = forked(sides, webs)
    adjacency = build_adjacency(mesh)
    assert trunk == sum(sides) - sum(2 * web - 2 for web in webs)
    assert adjacency.edge_face_count.max() == 2
    assert not len(flipped_faces(mesh, adjacency)) and not len(non_manifold_vertices(mesh, adjacency))
    census = count_poles(mesh, adjacency, PlanTally(0, len(webs), 0))
    assert census.inner_by_valence() == {5: 4 * len(webs)} and not census.boundary_by_valence()
    assert census.excess == 0
    assert sorted(len(loop) for loop in boundary_loops(mesh, adjacency)) == sorted([*sides, trunk])


def test_every_edge_of_a_branch_goes_to_a_web_or_stays_free() -> None:
    for sides, webs in FORKS:
        for index, (count, edges) in enumerate(zip(sides, branch_edges(sides, webs), strict=True)):
            assert edges.right + edges.left + edges.front + edges.back == count
            assert edges.right == (webs[index] if index < len(webs) else 0)
            assert edges.left == (webs[index - 1] if index else 0)
            if edges.right and edges.left:
                assert abs(edges.front - edges.back) <= 1


def test_four_six_sided_fingers_make_a_trunk_of_eighteen() -> None:
    """Common practice: about 20 edges round a hand."""
    assert forked((6, 6, 6, 6), (2, 2, 2))[1] == 18


def test_webs_pair_vertices_in_order() -> None:
    rings = [np.arange(6, dtype=np.int32), np.arange(6, 12, dtype=np.int32)]
    pairs = facing_pairs(rings, branch_edges((6, 6), (2,)))
    assert len(pairs) == 1 and pairs[0].shape == (3, 2)
    assert pairs[0][:, 0].tolist() == [0, 1, 2]
    assert (np.diff(pairs[0][:, 1]) % 6).tolist() == [5, 5]


def test_webs_face_their_neighbours() -> None:
    """Three branches along x: the middle of each web's edges looks at the neighbour."""
    centres = np.array([[0.0, 0, 0], [3, 0, 0], [6, 0.3, 0]])
    angles = neighbour_angles(centres, np.tile([0.0, 0, 1], (3, 1)), np.tile([1.0, 0, 0], (3, 1)))
    assert angles[0][1] is None and angles[2][0] is None
    assert angles[0][0] == pytest.approx(0) and angles[1][1] == pytest.approx(np.pi) and angles[1][0] == pytest.approx(np.arctan2(0.3, 3))
    edges = branch_edges((6, 6, 6), (2, 2))
    step = 2 * np.pi / 6
    first = branch_phase(edges[0], 6, *angles[0])
    assert first + 0.5 * edges[0].right * step == pytest.approx(0)
    last = branch_phase(edges[2], 6, *angles[2])
    faced = last + (edges[2].right + edges[2].front + 0.5 * edges[2].left) * step
    assert np.angle(np.exp(1j * (faced - angles[2][1]))) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("share", [1.0, 0.4])
def test_edges_of_webs_crowd_together_round_where_their_middles_were(share: float) -> None:
    for sides, webs in FORKS:
        for edges in branch_edges(sides, webs):
            count = edges.right + edges.left + edges.front + edges.back
            turns = crowded_turns(edges, share)
            steps = np.diff(np.append(turns, turns[0] + 1))
            web = np.zeros(count, dtype=bool)
            second = edges.right + edges.front
            web[: edges.right] = web[second : second + edges.left] = True
            assert steps.sum() == pytest.approx(1)
            np.testing.assert_allclose(steps[web], share * steps[~web][0])
            np.testing.assert_allclose(steps[~web], steps[~web][0])
            middles = [(0, edges.right)] * bool(edges.right) + [(second, second + edges.left)] * bool(edges.left)
            whole = np.append(turns, turns[0] + 1)
            assert np.mean([whole[a] + whole[b] - (a + b) / count for a, b in middles]) == pytest.approx(0, abs=1e-12)


def test_webs_crowd_only_between_branches_with_two_edges_in_front_and_at_the_back() -> None:
    assert may_crowd(branch_edges((10, 10, 10), (3, 3)))
    assert not may_crowd(branch_edges((8, 8, 8), (3, 3)))
    assert not may_crowd(branch_edges((10, 10, 10), (3, 4)))  # one edge on one side of the middle branch, two on the other
    assert not may_crowd(branch_edges((10, 10), (3,)))
