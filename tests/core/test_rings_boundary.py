"""Boundary loops: direction, figure-eight vertices, broken boundaries, agreement with networkx."""

import networkx as nx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_loops, broken_boundary_edges


def loops_of(faces, vertex_count=None):
    count = vertex_count or 1 + max(max(face) for face in faces)
    mesh = PolyMesh.from_faces(np.zeros((count, 3)), faces)
    adjacency = build_adjacency(mesh)
    return [loop.tolist() for loop in boundary_loops(mesh, adjacency)], broken_boundary_edges(mesh, adjacency)


def grid(rows, columns):
    corner = np.arange((rows + 1) * (columns + 1)).reshape(rows + 1, columns + 1)
    return np.stack([corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]], -1).reshape(-1, 4)


def test_one_quad_keeps_its_direction():
    assert loops_of([[0, 1, 2, 3]]) == ([[0, 1, 2, 3]], pytest.approx(np.zeros(0)))


def test_no_faces():
    mesh = PolyMesh.from_faces(np.zeros((3, 3)), [])
    assert boundary_loops(mesh, build_adjacency(mesh)) == []


def test_figure_eight_vertex_is_split_by_the_fan():
    loops, broken = loops_of([[0, 1, 2, 3], [2, 4, 5, 6]])
    assert loops == [[0, 1, 2, 3], [2, 4, 5, 6]]
    assert len(broken) == 0


def test_two_holes_that_touch_at_a_vertex_stay_two_holes():
    faces = grid(4, 4)
    keep = [i for i in range(16) if i not in (5, 10)]
    loops, _ = loops_of(faces[keep].tolist(), 25)
    assert sorted(len(loop) for loop in loops) == [8, 16] or sorted(len(loop) for loop in loops) == [4, 4, 16]
    # The two faces at the shared vertex lie in two fans; each fan joins one hole's edge to the other hole's.
    shared = [loop for loop in loops if loop.count(12)]
    assert [len(loop) for loop in shared] == [8]


def test_book_of_three_pages_has_no_closed_loop():
    loops, broken = loops_of([[0, 1, 2, 3], [1, 0, 4, 5], [0, 1, 6, 7]])
    assert loops == []
    assert len(broken) == 9


def test_moebius_strip_has_one_loop():
    n = 7
    top, bottom = np.arange(n), n + np.arange(n)
    faces = [[top[i], top[i + 1], bottom[i + 1], bottom[i]] for i in range(n - 1)]
    faces.append([top[-1], bottom[0], top[0], bottom[-1]])
    loops, broken = loops_of(faces)
    assert [len(loop) for loop in loops] == [2 * n]
    assert len(broken) == 0


@pytest.mark.parametrize("seed", range(40))
def test_random_sheets_agree_with_networkx(seed):
    random = np.random.default_rng(seed)
    faces = grid(7, 9)
    faces = faces[random.random(len(faces)) < 0.85]
    loops, broken = loops_of(faces.tolist(), 80)
    assert len(broken) == 0
    directed = nx.MultiDiGraph()
    for face in faces:
        for a, b in zip(face, np.roll(face, -1), strict=True):
            directed.add_edge(int(a), int(b))
    boundary = {(a, b) for a, b in directed.edges() if not directed.has_edge(b, a)}
    walked = [(a, b) for loop in loops for a, b in zip(loop, loop[1:] + loop[:1], strict=True)]
    assert len(walked) == len(set(walked))
    assert set(walked) == boundary
    # Split at every vertex into fans, the boundary is a disjoint union of cycles: count them independently.
    wedges = nx.Graph()
    for index, face in enumerate(faces):
        for a, b in zip(face, np.roll(face, -1), strict=True):
            for vertex in (int(a), int(b)):
                wedges.add_edge(("face", index, vertex), ("edge", frozenset((int(a), int(b))), vertex))
    fan = {node: i for i, piece in enumerate(nx.connected_components(wedges)) for node in piece}
    split = nx.Graph()
    for a, b in boundary:
        split.add_edge(fan["edge", frozenset((a, b)), a], fan["edge", frozenset((a, b)), b])
    assert len(loops) == nx.number_connected_components(split)
