"""Catmull-Clark subdivision of quads: makes a dense target of a light mesh."""

from __future__ import annotations

import numpy as np

from ringwright.core.adjacency import Adjacency, build_adjacency
from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh


def catmull_clark(mesh: PolyMesh, rounds: int) -> PolyMesh:
    """Subdivide an all-quad mesh; quad f becomes the quads 4f to 4f + 3 in each round.

    Boundary vertices and edges follow the cubic spline of the boundary alone.
    Source: Catmull, Clark, "Recursively generated B-spline surfaces on arbitrary topological
    meshes", 1978; the boundary rule from DeRose, Kass, Truong, "Subdivision surfaces in
    character animation", 1998 (both from memory).
    """
    for _ in range(rounds):
        mesh = _subdivide_once(mesh)
    return mesh


def _subdivide_once(mesh: PolyMesh) -> PolyMesh:
    adjacency = build_adjacency(mesh)
    face_points = mesh.positions[mesh.quads()].mean(axis=1)
    edge_points = _edge_points(mesh, adjacency, face_points)
    vertex_points = _vertex_points(mesh, adjacency, face_points)
    first_edge = mesh.vertex_count
    first_face = first_edge + adjacency.edge_count
    quads = np.column_stack([
        mesh.corner_verts,
        first_edge + adjacency.corner_edges,
        first_face + adjacency.corner_faces,
        first_edge + adjacency.corner_edges[adjacency.corner_previous],
    ])
    return PolyMesh.from_quads(np.concatenate([vertex_points, edge_points, face_points]), quads)


def _edge_points(mesh: PolyMesh, adjacency: Adjacency, face_points: FloatArray) -> FloatArray:
    middles = mesh.positions[adjacency.edge_verts].mean(axis=1)
    faces = _sums(adjacency.corner_edges, face_points[adjacency.corner_faces], adjacency.edge_count) / 2.0
    inner = (adjacency.edge_face_count == 2)[:, None]
    return np.where(inner, (middles + faces) / 2.0, middles)


def _vertex_points(mesh: PolyMesh, adjacency: Adjacency, face_points: FloatArray) -> FloatArray:
    count = mesh.vertex_count
    valence = np.maximum(adjacency.valence, 1)[:, None]
    middles = mesh.positions[adjacency.edge_verts].mean(axis=1)
    ends = adjacency.edge_verts
    middle_mean = (_sums(ends[:, 0], middles, count) + _sums(ends[:, 1], middles, count)) / valence
    face_mean = _sums(mesh.corner_verts, face_points[adjacency.corner_faces], count) / np.maximum(adjacency.face_valence, 1)[:, None]
    inner = (face_mean + 2.0 * middle_mean + (valence - 3) * mesh.positions) / valence
    rim = adjacency.edge_face_count == 1
    rim_mean = (_sums(ends[rim, 0], middles[rim], count) + _sums(ends[rim, 1], middles[rim], count)) / 2.0
    on_rim = (mesh.positions + rim_mean) / 2.0
    placed = np.where(adjacency.boundary_vertex[:, None], on_rim, inner)
    return np.where((adjacency.valence > 0)[:, None], placed, mesh.positions)


def _sums(indices: IntArray, vectors: FloatArray, count: int) -> FloatArray:
    return np.stack([np.bincount(indices, vectors[:, axis], count) for axis in range(3)], axis=1)
