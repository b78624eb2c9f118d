"""Costs of places for poles, against distances that networkx counts."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.placement_costs import HIDDEN_SIDE_WEIGHT, POLE_WEIGHT, WAYS, hidden_side_costs, pole_costs
from ringwright.core.polymesh import PolyMesh
from support.random_meshes import grid_faces


def cube_on_a_sheet() -> PolyMesh:
    """A flat grid of 9 x 9 quads whose middle one is replaced by five sides of a cube: 5-poles at its foot, 3-poles at its top."""
    faces = [list(face) for face in grid_faces(9, 9)]
    foot = faces.pop(40)
    top = list(range(100, 104))
    faces += [[foot[k], foot[(k + 1) % 4], top[(k + 1) % 4], top[k]] for k in range(4)] + [top]
    return PolyMesh.from_faces(np.random.default_rng(0).random((104, 3)), faces)


@pytest.mark.parametrize("distance", [0, 1, 3])
def test_costs_fall_evenly_to_nothing_at_the_distance(distance: int) -> None:
    mesh = cube_on_a_sheet()
    adjacency = build_adjacency(mesh)
    graph = nx.Graph(adjacency.edge_verts.tolist())
    inner = [vertex for vertex in graph if not adjacency.boundary_vertex[vertex]]
    poles = {vertex for vertex in inner if graph.degree(vertex) != 4}
    assert len(poles) == 8
    steps = nx.multi_source_dijkstra_path_length(graph, poles)
    wanted = [np.inf if vertex in poles else POLE_WEIGHT * max(distance - steps[vertex], 0) / max(distance, 1) for vertex in range(104)]
    np.testing.assert_allclose(pole_costs(adjacency, distance), wanted)


@pytest.mark.parametrize("side", WAYS)
def test_the_hidden_side_costs_nothing_and_the_one_opposite_most(side: str) -> None:
    """A ring in the plane of the side's direction and another; its costs by the cosine of the angle to that side."""
    way = np.array(WAYS[side], dtype=np.float64)
    assert np.linalg.norm(way) == 1.0
    angle = np.arange(8) * np.pi / 4
    ring = np.outer(np.cos(angle), way) + np.outer(np.sin(angle), np.roll(way, 1))
    np.testing.assert_allclose(hidden_side_costs(ring + [3.0, 2.0, 1.0], way), HIDDEN_SIDE_WEIGHT * (1 - np.cos(angle)) / 2, atol=1e-12)
