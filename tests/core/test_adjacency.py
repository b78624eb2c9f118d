"""Who touches whom, against a count face by face."""

from collections import Counter, defaultdict
from itertools import pairwise

import networkx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency, edge_distances
from ringwright.core.polymesh import PolyMesh
from support.random_meshes import random_mesh


def sides(faces):
    """(start, end) of every corner's edge, corner by corner."""
    return [(face[place], face[(place + 1) % len(face)]) for face in faces for place in range(len(face))]


@pytest.mark.parametrize("shift", [0, 70_000])  # vertex numbers that fit sixteen bits, and such that do not
@pytest.mark.parametrize("seed", range(20))
def test_neighbours_agree_with_a_count(seed, shift):
    random = np.random.default_rng(seed)
    mesh, faces = random_mesh(seed)
    faces = [[vertex + shift for vertex in (face[::-1] if random.random() < 0.1 else face)] for face in faces]
    faces += [faces[index] for index in random.integers(0, len(faces), 3)]  # edges of more than two faces
    mesh = PolyMesh.from_faces(np.zeros((mesh.vertex_count + shift, 3)), faces)
    adjacency = build_adjacency(mesh)
    corners_of = defaultdict(list)
    for corner, side in enumerate(sides(faces)):
        corners_of[tuple(sorted(side))].append(corner)
    edges = sorted(corners_of)
    assert adjacency.edge_verts.tolist() == [list(edge) for edge in edges]
    assert adjacency.edge_face_count.tolist() == [len(corners_of[edge]) for edge in edges]
    assert [edges[edge] for edge in adjacency.corner_edges] == [tuple(sorted(side)) for side in sides(faces)]
    assert adjacency.corner_ends.tolist() == [end for _, end in sides(faces)]
    twins = np.full(len(mesh.corner_verts), -1)
    for pair in corners_of.values():
        if len(pair) == 2:
            twins[pair] = pair[::-1]
    assert adjacency.corner_twins.tolist() == twins.tolist()
    starts = mesh.corner_verts.tolist()
    assert adjacency.edge_turned.tolist() == [
        len(corners_of[edge]) == 2 and starts[corners_of[edge][0]] == starts[corners_of[edge][1]] for edge in edges]
    faces_of = {edge: [int(adjacency.corner_faces[corner]) for corner in corners_of[edge]] for edge in edges}
    assert adjacency.face_pairs.edges.tolist() == [index for index, edge in enumerate(edges) for _ in faces_of[edge][1:]]
    assert adjacency.face_pairs.faces.tolist() == [list(pair) for edge in edges for pair in pairwise(faces_of[edge])]
    assert adjacency.neighbouring_faces.faces.tolist() == [faces_of[edge] for edge in edges if len(faces_of[edge]) == 2]
    ends, at_faces = Counter(vertex for edge in edges for vertex in edge), Counter(vertex for face in faces for vertex in face)
    assert adjacency.valence.tolist() == [ends[vertex] for vertex in range(mesh.vertex_count)]
    assert adjacency.face_valence.tolist() == [at_faces[vertex] for vertex in range(mesh.vertex_count)]
    rim = {vertex for edge in edges if len(corners_of[edge]) == 1 for vertex in edge}
    assert set(np.flatnonzero(adjacency.boundary_vertex).tolist()) == rim


@pytest.mark.parametrize("most", [0, 1, 4])
@pytest.mark.parametrize("seed", range(4))
def test_distances_over_edges_are_those_of_networkx(seed, most):
    mesh, _ = random_mesh(seed)
    edges = build_adjacency(mesh).edge_verts
    marked = np.random.default_rng(seed).random(mesh.vertex_count) < 0.1
    graph = networkx.Graph(edges.tolist())
    graph.add_nodes_from(range(mesh.vertex_count))
    far = dict.fromkeys(range(mesh.vertex_count), most + 1)
    near = networkx.multi_source_dijkstra_path_length(graph, set(np.flatnonzero(marked).tolist()), cutoff=most) if marked.any() else {}
    assert edge_distances(edges, marked, most).tolist() == list((far | near).values())
