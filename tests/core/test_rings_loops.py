"""Closed edge loops and face strips against independent computations with networkx."""

import networkx as nx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_rings, closed_edge_loops
from ringwright.core.strips import find_strips
from support.random_meshes import grid_faces, random_mesh


def face_edges(face):
    return [frozenset((face[i], face[(i + 1) % len(face)])) for i in range(len(face))]


def edge_faces(faces):
    owners = {}
    for index, face in enumerate(faces):
        for edge in face_edges(face):
            owners.setdefault(edge, []).append(index)
    return owners


def networkx_loops(faces):
    """Edge sets of the closed edge loops, from a graph whose nodes are edges."""
    owners = edge_faces(faces)
    at_vertex = {}
    for edge in owners:
        for vertex in edge:
            at_vertex.setdefault(vertex, []).append(edge)
    graph = nx.MultiGraph()
    graph.add_nodes_from(owners)
    for edges in at_vertex.values():
        around = {index for edge in edges for index in owners[edge]}
        if len(edges) != 4 or len(around) != 4 or any(len(owners[edge]) != 2 for edge in edges):
            continue
        for i, edge in enumerate(edges):
            opposite = [other for other in edges[i + 1:] if not set(owners[edge]) & set(owners[other])]
            for other in opposite:
                graph.add_edge(edge, other)
    return {frozenset(piece) for piece in nx.connected_components(graph) if all(graph.degree(node) == 2 for node in piece)}


def networkx_strips(faces):
    """(edge set, face multiset, closed) of every strip."""
    owners = edge_faces(faces)
    graph = nx.MultiGraph()
    for index, face in enumerate(faces):
        if len(face) != 4:
            continue
        edges = face_edges(face)
        names = [edge if len(owners[edge]) <= 2 else (edge, index) for edge in edges]
        graph.add_edge(names[0], names[2], face=index)
        graph.add_edge(names[1], names[3], face=index)
    strips = []
    for piece in nx.connected_components(graph):
        sub = graph.subgraph(piece)
        closed = all(degree == 2 for _, degree in sub.degree())
        strips.append((frozenset(piece), tuple(sorted(face for _, _, face in sub.edges(data="face"))), closed))
    return sorted(strips, key=lambda strip: (strip[1], strip[2]))


@pytest.mark.parametrize("seed", range(200))
def test_loops_and_strips_agree_with_networkx(seed):
    mesh, faces = random_mesh(seed)
    adjacency = build_adjacency(mesh)
    loops = closed_edge_loops(mesh, adjacency)
    found = set()
    for index in range(loops.count):
        ring = loops.ring(index).tolist()
        found.add(frozenset(frozenset(pair) for pair in zip(ring, ring[1:] + ring[:1], strict=True)))
    assert len(found) == loops.count
    assert found == networkx_loops(faces)
    strips = find_strips(mesh, adjacency)
    expected = networkx_strips(faces)
    told = sorted((tuple(sorted(strips.faces_of(i).tolist())), bool(strips.closed[i])) for i in range(strips.count))
    assert told == sorted((strip[1], strip[2]) for strip in expected)
    assert np.bincount(strips.faces, minlength=mesh.face_count).tolist() == [2 if len(face) == 4 else 0 for face in faces]


def test_strip_edges_lie_between_its_faces():
    mesh, faces = random_mesh(11)
    adjacency = build_adjacency(mesh)
    strips = find_strips(mesh, adjacency)
    for index in range(strips.count):
        run, edges = strips.faces_of(index), strips.edges_of(index)
        for position, face in enumerate(run):
            pair = [frozenset(adjacency.edge_verts[edges[k % len(edges)]].tolist()) for k in (position, position + 1)]
            own = face_edges(faces[face])
            assert set(pair) in ({own[0], own[2]}, {own[1], own[3]})


def tube(sides, rings, radius=1.0):
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(sides)])
    positions = np.concatenate([ring + [0, 0, level] for level in range(rings)])
    return PolyMesh.from_quads(positions, grid_faces(rings - 1, sides, wrap_columns=True))


def test_tube_figures():
    mesh = tube(12, 5).with_attributes(vertex__limb=np.repeat([3, 3, 4, 4, 4], 12))
    adjacency = build_adjacency(mesh)
    loops, ends, strips = closed_edge_loops(mesh, adjacency), boundary_rings(mesh, adjacency), find_strips(mesh, adjacency)
    assert loops.edge_counts.tolist() == [12, 12, 12]
    assert ends.edge_counts.tolist() == [12, 12]
    assert loops.lengths == pytest.approx(24 * np.sin(np.pi / 12))
    assert loops.bounds_tube.all() and ends.bounds_tube.all()
    assert ends.normals == pytest.approx(np.array([[0, 0, -1.0], [0, 0, 1.0]]))
    assert ends.centres == pytest.approx(np.array([[0, 0, 0.0], [0, 0, 4.0]]))
    assert ends.limbs.tolist() == [3, 4]
    assert sorted(loops.limbs.tolist()) == [3, 4, 4]
    assert sorted(strips.face_counts.tolist()) == [4] * 12 + [12] * 4
    assert strips.bounds_tube.sum() == 4
    assert sorted(strips.limbs[strips.closed].tolist()) == [-1, 3, 4, 4]
    assert strips.lengths[~strips.closed] == pytest.approx(4.0)


