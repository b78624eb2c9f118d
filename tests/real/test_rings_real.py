"""Rings and strips of the whole open base mesh, helper pieces included, against networkx."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_loops, closed_edge_loops
from ringwright.core.strips import find_strips
from support.open_data import load_whole_mesh, require_base_mesh

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def whole() -> PolyMesh:
    """All faces of the base mesh's file, as they stand there."""
    require_base_mesh()
    return load_whole_mesh()


def edge_graph(mesh: PolyMesh) -> dict[frozenset[int], list[int]]:
    owners: dict[frozenset[int], list[int]] = {}
    for index, quad in enumerate(mesh.quads().tolist()):
        for place in range(4):
            owners.setdefault(frozenset((quad[place], quad[place - 1])), []).append(index)
    return owners


def test_size_is_the_published_one(whole: PolyMesh) -> None:
    assert whole.face_count == 18486


def test_boundary_loops(whole: PolyMesh) -> None:
    owners = edge_graph(whole)
    boundary = nx.Graph([tuple(edge) for edge, faces in owners.items() if len(faces) == 1])
    assert all(degree == 2 for _, degree in boundary.degree())
    expected = sorted(len(piece) for piece in nx.connected_components(boundary))
    assert sorted(len(loop) for loop in boundary_loops(whole, build_adjacency(whole))) == expected


def test_closed_edge_loops(whole: PolyMesh) -> None:
    owners = edge_graph(whole)
    at: dict[int, list[frozenset[int]]] = {}
    for edge in owners:
        for vertex in edge:
            at.setdefault(vertex, []).append(edge)
    graph = nx.Graph()
    graph.add_nodes_from(owners)
    for edges in at.values():
        if len(edges) == 4 and all(len(owners[edge]) == 2 for edge in edges):
            graph.add_edges_from((one, other) for one in edges for other in edges
                                 if one is not other and not set(owners[one]) & set(owners[other]))
    expected = sorted(len(piece) for piece in nx.connected_components(graph)
                      if all(graph.degree(edge) == 2 for edge in piece))
    loops = closed_edge_loops(whole, build_adjacency(whole))
    assert sorted(loops.edge_counts.tolist()) == expected
    assert len(expected) > 50


def test_strips(whole: PolyMesh) -> None:
    graph = nx.MultiGraph()
    for index, quad in enumerate(whole.quads().tolist()):
        sides = [frozenset((quad[place], quad[place - 1])) for place in range(4)]
        graph.add_edge(sides[0], sides[2], face=index)
        graph.add_edge(sides[1], sides[3], face=index)
    expected = sorted((graph.subgraph(piece).number_of_edges(), all(degree == 2 for _, degree in graph.subgraph(piece).degree()))
                      for piece in nx.connected_components(graph))
    strips = find_strips(whole, build_adjacency(whole))
    assert sorted(zip(strips.face_counts.tolist(), strips.closed.tolist(), strict=True)) == expected
    assert np.bincount(strips.faces, minlength=whole.face_count).tolist() == [2] * whole.face_count
