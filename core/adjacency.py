"""Who touches whom in a polygon mesh: edges, faces and vertices, built once, vectorised."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .polymesh import BoolArray, IntArray, PolyMesh

LARGEST_SHORT = 1 << 16
"""Vertices up to which a vertex number fits sixteen bits."""


@dataclass(frozen=True)
class Adjacency:
    """Neighbours of a mesh's elements.

    edge_verts : (E, 2) int32, lower vertex first; face edges only
    corner_edges : (C,) int32, edge that runs from this corner to the next one of its face
    corner_faces : (C,) int32, face of every corner
    corner_next : (C,) int32, next corner round the face
    corner_previous : (C,) int32, previous corner round the face
    edge_face_count : (E,) int32, faces at every edge; 1 on a boundary, over 2 where non-manifold
    valence : (V,) int32, face edges at every vertex
    face_valence : (V,) int32, faces at every vertex
    boundary_vertex : (V,) bool, vertex of an edge with a single face
    """

    edge_verts: IntArray
    corner_edges: IntArray
    corner_faces: IntArray
    corner_next: IntArray
    corner_previous: IntArray
    edge_face_count: IntArray
    valence: IntArray
    face_valence: IntArray
    boundary_vertex: BoolArray

    @property
    def edge_count(self) -> int:
        """Number of edges that belong to a face."""
        return len(self.edge_verts)


def build_adjacency(mesh: PolyMesh) -> Adjacency:
    """Build the adjacency of a mesh in time linear in its corners (up to one sort)."""
    corner_count = len(mesh.corner_verts)
    sizes = mesh.face_sizes
    corner_faces = np.repeat(np.arange(mesh.face_count, dtype=np.int32), sizes)
    corner_next = np.arange(1, corner_count + 1, dtype=np.int32)
    filled = sizes > 0
    corner_next[mesh.face_offsets[1:][filled] - 1] = mesh.face_offsets[:-1][filled]
    corner_previous = np.arange(-1, corner_count - 1, dtype=np.int32)
    corner_previous[mesh.face_offsets[:-1][filled]] = mesh.face_offsets[1:][filled] - 1
    edge_verts, corner_edges = _unique_edges(mesh.corner_verts, mesh.corner_verts[corner_next], mesh.vertex_count)
    edge_face_count = np.bincount(corner_edges, minlength=len(edge_verts)).astype(np.int32)
    boundary = np.zeros(mesh.vertex_count, dtype=np.bool_)
    boundary[edge_verts[edge_face_count == 1].ravel()] = True
    return Adjacency(
        edge_verts, corner_edges, corner_faces, corner_next, corner_previous, edge_face_count,
        np.bincount(edge_verts.ravel(), minlength=mesh.vertex_count).astype(np.int32),
        np.bincount(mesh.corner_verts, minlength=mesh.vertex_count).astype(np.int32), boundary)


def _unique_edges(start: IntArray, end: IntArray, vertex_count: int) -> tuple[IntArray, IntArray]:
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = _order_of_pairs(low, high, vertex_count)
    low, high = low[order], high[order]
    first = np.ones(len(order), dtype=np.bool_)
    np.not_equal(low[1:], low[:-1], out=first[1:])
    first[1:] |= high[1:] != high[:-1]
    corner_edges = np.empty(len(order), dtype=np.int32)
    corner_edges[order] = np.cumsum(first, dtype=np.int32) - np.int32(1)
    lead = np.flatnonzero(first)
    edge_verts = np.empty((len(lead), 2), dtype=np.int32)
    edge_verts[:, 0], edge_verts[:, 1] = low[lead], high[lead]
    return edge_verts, corner_edges


def _order_of_pairs(low: IntArray, high: IntArray, vertex_count: int) -> npt.NDArray[np.intp]:
    """Order by the lower vertex, then by the higher; equal pairs keep their order."""
    if vertex_count > LARGEST_SHORT:
        return np.argsort(low.astype(np.int64) * vertex_count + high, kind="stable")
    # Short numbers are sorted digit by digit in linear time, the last digit first.
    order = np.argsort(high.astype(np.uint16), kind="stable")
    return np.asarray(order[np.argsort(low.astype(np.uint16)[order], kind="stable")])


def components(vertex_count: int, edge_verts: IntArray) -> IntArray:
    """Label the connected pieces of a graph by repeated minimum over edges with pointer jumping.

    vertex_count : number of vertices
    edge_verts : (E, 2) int
    Returns (V,) int32 labels 0, 1, ... in order of the pieces' first vertex.
    """
    label: npt.NDArray[np.int64] = np.arange(vertex_count, dtype=np.int64)
    while len(edge_verts):
        lowest = np.minimum(label[edge_verts[:, 0]], label[edge_verts[:, 1]])
        updated = label.copy()
        np.minimum.at(updated, label[edge_verts[:, 0]], lowest)
        np.minimum.at(updated, label[edge_verts[:, 1]], lowest)
        updated = updated[updated]
        if np.array_equal(updated, label):
            break
        label = updated
    return np.unique(label, return_inverse=True)[1].reshape(-1).astype(np.int32)
