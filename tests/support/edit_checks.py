"""What every local change of a quad mesh must keep, measured independently of the code that changes it."""

from __future__ import annotations

from collections import Counter

import numpy as np

from ringwright.core.mesh_edit import MeshEdit
from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh


def directed_edges(mesh: PolyMesh) -> Counter[tuple[int, int]]:
    """How often the faces run along every directed edge."""
    count: Counter[tuple[int, int]] = Counter()
    for index in range(mesh.face_count):
        face = mesh.face(index).tolist()
        count.update(zip(face, face[1:] + face[:1], strict=True))
    return count


def assert_oriented_manifold(mesh: PolyMesh) -> None:
    """Every edge borders at most two faces, which run along it in opposite directions; every vertex has one fan."""
    edges = directed_edges(mesh)
    assert max(edges.values()) == 1
    fans: dict[int, list[set[int]]] = {}
    for index in range(mesh.face_count):
        face = mesh.face(index).tolist()
        for before, vertex, after in zip(face[-1:] + face[:-1], face, face[1:] + face[:1], strict=True):
            touching = [fan for fan in fans.setdefault(vertex, []) if fan & {before, after}]
            merged = {before, after}.union(*touching)
            fans[vertex] = [fan for fan in fans[vertex] if fan not in touching] + [merged]
    assert all(len(pieces) == 1 for pieces in fans.values())


def interior_valences(mesh: PolyMesh) -> tuple[IntArray, IntArray]:
    """Edges at every vertex, and whether it lies inside the surface."""
    edges = directed_edges(mesh)
    undirected = {tuple(sorted(edge)) for edge in edges}
    valence = np.bincount(np.array(list(undirected)).ravel(), minlength=mesh.vertex_count).astype(np.int32)
    inside = valence > 0
    for first, second in edges:
        if (second, first) not in edges:
            inside[[first, second]] = False
    return valence, inside


def pole_census(mesh: PolyMesh) -> dict[int, int]:
    """Number of vertices inside the surface by valence, regular ones left out."""
    valence, inside = interior_valences(mesh)
    return {int(key): int(number) for key, number in zip(*np.unique(valence[inside & (valence != 4)], return_counts=True), strict=True)}


def scaled_jacobians(mesh: PolyMesh) -> FloatArray:
    """Least sine between neighbouring edges of every quad against its own normal (Knupp 2000, the minimum over corners)."""
    points = mesh.positions[mesh.quads()]
    edges = np.roll(points, -1, axis=1) - points
    edges /= np.linalg.norm(edges, axis=2, keepdims=True)
    normal = np.cross(points[:, 2] - points[:, 0], points[:, 3] - points[:, 1])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.asarray(np.einsum("fij,fj->fi", np.cross(np.roll(edges, 1, axis=1), edges), normal).min(axis=1))


def least_cosine_between_neighbours(mesh: PolyMesh) -> float:
    """Cosine of the sharpest bend between two quads that share an edge: 1 where the surface is flat, below 0 where it turns back."""
    points = mesh.positions[mesh.quads()]
    normal = np.cross(points[:, 2] - points[:, 0], points[:, 3] - points[:, 1])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    beside: dict[tuple[int, int], int] = {}
    for index in range(mesh.face_count):
        face = mesh.face(index).tolist()
        beside.update(dict.fromkeys(zip(face, face[1:] + face[:1], strict=True), index))
    return min(float(normal[index] @ normal[beside[end, start]]) for (start, end), index in beside.items() if (end, start) in beside)


def assert_rest_untouched(old: PolyMesh, edit: MeshEdit) -> None:
    """Kept faces are old faces, in order, with the same corners at the same places; vertices keep their order."""
    kept = np.flatnonzero(edit.kept_faces)
    assert np.all(np.diff(edit.face_sources[kept]) > 0)
    origin = {int(new): index for index, new in enumerate(edit.new_vertex_of[: old.vertex_count]) if new >= 0}
    survivors = edit.new_vertex_of[: old.vertex_count]
    assert np.all(np.diff(survivors[survivors >= 0]) > 0)
    for index in kept:
        before, after = old.face(int(edit.face_sources[index])), edit.mesh.face(int(index))
        assert [origin[int(vertex)] for vertex in after] == before.tolist()
        assert np.array_equal(old.positions[before], edit.mesh.positions[after])
    assert np.allclose(edit.vertex_weights.sum(axis=1), 1.0)
    assert len(edit.vertex_sources) == edit.mesh.vertex_count and len(edit.face_sources) == edit.mesh.face_count


def neighbours_agree(mesh: PolyMesh, partner: IntArray) -> bool:
    """Whether a match of vertices with their images is its own inverse and takes the sides of faces to sides of faces."""
    sides = {frozenset(edge) for edge in directed_edges(mesh)}
    images = {frozenset(int(partner[vertex]) for vertex in side) for side in sides}
    return bool((partner[partner] == np.arange(mesh.vertex_count)).all()) and images <= sides
