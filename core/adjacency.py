"""Who touches whom in a polygon mesh: edges, faces and vertices, built once, vectorised."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from .picked import picked
from .polymesh import BoolArray, IntArray, PolyMesh

LARGEST_SHORT = 1 << 16
"""Vertices up to which a vertex number fits sixteen bits."""


@dataclass(frozen=True)
class FacePairs:
    """Two faces each that share an edge.

    edges : (k,) int32
    faces : (k, 2) int32, in the order of their corners
    """

    edges: IntArray
    faces: IntArray

    def only(self, wanted: BoolArray) -> FacePairs:
        """The pairs where ``wanted`` (k,) is true."""
        return FacePairs(self.edges[wanted], self.faces[wanted])


@dataclass(frozen=True)
class Adjacency:
    """Neighbours of a mesh's elements.

    edge_verts : (E, 2) int32, lower vertex first; face edges only, ordered by their lower, then by their higher vertex
    corner_edges : (C,) int32, edge that runs from this corner to the next one of its face
    corner_ends : (C,) int32, vertex that this edge runs to
    corner_twins : (C,) int32, the other corner of this edge; -1 where it has not exactly two faces
    corner_faces : (C,) int32, face of every corner
    corner_next : (C,) int32, next corner round the face
    corner_previous : (C,) int32, previous corner round the face
    edge_face_count : (E,) int32, faces at every edge; 1 on a boundary, over 2 where non-manifold
    edge_turned : (E,) bool, edge of exactly two faces that disagree about outside: both run along it the same way
    valence : (V,) int32, face edges at every vertex
    """

    edge_verts: IntArray
    corner_edges: IntArray
    corner_ends: IntArray
    corner_twins: IntArray
    corner_faces: IntArray
    corner_next: IntArray
    corner_previous: IntArray
    edge_face_count: IntArray
    edge_turned: BoolArray
    valence: IntArray

    @property
    def edge_count(self) -> int:
        """Number of edges that belong to a face."""
        return len(self.edge_verts)

    @cached_property
    def boundary_vertex(self) -> BoolArray:
        """Vertices of edges with a single face, (V,) bool."""
        boundary = np.zeros(len(self.valence), dtype=np.bool_)
        boundary[self.edge_verts[self.edge_face_count == 1]] = True
        return boundary

    @cached_property
    def face_valence(self) -> IntArray:
        """Faces at every vertex, (V,) int32: half of what its edges count, since every face at a vertex runs along two of them."""
        counted = np.bincount(self.edge_verts.ravel(), np.repeat(self.edge_face_count, 2), len(self.valence))
        return (counted / 2).astype(np.int32)

    @cached_property
    def face_pairs(self) -> FacePairs:
        """Faces that follow one another round an edge, edge by edge: one pair where two faces meet, two where three do."""
        order = np.argsort(self.corner_edges, kind="stable")
        edges, faces = self.corner_edges[order], self.corner_faces[order]
        alike = edges[1:] == edges[:-1]
        return FacePairs(edges[1:][alike], np.column_stack([faces[:-1], faces[1:]])[alike])

    @cached_property
    def neighbouring_faces(self) -> FacePairs:
        """The two faces of every edge that has exactly two."""
        return self.face_pairs.only(self.edge_face_count[self.face_pairs.edges] == 2)


def build_adjacency(mesh: PolyMesh) -> Adjacency:
    """Build the adjacency of a mesh in time linear in its corners (up to one sort)."""
    corner_faces = np.repeat(np.arange(mesh.face_count, dtype=np.int32), mesh.face_sizes)
    corner_next, corner_previous = _round_faces(mesh)
    corner_ends = picked(mesh.corner_verts, corner_next)
    edges = _join_corners(mesh.corner_verts, corner_ends, mesh.vertex_count)
    valence = np.bincount(edges.verts.ravel(), minlength=mesh.vertex_count).astype(np.int32)
    return Adjacency(edges.verts, edges.of_corners, corner_ends, edges.twins, corner_faces, corner_next, corner_previous,
                     edges.face_count, edges.turned, valence)


def _round_faces(mesh: PolyMesh) -> tuple[IntArray, IntArray]:
    """Next and previous corner of every corner round its face, each (C,) int32."""
    corners = np.arange(len(mesh.corner_verts), dtype=np.int32)
    filled = mesh.face_offsets[:-1] < mesh.face_offsets[1:]
    firsts, lasts = mesh.face_offsets[:-1], mesh.face_offsets[1:] - 1
    if not filled.all():
        firsts, lasts = firsts[filled], lasts[filled]
    following, previous = corners + np.int32(1), corners - np.int32(1)
    following[lasts], previous[firsts] = firsts, lasts
    return following, previous


@dataclass(frozen=True)
class _Edges:
    """The edges that corners run along; see ``Adjacency`` for what each holds."""

    verts: IntArray
    of_corners: IntArray
    twins: IntArray
    face_count: IntArray
    turned: BoolArray


def _join_corners(start: IntArray, end: IntArray, vertex_count: int) -> _Edges:
    """Edges, ordered by their lower, then by their higher vertex, and what the corners of each have to do with each other.

    start, end : (C,) int32, vertices that every corner's edge runs from and to
    """
    if vertex_count <= LARGEST_SHORT:  # half the memory to go through
        start, end = start.astype(np.uint16), end.astype(np.uint16)
    order = _order_of_pairs(np.minimum(start, end), np.maximum(start, end))
    start, end = picked(start, order), picked(end, order)
    low, high = np.minimum(start, end), np.maximum(start, end)
    begins = np.ones(len(order), dtype=np.bool_)
    np.not_equal(low[1:], low[:-1], out=begins[1:])
    begins[1:] |= high[1:] != high[:-1]
    of_corners = np.empty(len(order), dtype=np.int32)
    of_corners[order] = np.cumsum(begins, dtype=np.int32) - np.int32(1)
    leads = np.flatnonzero(begins)
    verts = np.empty((len(leads), 2), dtype=np.int32)
    verts[:, 0], verts[:, 1] = picked(low, leads), picked(high, leads)
    face_count = np.full(len(leads), len(order), dtype=np.int32)
    face_count[:-1] = leads[1:]
    face_count -= leads
    paired = np.flatnonzero(face_count == 2)
    leads = picked(leads, paired)
    one, other = picked(order, leads), picked(order, leads + 1)
    twins = np.full(len(order), -1, dtype=np.int32)
    twins[one], twins[other] = other, one
    turned = np.zeros(len(verts), dtype=np.bool_)
    turned[paired] = (start[1:] == start[:-1]).take(leads)
    return _Edges(verts, of_corners, twins, face_count, turned)


def _order_of_pairs(low: npt.NDArray[np.integer[Any]], high: npt.NDArray[np.integer[Any]]) -> npt.NDArray[np.intp]:
    """Order by the lower vertex, then by the higher; equal pairs keep their order."""
    if low.dtype != np.uint16:
        keys = low.astype(np.int64)
        keys <<= 32
        keys += high
        return np.argsort(keys, kind="stable")
    # Short numbers are sorted digit by digit in linear time, the last digit first.
    order = np.argsort(high, kind="stable")
    return picked(order, np.argsort(picked(low, order), kind="stable"))


def components(vertex_count: int, edge_verts: IntArray) -> IntArray:
    """Label the connected pieces of a graph.

    vertex_count : number of vertices
    edge_verts : (E, 2) int
    Returns (V,) int32 labels 0, 1, ... in order of the pieces' first vertex.
    Every piece takes its lowest neighbour's number, and whoever shares that number is one piece from then on; two such rounds at
    least halve what still has to be joined.
    """
    lowest = np.arange(vertex_count, dtype=np.int32)
    one, other = edge_verts.T
    while len(one):
        apart = one != other
        one, other = one[apart], other[apart]
        np.minimum.at(lowest, np.maximum(one, other), np.minimum(one, other))
        lowest = _followed(lowest)
        one, other = lowest[one], lowest[other]
    return (np.cumsum(lowest == np.arange(vertex_count), dtype=np.int32) - np.int32(1))[lowest]


def edge_distances(edge_verts: IntArray, marked: BoolArray, most: int) -> IntArray:
    """Edges from every vertex to the nearest marked one, (V,) int32; ``most + 1`` where it is farther.

    edge_verts : (E, 2) int32
    marked : (V,) bool
    """
    distance = np.where(marked, 0, most + 1).astype(np.int32)
    first, second = edge_verts.T
    for _ in range(most):
        reached = distance.copy()
        np.minimum.at(reached, first, distance[second] + 1)
        np.minimum.at(reached, second, distance[first] + 1)
        distance = reached
    return distance


def _followed(lowest: IntArray) -> IntArray:
    """Where the way from every vertex by ever lower numbers ends, (V,) int32."""
    while not np.array_equal(further := lowest[lowest], lowest):
        lowest = further
    return lowest
