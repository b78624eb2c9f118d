"""Assembly: over random plans, the cage has exactly the topology that the plan and its counts say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.assemble import Assembly, assemble, tips_first
from ringwright.core.budget import solve_counts
from ringwright.core.counts import CountPlan
from ringwright.core.defects import (
    duplicate_faces,
    flipped_faces,
    loose_vertices,
    non_manifold_edges,
    non_manifold_vertices,
    repeated_corners,
)
from ringwright.core.errors import PlanError
from ringwright.core.expected import expected_of
from ringwright.core.limb_size import limb_sizes
from ringwright.core.measure import Measure
from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice, check_plan
from ringwright.core.poles import PlanTally, count_poles
from ringwright.core.polymesh import PolyMesh
from ringwright.core.socket import least_block
from support.random_plans import NoSurface, RoundLimb, random_plan


def assembled(plan: LimbPlan, measures: Mapping[str, Measure]) -> tuple[Assembly, CountPlan]:
    check_plan(plan)
    counts = solve_counts(plan, limb_sizes(plan, measures))
    return assemble(plan, counts, measures, NoSurface()), counts


def edge_graph(mesh: PolyMesh) -> nx.Graph:
    """Edges with the number of their faces."""
    graph = nx.Graph()
    for quad in mesh.quads().tolist():
        for start, end in zip(quad, quad[1:] + quad[:1], strict=True):
            faces = graph.get_edge_data(start, end, {"faces": 0})["faces"]
            graph.add_edge(start, end, faces=faces + 1)
    return graph


def open_rings(graph: nx.Graph) -> list[int]:
    """Ring count of every open end, by an independent walk."""
    border = nx.Graph([(a, b) for a, b, faces in graph.edges(data="faces") if faces == 1])
    assert all(degree == 2 for _, degree in border.degree)
    return sorted(len(piece) for piece in nx.connected_components(border))


def check_topology(plan: LimbPlan, cage: Assembly, counts: CountPlan) -> None:
    mesh, expected = cage.mesh, expected_of(plan)
    adjacency = build_adjacency(mesh)
    sides = [int(counts.limbs[socket.branch].rings[0]) for socket in plan.sockets]
    slits = sum(least_block(count) - (count // 2 - 1) for count in sides)
    assert (mesh.face_sizes == 4).all() and mesh.face_count <= counts.quads + slits
    assert plan.sockets or mesh.face_count == counts.quads
    for faults in (non_manifold_edges(adjacency), non_manifold_vertices(mesh, adjacency), flipped_faces(mesh, adjacency),
                   repeated_corners(mesh), duplicate_faces(mesh), loose_vertices(adjacency)):
        assert not len(faults)
    census = count_poles(mesh, adjacency, PlanTally(counts.tips, counts.branches, counts.step_downs))
    assert set(census.inner_by_valence()) <= {3, 5} and not census.boundary_by_valence()
    assert census.weight == census.bound and census.excess == 0 and census.balanced
    graph = edge_graph(mesh)
    assert nx.number_connected_components(graph) == expected.components == 1
    rings = [int(counts.limbs[limb.name].rings[0]) for limb in plan.limbs if plan.root_join(limb.name) is None]
    rings += [int(counts.limbs[limb.name].rings[-1]) for limb in plan.limbs if plan.tip_join(limb.name) is None and limb.tip == "open"]
    assert open_rings(graph) == sorted(rings) and len(rings) == expected.boundary_loops
    assert set(np.flatnonzero(cage.held)) == set(np.flatnonzero(adjacency.boundary_vertex))
    assert np.isfinite(mesh.positions).all()


@pytest.mark.parametrize("explicit", [False, True], ids=["chosen", "given"])
def test_random_plans_have_just_the_poles_that_they_need(explicit: bool) -> None:
    refused = 0
    for seed in range(45):
        plan, measures = random_plan(np.random.default_rng(seed), explicit=explicit)
        try:
            cage, counts = assembled(plan, measures)
        except PlanError as error:  # a thin trunk that was given too few sides for its branch
            assert "no block of quads in the trunk has room near it" in str(error) and any(limb.sides for limb in plan.limbs)
            refused += 1
        else:
            check_topology(plan, cage, counts)
    assert refused <= (3 if explicit else 0)


def test_random_plans_within_a_budget() -> None:
    for seed in range(6):
        plan, measures = random_plan(np.random.default_rng(500 + seed), explicit=False)
        budget = 150 * len(plan.limbs) + 300
        cage, counts = assembled(replace(plan, quad_budget=budget), measures)
        check_topology(plan, cage, counts)
        assert cage.mesh.face_count <= budget


def two(first: Limb, second: Limb, **joins: object) -> tuple[LimbPlan, dict[str, Measure]]:
    """Two limbs along z, round and of radius 1."""
    shapes = {limb.name: RoundLimb(limb.joints[0], np.array([0.0, 0, 1]), float(np.ptp(limb.joints[:, 2])), 1.0, len(limb.joints) - 1)
              for limb in (first, second)}
    return LimbPlan((first, second), **joins), {name: shape.measure(closed=False) for name, shape in shapes.items()}  # type: ignore[arg-type]


@pytest.mark.parametrize(("low", "high"), [(8, 8), (8, 14), (14, 8), (4, 12)])
def test_a_splice_joins_rings_end_to_end(low: int, high: int) -> None:
    lower = Limb("lower", np.array([[0.0, 0, 0], [0, 0, 6]]), low)
    upper = Limb("upper", np.array([[0.0, 0, 6], [0, 0, 12]]), high)
    plan, measures = two(lower, upper, splices=(Splice("upper", "lower"),))
    cage, counts = assembled(plan, measures)
    check_topology(plan, cage, counts)
    assert counts.step_downs == abs(low - high) // 2
    radius = np.hypot(cage.mesh.positions[:, 0], cage.mesh.positions[:, 1])
    np.testing.assert_allclose(radius, 1, atol=0.06)  # on the round skin; between the 32 rays on chords


def test_attributes_tell_limbs_and_joint_rings() -> None:
    lower, upper = Limb("lower", np.array([[0.0, 0, 0], [0, 0, 6]]), 8), Limb("upper", np.array([[0.0, 0, 6], [0, 0, 9], [0, 0, 12]]), 8)
    plan, measures = two(lower, upper, splices=(Splice("upper", "lower"),))
    cage, _ = assembled(plan, measures)
    limb, heights = cage.mesh.attributes["vertex.limb"], cage.mesh.positions[:, 2]
    assert cage.limb_names == ("lower", "upper")
    assert set(limb[heights < 5.9]) == {0} and set(limb[heights > 6.1]) == {1}
    assert cage.mesh.attributes["face.face_limb"].shape == (cage.mesh.face_count,)
    joint = cage.mesh.attributes["vertex.joint_ring"]
    assert joint.shape == (cage.mesh.vertex_count,) and joint.sum() % 8 == 0
    near = np.minimum(np.abs(heights - 6), np.abs(heights - 9))
    assert joint.sum() == 6 * 8 and near[joint].max() < near[~joint].min() + 1e-9


def test_every_limb_comes_after_those_that_join_it() -> None:
    for seed in range(30):
        plan, _ = random_plan(np.random.default_rng(seed), explicit=False)
        order = tips_first(plan)
        assert sorted(order) == sorted(limb.name for limb in plan.limbs)
        for limb in plan.limbs:
            join = plan.root_join(limb.name)
            if isinstance(join, Fork | Socket):
                assert order.index(limb.name) < order.index(join.trunk)
            elif isinstance(join, Splice):
                assert order.index(limb.name) < order.index(join.lower)


def test_a_socket_without_room_is_refused_with_what_to_change() -> None:
    trunk = Limb("trunk", np.array([[0.0, 0, 0], [0, 0, 6]]), 6, (4,))
    branch = Limb("branch", np.array([[1.2, 0, 3], [4, 0, 3]]), 20)
    plan = LimbPlan((trunk, branch), sockets=(Socket("trunk", "branch"),))
    measures = {"trunk": RoundLimb(np.zeros(3), np.array([0.0, 0, 1]), 6, 1.0, 1).measure(closed=False),
                "branch": RoundLimb(np.array([1.2, 0, 3]), np.array([1.0, 0, 0]), 2.8, 0.5, 1).measure(closed=False)}
    with pytest.raises(PlanError, match=r"no block of quads .* hole of 20 edges; give .* more spans or sides") as error:
        assembled(plan, measures)
    assert str(error.value).startswith('[[socket]] trunk "trunk", branch "branch": ')
    more = replace(plan, limbs=(replace(trunk, sides=16, spans=(12,)), branch))
    check_topology(more, *assembled(more, measures))
