"""Face strips: runs of quads that share opposite edges, open and closed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .chains import Chains, build_chains
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .ring_figures import chain_sum, common_limb, directions, measure_polygons


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


@dataclass(frozen=True)
class StripWalks:
    """Walks along all face strips, before anything is measured.

    chains : elements 2 q and 2 q + 1 are quad q crossed from its corner 0 or 2, and from its corner 1 or 3
    corners : (L,) int32, corner at which the edge starts over which each quad is entered
    left, right : (L,) int32, vertices of that edge: seen from outside with the face beyond it, its start and its end
    turned : (L,) bool, faces beside each entered edge disagree about outside; the first edge of an open strip never does
    """

    chains: Chains
    corners: IntArray
    left: IntArray
    right: IntArray
    turned: BoolArray


def walk_strips(mesh: PolyMesh, adjacency: Adjacency) -> StripWalks:
    """Put the quads of every face strip in order."""
    quads = np.flatnonzero(mesh.face_sizes == 4)
    twins = edge_twins(adjacency)
    # Two corners on opposite sides of a quad are the two ends of one element.
    corners: IntArray = (mesh.face_offsets[quads][:, None] + np.array([0, 2, 1, 3], dtype=np.int32)).ravel()
    end_of_corner = np.full(len(twins) + 1, -1, dtype=np.int32)
    end_of_corner[corners] = np.arange(len(corners), dtype=np.int32)
    chains = build_chains(end_of_corner[twins[corners]])
    entered = corners[chains.entries]
    left, right = mesh.corner_verts[entered], mesh.corner_verts[adjacency.corner_next[entered]]
    return StripWalks(chains, entered, left, right, _turned(mesh, chains, corners, right))


def _turned(mesh: PolyMesh, chains: Chains, corners: IntArray, right: IntArray) -> BoolArray:
    """Entered edges whose right end is not the right end of the edge that the quad before was left by."""
    turned = np.zeros(len(right), dtype=np.bool_)
    if len(right):
        leaving = mesh.corner_verts[corners[chains.entries ^ 1]]
        turned[1:] = right[1:] != leaving[:-1]
        starts = chains.offsets[:-1]
        turned[starts] = chains.closed & (right[starts] != leaving[chains.offsets[1:] - 1])
    return turned


def edge_twins(adjacency: Adjacency) -> IntArray:
    """The other corner of every corner's edge, (C,) int32; -1 where the edge has not exactly two faces."""
    corners = np.arange(len(adjacency.corner_edges), dtype=np.int32)
    # Of an edge's two corners, the sum of both less the one is the other.
    total = np.bincount(adjacency.corner_edges, weights=corners, minlength=adjacency.edge_count)
    twins = (total[adjacency.corner_edges] - corners).astype(np.int32)
    alone = adjacency.edge_face_count != 2
    if alone.any():
        twins[alone[adjacency.corner_edges]] = -1
    return twins


def find_strips(mesh: PolyMesh, adjacency: Adjacency, walks: StripWalks | None = None) -> Strips:
    """Find every face strip with at least one quad, open ones too; each quad lies in two strips or twice in one.

    walks : of ``walk_strips`` where they are at hand; left out: walked here
    A strip ends at a boundary, at a face that is no quad and at an edge of more than two faces.
    """
    walked = walk_strips(mesh, adjacency) if walks is None else walks
    chains, corners = walked.chains, walked.corners
    faces = adjacency.corner_faces[corners]
    left, right, edges, offsets = walked.left, walked.right, adjacency.corner_edges[corners], chains.offsets
    if not chains.closed.all():
        # An open strip has one edge more: the one that its last quad is left by.
        ends = chains.offsets[1:][~chains.closed]
        leaving = adjacency.corner_next[adjacency.corner_next[corners[ends - 1]]]
        left = np.insert(left, ends, mesh.corner_verts[leaving])
        right = np.insert(right, ends, mesh.corner_verts[adjacency.corner_next[leaving]])
        edges = np.insert(edges, ends, adjacency.corner_edges[leaving])
        offsets = (chains.offsets + np.concatenate(([0], np.cumsum(~chains.closed)))).astype(np.int32)
    lengths, centres, areas = measure_polygons(mesh.positions, np.stack([left, right]), offsets, chains.closed)
    normals = directions(areas)
    normals[~chains.closed] = 0.0
    twisted = chains.closed & _odd(walked.turned, chains.offsets)
    once = _no_face_twice(chains)
    return Strips(edges, offsets, faces, chains.offsets, chains.closed, twisted, lengths, centres, normals,
                  chains.closed & ~twisted & once, common_limb(mesh, np.stack([left, right], axis=1), offsets))


def _odd(flags: BoolArray, offsets: IntArray) -> BoolArray:
    """Whether an odd number of each chain's flags is set, (M,) bool."""
    if not flags.any():
        return np.zeros(len(offsets) - 1, dtype=np.bool_)
    return np.asarray(chain_sum(flags.astype(np.float64), offsets) % 2 == 1)


def _no_face_twice(chains: Chains) -> BoolArray:
    """Whether each strip runs over every one of its faces once only."""
    strip = np.empty(len(chains.entries), dtype=np.int32)
    strip[chains.elements] = np.repeat(np.arange(chains.count, dtype=np.int32), np.diff(chains.offsets))
    once = np.ones(chains.count, dtype=np.bool_)
    once[strip[0::2][strip[0::2] == strip[1::2]]] = False
    return once


def strip_labels(strips: Strips, face_count: int) -> npt.NDArray[np.int32]:
    """The two strips of every face, (F, 2) int32, lower first; -1 for faces that are no quads."""
    labels = np.full((face_count, 2), -1, dtype=np.int32)
    strip = np.repeat(np.arange(strips.count, dtype=np.int32), strips.face_counts)
    order = np.argsort(strips.faces, kind="stable")
    ordered = strips.faces[order].reshape(-1, 2)
    labels[ordered[:, 0]] = np.sort(strip[order].reshape(-1, 2), axis=1)
    return labels