def test_sheet_border_bounds_no_tube():
    mesh = PolyMesh.from_quads(np.random.default_rng(0).random((20, 3)), grid_faces(3, 4))
    assert boundary_rings(mesh, build_adjacency(mesh)).bounds_tube.tolist() == [False]


@pytest.mark.parametrize("roll", range(4))
def test_faces_may_begin_at_any_corner_and_look_either_way(roll):
    mesh = tube(12, 5)
    quads = np.roll(mesh.quads(), roll, axis=1)
    quads[[17, 31]] = quads[[17, 31], ::-1]
    mesh = PolyMesh.from_quads(mesh.positions, quads)
    adjacency = build_adjacency(mesh)
    assert adjacency.edge_turned.sum() == 8
    loops, strips = closed_edge_loops(mesh, adjacency), find_strips(mesh, adjacency)
    assert {frozenset(loops.ring(index).tolist()) for index in range(loops.count)} == {frozenset(range(k, k + 12)) for k in (12, 24, 36)}
    assert not strips.twisted.any()
    assert strips.bounds_tube.tolist() == strips.closed.tolist() and strips.closed.sum() == 4


def test_a_strip_that_crosses_itself_bounds_no_tube():
    """One quad a b c d and two bands, out over a b and back over b c, out over d a and back over c d: one closed, untwisted strip."""
    a, b, c, d = range(4)
    faces = [[a, b, c, d]]
    for (left, right), (last_left, last_right), new in (((a, b), (c, b), 4), ((d, a), (d, c), 10)):
        lefts, rights = [left, new, new + 1, new + 2, last_left], [right, new + 3, new + 4, new + 5, last_right]
        faces += [[rights[k], lefts[k], lefts[k + 1], rights[k + 1]] for k in range(4)]
    mesh = PolyMesh.from_faces(np.random.default_rng(0).random((16, 3)), faces)
    strips = find_strips(mesh, build_adjacency(mesh))
    (closed,) = np.flatnonzero(strips.closed)
    assert strips.faces_of(closed).tolist().count(0) == 2 and len(strips.faces_of(closed)) == 10
    assert not strips.twisted.any() and not strips.bounds_tube.any()


@pytest.mark.parametrize("turned_over", [None, 3])
def test_moebius_strip_is_told_as_twisted(turned_over):
    n = 7
    faces = [[i, i + 1, n + i + 1, n + i] for i in range(n - 1)] + [[n - 1, n, 0, 2 * n - 1]]
    if turned_over is not None:
        faces[turned_over].reverse()
    mesh = PolyMesh.from_faces(np.random.default_rng(0).random((2 * n, 3)), faces)
    strips = find_strips(mesh, build_adjacency(mesh))
    assert strips.twisted[strips.closed].tolist() == [True]
    assert not strips.bounds_tube.any()


ODD_MESHES = {
    "no faces": (4, []),
    "one quad": (4, [[0, 1, 2, 3]]),
    "one triangle": (3, [[0, 1, 2]]),
    "duplicate faces": (4, [[0, 1, 2, 3], [0, 1, 2, 3]]),
    "pillow": (4, [[0, 1, 2, 3], [3, 2, 1, 0]]),
    "book of three pages": (8, [[0, 1, 2, 3], [1, 0, 4, 5], [0, 1, 6, 7]]),
    "two-sided face": (3, [[0, 1], [0, 1, 2]]),
    "face that repeats a vertex": (3, [[0, 1, 0, 2]]),
    "no vertices": (0, []),
}


@pytest.mark.parametrize("name", ODD_MESHES)
def test_odd_meshes_end_with_an_answer(name):
    count, faces = ODD_MESHES[name]
    mesh = PolyMesh.from_faces(np.random.default_rng(1).random((count, 3)).reshape(-1, 3), faces)
    adjacency = build_adjacency(mesh)
    strips = find_strips(mesh, adjacency)
    assert len(strips.faces) == 2 * np.count_nonzero(mesh.face_sizes == 4)
    assert closed_edge_loops(mesh, adjacency).count == 0
    assert boundary_rings(mesh, adjacency).count <= 2
