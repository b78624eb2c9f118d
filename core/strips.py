"""Face strips: runs of quads that share opposite edges, open and closed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency
from .chains import Chains, build_chains
from .frames import unit
from .picked import picked
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh, offsets_of
from .ring_figures import chain_sum, common_limb, measure_polygons


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
    """Walks along all face strips, before anything is measured; strip i owns crossed edges and faces as in ``Strips``.

    corners : (K,) int32, corner at which each crossed edge starts, of the quad that is entered over it; of the last
        edge of an open strip the corner of the quad that is left over it
    sides : (2, K) int32, vertices that this corner's edge starts and ends at: seen from outside with the quad that is
        entered beyond it, its left and its right end
    edge_offsets : (M + 1,) int32
    faces : (L,) int32, quads in walking order
    face_offsets : (M + 1,) int32
    closed : (M,) bool
    once : (M,) bool, no quad is crossed twice
    """

    corners: IntArray
    sides: IntArray
    edge_offsets: IntArray
    faces: IntArray
    face_offsets: IntArray
    closed: BoolArray
    once: BoolArray


def walk_strips(mesh: PolyMesh, adjacency: Adjacency) -> StripWalks:
    """Put the quads of every face strip in order."""
    quads = np.flatnonzero(mesh.face_sizes == 4).astype(np.int32)
    # A quad is crossed from its side 0 to its side 2 or back, and from its side 1 to its side 3 or back: with the middle two
    # exchanged, sides 0 2 1 3, these are the two ends of two elements.
    twins = _twins_of_sides(mesh, adjacency, quads)
    partner = twins.copy()
    partner[:, 1], partner[:, 2] = twins[:, 2], twins[:, 1]
    chains = build_chains(_middle_exchanged(partner.ravel()))
    # An open strip crosses one edge more than it has quads, the one that its last quad is left by.
    ends = chains.offsets[1:][~chains.closed]
    crossed = _middle_exchanged(np.insert(chains.entries, ends, chains.entries[ends - 1] ^ 1))
    corners = picked(mesh.face_offsets, picked(quads, crossed >> 2)) + (crossed & 3)
    offsets = chains.offsets + offsets_of((~chains.closed).astype(np.int32))
    sides = np.empty((2, len(corners)), dtype=np.int32)
    sides[0], sides[1] = picked(mesh.corner_verts, corners), picked(adjacency.corner_ends, corners)
    return StripWalks(corners, sides, offsets, picked(quads, chains.entries >> 2), chains.offsets, chains.closed,
                      _no_face_twice(chains))


def _twins_of_sides(mesh: PolyMesh, adjacency: Adjacency, quads: IntArray) -> IntArray:
    """Side of a quad on the other side of every quad's sides, (n, 4) int32; -1 where there is none. Side 4 i + k is quad i's k-th."""
    if len(quads) == mesh.face_count:
        return adjacency.corner_twins.reshape(-1, 4)
    corners = mesh.face_offsets[quads][:, None] + np.arange(4, dtype=np.int32)
    number = np.full(len(mesh.corner_verts) + 1, -1, dtype=np.int32)
    number[corners] = np.arange(corners.size, dtype=np.int32).reshape(-1, 4)
    return number[adjacency.corner_twins[corners]]


def _middle_exchanged(sides: IntArray) -> IntArray:
    """The second and the third of every four sides, 4 i + 1 and 4 i + 2, each replaced by the other; -1 stays."""
    return sides ^ 3 * ((sides ^ sides >> 1) & 1)


def _no_face_twice(chains: Chains) -> BoolArray:
    """Whether each strip runs over every one of its faces once only."""
    strip = np.empty(len(chains.entries), dtype=np.int32)
    strip[chains.elements.astype(np.intp)] = np.repeat(np.arange(chains.count, dtype=np.int32), np.diff(chains.offsets))
    once = np.ones(chains.count, dtype=np.bool_)
    once[strip[0::2][strip[0::2] == strip[1::2]]] = False
    return once


def find_strips(mesh: PolyMesh, adjacency: Adjacency, walks: StripWalks | None = None) -> Strips:
    """Find every face strip with at least one quad, open ones too; each quad lies in two strips or twice in one.

    walks : of ``walk_strips`` where they are at hand; left out: walked here
    A strip ends at a boundary, at a face that is no quad and at an edge of more than two faces.
    """
    walked = walk_strips(mesh, adjacency) if walks is None else walks
    edges, offsets, closed = picked(adjacency.corner_edges, walked.corners), walked.edge_offsets, walked.closed
    lengths, centres, areas = measure_polygons(mesh.positions, walked.sides, offsets, closed)
    normals = unit(areas)
    normals[~closed] = 0.0
    twisted = closed & _odd(adjacency.edge_turned, edges, offsets)
    return Strips(edges, offsets, walked.faces, walked.face_offsets, closed, twisted, lengths, centres, normals,
                  closed & ~twisted & walked.once, common_limb(mesh, walked.sides.T, offsets))


def _odd(flags: BoolArray, members: IntArray, offsets: IntArray) -> BoolArray:
    """Whether an odd number of each chain's members are flagged, (M,) bool."""
    if not flags.any():
        return np.zeros(len(offsets) - 1, dtype=np.bool_)
    return np.asarray(chain_sum(flags[members].astype(np.float64), offsets) % 2 == 1)
