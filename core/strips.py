"""Face strips: runs of quads that share opposite edges, open and closed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .chains import Chains, build_chains
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .rings import chain_sum, common_limb, directions, measure_polygons


@dataclass(frozen=True)
class Strips:
    """Face strips; strip i crosses edges[edge_offsets[i]:edge_offsets[i + 1]] and runs over its faces likewise.

    edges : (K,) int32, edges crossed, in walking order; an open strip has one more edge than faces
    edge_offsets : (M + 1,) int32
    faces : (L,) int32, quads in walking order; face j lies between edges j and j + 1
    face_offsets : (M + 1,) int32
    closed : (M,) bool
    twisted : (M,) bool, closed with its two sides exchanged after one turn (a Moebius strip)
    lengths : (M,) float64, along the edges' middles, the mesh's units
    centres : (M, 3) float64, mean of the edges' middles
    normals : (M, 3) float64, unit axis of a closed strip; zero for open ones
    bounds_tube : (M,) bool, closed, not twisted, no quad crossed twice
    limbs : (M,) int32, limb of all its vertices where they carry the same one, else -1
    """

    edges: IntArray
    edge_offsets: IntArray
    faces: IntArray
    face_offsets: IntArray
    closed: BoolArray
    twisted: BoolArray
    lengths: FloatArray
    centres: FloatArray
    normals: FloatArray
    bounds_tube: BoolArray
    limbs: IntArray

    @property
    def count(self) -> int:
        """Number of strips."""
        return len(self.closed)

    @property
    def face_counts(self) -> IntArray:
        """Quads of every strip, (M,) int32."""
        return np.diff(self.face_offsets)

    def faces_of(self, strip: int) -> IntArray:
        """Quads of one strip in walking order."""
        return self.faces[self.face_offsets[strip] : self.face_offsets[strip + 1]]

    def edges_of(self, strip: int) -> IntArray:
        """Edges that one strip crosses, in walking order."""
        return self.edges[self.edge_offsets[strip] : self.edge_offsets[strip + 1]]


def find_strips(mesh: PolyMesh, adjacency: Adjacency) -> Strips:
    """Find every face strip with at least one quad, open ones too; each quad lies in two strips or twice in one.

    A strip ends at a boundary, at a face that is no quad and at an edge of more than two faces.
    """
    sides = _edge_sides(adjacency)
    partner, corner_of_side = _side_partners(mesh, sides)
    chains = build_chains(partner)
    lengths = np.diff(chains.offsets)
    chains = chains.only((lengths > 1) | chains.closed)
    # Walking out of the far side of every edge leads over the quad whose corner lies on that side.
    corners = corner_of_side[chains.entries ^ 1]
    last = np.zeros(len(chains.entries), dtype=np.bool_)
    last[chains.offsets[1:] - 1] = ~chains.closed
    faces = np.where(corners >= 0, adjacency.corner_faces[corners], -1)[~last]
    face_offsets = np.concatenate(([0], np.cumsum(np.diff(chains.offsets) - ~chains.closed))).astype(np.int32)
    edges = sides.edges[chains.elements]
    return _measure(mesh, adjacency, chains, edges, faces.astype(np.int32), face_offsets, corners)


@dataclass(frozen=True)
class _EdgeSides:
    """Corner sides of edges as chain ends; every side of an edge of more than two faces is an element of its own.

    edges : (N,) int32, edge of every chain element
    side_of_corner : (C,) int32
    """

    edges: IntArray
    side_of_corner: IntArray


def _edge_sides(adjacency: Adjacency) -> _EdgeSides:
    corner_edges = adjacency.corner_edges
    corners = np.arange(len(corner_edges), dtype=np.int32)
    first = np.empty(adjacency.edge_count, dtype=np.int32)
    first[corner_edges[::-1]] = corners[::-1]
    side = (2 * corner_edges + (first[corner_edges] != corners)).astype(np.int32)
    crowded = np.flatnonzero(adjacency.edge_face_count[corner_edges] > 2)
    side[crowded] = 2 * (adjacency.edge_count + np.arange(len(crowded)))
    edges = np.concatenate([np.arange(adjacency.edge_count, dtype=np.int32), corner_edges[crowded]])
    return _EdgeSides(edges, side)


def _side_partners(mesh: PolyMesh, sides: _EdgeSides) -> tuple[IntArray, IntArray]:
    """Partner of every side across its quad, and the corner that lies on every side (-1: none)."""
    partner = np.full(2 * len(sides.edges), -1, dtype=np.int32)
    corner_of_side = np.full(2 * len(sides.edges), -1, dtype=np.int32)
    corner_of_side[sides.side_of_corner] = np.arange(len(sides.side_of_corner), dtype=np.int32)
    corners = mesh.face_offsets[:-1][mesh.face_sizes == 4][:, None] + np.arange(4, dtype=np.int32)
    quad_sides = sides.side_of_corner[corners]
    partner[quad_sides] = np.roll(quad_sides, 2, axis=1)
    return partner, corner_of_side


def _measure(mesh: PolyMesh, adjacency: Adjacency, chains: Chains, edges: IntArray, faces: IntArray,
             face_offsets: IntArray, corners: IntArray) -> Strips:
    offsets, closed = chains.offsets, chains.closed
    ends = adjacency.edge_verts[edges]
    middles = (mesh.positions[ends[:, 0]] + mesh.positions[ends[:, 1]]) / 2.0
    following = np.arange(1, len(edges) + 1)
    following[offsets[1:] - 1] = np.where(closed, offsets[:-1], offsets[1:] - 1)
    lengths, centres, areas = measure_polygons(middles, following, offsets)
    normals = directions(areas)
    normals[~closed] = 0.0
    twisted = closed & _twist(mesh, adjacency, corners, chains)
    once = _no_face_twice(faces, face_offsets)
    return Strips(edges, offsets, faces, face_offsets, closed, twisted, lengths, centres, normals, closed & ~twisted & once,
                  common_limb(mesh, ends, offsets))


def _twist(mesh: PolyMesh, adjacency: Adjacency, corners: IntArray, chains: Chains) -> BoolArray:
    """Whether walking once along each chain exchanges the two rails (told for all; meaningful for closed ones)."""
    far = np.where(corners >= 0, corners, 0)
    across = adjacency.corner_next[adjacency.corner_next[far]]
    edge_verts, corner_edges = adjacency.edge_verts, adjacency.corner_edges
    near_bit = edge_verts[corner_edges[far], 1] == mesh.corner_verts[far]
    # The rail from a quad's corner leads to the end, not the start, of the opposite side.
    far_bit = edge_verts[corner_edges[across], 1] != mesh.corner_verts[across]
    swap = (near_bit ^ far_bit) & (corners >= 0)
    return (chain_sum(swap.astype(np.float64), chains.offsets).astype(np.int64) % 2).astype(np.bool_)


def _no_face_twice(faces: IntArray, face_offsets: IntArray) -> BoolArray:
    """Whether each strip runs over every one of its faces once only."""
    count = len(face_offsets) - 1
    strip = np.repeat(np.arange(count, dtype=np.int32), np.diff(face_offsets))
    # Every quad is crossed twice: the strips that write last and first differ unless both are one strip.
    last = np.empty(int(faces.max(initial=-1)) + 1, dtype=np.int32)
    first = np.empty_like(last)
    last[faces] = strip
    first[faces[::-1]] = strip[::-1]
    once = np.ones(count, dtype=np.bool_)
    once[strip[last[faces] == first[faces]]] = False
    return once


def strip_labels(strips: Strips, face_count: int) -> npt.NDArray[np.int32]:
    """The two strips of every face, (F, 2) int32, lower first; -1 for faces that are no quads."""
    labels = np.full((face_count, 2), -1, dtype=np.int32)
    strip = np.repeat(np.arange(strips.count, dtype=np.int32), strips.face_counts)
    order = np.argsort(strips.faces, kind="stable")
    ordered = strips.faces[order].reshape(-1, 2)
    labels[ordered[:, 0]] = np.sort(strip[order].reshape(-1, 2), axis=1)
    return labels
