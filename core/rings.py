"""Rings of a mesh: boundary loops and closed edge loops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .chains import Chains, build_chains, told_anew
from .errors import MeshError
from .frames import unit
from .picked import picked
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh, offsets_of
from .ring_figures import common_limb, measure_polygons
from .strips import StripWalks, walk_strips


@dataclass(frozen=True)
class BoundaryWalks:
    """Walks along all boundary edges.

    edges : (k,) int32, the boundary edges, increasing
    starts : (k,) int32, end (0 or 1) at which the face beside each edge starts it
    chains : places in ``edges``; the open ones end at a non-manifold edge
    """

    edges: IntArray
    starts: IntArray
    chains: Chains


def walk_boundary(mesh: PolyMesh, adjacency: Adjacency) -> BoundaryWalks:
    """Put the boundary edges in order, joined where the fan of faces between two of them begins and ends."""
    corners = np.flatnonzero(adjacency.corner_twins < 0)
    corners = corners[adjacency.edge_face_count[adjacency.corner_edges[corners]] == 1]
    corners = corners[np.argsort(adjacency.corner_edges[corners])]
    edges = adjacency.corner_edges[corners]
    if len(edges) == 0:
        return BoundaryWalks(edges, edges, build_chains(edges))
    # Both ends of every edge, each with the far side of the fan of faces there: another boundary edge, or a non-manifold one.
    sides = np.concatenate([corners, corners])
    vertices = np.concatenate([mesh.corner_verts[corners], adjacency.corner_ends[corners]])
    ends = _edge_ends(adjacency, sides, vertices)
    far_ends = _edge_ends(adjacency, _far_sides(mesh, adjacency, sides, vertices), vertices)
    place = np.searchsorted(edges, far_ends >> 1) % len(edges)
    partner = np.full(2 * len(edges), -1, dtype=np.int32)
    partner[2 * np.searchsorted(edges, ends >> 1) + (ends & 1)] = np.where(edges[place] == far_ends >> 1, 2 * place + (far_ends & 1), -1)
    return BoundaryWalks(edges, ends[: len(edges)] & 1, build_chains(_mutual(partner)))


def _edge_ends(adjacency: Adjacency, corners: npt.NDArray[np.integer[Any]], vertices: IntArray) -> IntArray:
    """Ends of the corners' edges that lie at the vertices, each (n,) int32: end 2 e + i is edge e at its vertex edge_verts[e, i]."""
    edges = adjacency.corner_edges[corners]
    return 2 * edges + (adjacency.edge_verts[edges, 1] == vertices)


def _turned(mesh: PolyMesh, adjacency: Adjacency, corners: npt.NDArray[np.integer[Any]], vertices: IntArray) -> IntArray:
    """From corners' edges to the other edges that the same faces have at the vertices, told by their corners, (n,) int32."""
    starts_there = mesh.corner_verts[corners] == vertices
    return np.where(starts_there, adjacency.corner_previous[corners], adjacency.corner_next[corners])


def _far_sides(mesh: PolyMesh, adjacency: Adjacency, corners: npt.NDArray[np.intp], vertices: IntArray) -> IntArray:
    """Edges on the other side of the fans of faces that begin at the corners' edges round the vertices, told by their corners."""
    far = _turned(mesh, adjacency, corners, vertices)
    turning = np.arange(len(far))
    for _ in range(int(adjacency.valence.max())):  # no fan has more faces
        across = adjacency.corner_twins[far[turning]]
        turning, across = turning[across >= 0], across[across >= 0]
        if len(turning) == 0:
            break
        far[turning] = _turned(mesh, adjacency, across, vertices[turning])
    return far


def boundary_loops(mesh: PolyMesh, adjacency: Adjacency, walks: BoundaryWalks | None = None) -> list[IntArray]:
    """Find every closed boundary loop, figure-eight vertices split by walking through the face fan.

    walks : of ``walk_boundary`` where they are at hand; left out: walked here
    Returns vertex loops, each (n,) int32, in the direction of the corners of the faces beside it, so that the
    faces lie to the left seen from outside (the hole to the right): at a tube's root end that is
    counter-clockwise seen from the tip, at its tip end clockwise. A loop starts at its smallest vertex; loops
    are ordered by that vertex. Where faces disagree about outside, most edges decide. Boundary edges that run
    into a non-manifold edge belong to no loop (see ``broken_boundary_edges``).
    """
    vertices, offsets = _along_faces(adjacency, walk_boundary(mesh, adjacency) if walks is None else walks)
    return np.split(vertices, offsets[1:-1]) if len(vertices) else []


def _along_faces(adjacency: Adjacency, walks: BoundaryWalks) -> tuple[IntArray, IntArray]:
    """Vertices and offsets of the closed boundary loops, as ``boundary_loops`` tells them."""
    chains = walks.chains.only_closed()
    if chains.count == 0:
        return np.zeros(0, dtype=np.int32), chains.offsets
    # Edges are numbered by their lower vertex, so a chain that starts at its smallest end starts at its smallest vertex.
    vertices = adjacency.edge_verts[walks.edges[chains.elements], chains.entries & 1]
    along = chains.entries & 1 == walks.starts[chains.elements]
    lengths, starts = np.diff(chains.offsets), chains.offsets[:-1]
    backward = 2 * np.add.reduceat(along, starts, dtype=np.int32) < lengths
    return vertices[told_anew(starts, lengths, np.zeros_like(starts), backward)], chains.offsets


def require_simple(loop: IntArray) -> None:
    """Raise MeshError where an open ring passes a vertex twice."""
    vertices, passes = np.unique(loop, return_counts=True)
    if np.any(passes > 1):
        raise MeshError(f"The ring passes vertex {int(vertices[np.argmax(passes > 1)])} twice; split that vertex first.")


def broken_boundary_edges(mesh: PolyMesh, adjacency: Adjacency, walks: BoundaryWalks | None = None) -> IntArray:
    """Boundary edges that belong to no closed boundary loop, (k,) int32; they end at a non-manifold edge.

    walks : of ``walk_boundary`` where they are at hand; left out: walked here
    """
    walked = walk_boundary(mesh, adjacency) if walks is None else walks
    open_entry = np.repeat(~walked.chains.closed, np.diff(walked.chains.offsets))
    return np.sort(walked.edges[walked.chains.elements[open_entry]])


def _mutual(partner: npt.NDArray[np.integer[Any]]) -> IntArray:
    """Partners that have each other, (n,) int32; -1 for the others, which only faces that repeat a vertex bring about."""
    own = np.arange(len(partner))
    return np.where((partner >= 0) & (partner != own) & (partner[partner] == own), partner, -1).astype(np.int32)


def straight_partners(mesh: PolyMesh, adjacency: Adjacency) -> IntArray:
    """End of the edge that runs straight on from every edge end, (2 E,) int32, -1 where none does.

    Straight on exists at a vertex inside the surface with four edges and four faces in one fan: the edge that
    shares no face with this one. End 2 e + i is edge e at its vertex edge_verts[e, i].
    """
    vertices = np.concatenate([mesh.corner_verts, adjacency.corner_ends])
    chosen = np.flatnonzero(_regular_vertices(adjacency)[vertices])
    corners, vertices = chosen % len(mesh.corner_verts), vertices[chosen]
    beside = adjacency.corner_twins[_turned(mesh, adjacency, corners, vertices)]
    partner = np.full(2 * adjacency.edge_count, -1, dtype=np.int32)
    partner[_edge_ends(adjacency, corners, vertices)] = _edge_ends(adjacency, _turned(mesh, adjacency, beside, vertices), vertices)
    return _mutual(partner)


def _regular_vertices(adjacency: Adjacency) -> BoolArray:
    """Vertices with exactly four edges, each between two faces (so that there are four faces as well)."""
    regular: BoolArray = adjacency.valence == 4
    regular[adjacency.edge_verts.take(np.flatnonzero(adjacency.edge_face_count != 2), axis=0)] = False
    return regular


@dataclass(frozen=True)
class Rings:
    """Closed rings of edges; ring i owns vertices[offsets[i]:offsets[i + 1]].

    vertices : (K,) int32, in walking order
    offsets : (M + 1,) int32
    lengths : (M,) float64, the mesh's units
    centres : (M, 3) float64, mean of the vertices
    normals : (M, 3) float64, unit; of a boundary loop the way its opening looks, away from the faces beside it;
        of an edge loop the axis of its area, either way
    bounds_tube : (M,) bool, a closed strip of as many quads as the ring has edges lies beside it
    limbs : (M,) int32, limb of all its vertices where they carry the same one, else -1
    """

    vertices: IntArray
    offsets: IntArray
    lengths: FloatArray
    centres: FloatArray
    normals: FloatArray
    bounds_tube: BoolArray
    limbs: IntArray

    @property
    def count(self) -> int:
        """Number of rings."""
        return len(self.offsets) - 1

    @property
    def edge_counts(self) -> IntArray:
        """Ring count of every ring, (M,) int32."""
        return np.diff(self.offsets)

    def ring(self, index: int) -> IntArray:
        """Vertices of one ring in walking order."""
        return self.vertices[self.offsets[index] : self.offsets[index + 1]]


def boundary_rings(mesh: PolyMesh, adjacency: Adjacency, walks: BoundaryWalks | None = None) -> Rings:
    """Measure every closed boundary loop; order and direction as ``boundary_loops`` tells them.

    walks : of ``walk_boundary`` where they are at hand; left out: walked here
    """
    vertices, offsets = _along_faces(adjacency, walk_boundary(mesh, adjacency) if walks is None else walks)
    # A closed loop's vertex has two boundary edges; with one edge more it has two faces.
    plain = (adjacency.valence[vertices] == 3) & _touches_quads_only(mesh)[vertices]
    return _measure(mesh, vertices, offsets, plain, outward=-1.0)


def closed_edge_loops(mesh: PolyMesh, adjacency: Adjacency, walks: StripWalks | None = None) -> Rings:
    """Find every closed edge loop that runs straight through 4-valent vertices inside the surface.

    walks : of ``walk_strips`` where they are at hand; left out: walked here
    Loops start at their smallest vertex, go to the smaller of its two neighbours and are ordered by these two.
    """
    regular, at_quad = _regular_vertices(adjacency), _touches_quads_only(mesh)
    if adjacency.edge_turned.any() or np.any(regular & ~at_quad):
        chains = build_chains(straight_partners(mesh, adjacency)).only_closed()
        vertices, offsets = adjacency.edge_verts[chains.elements, chains.entries & 1], chains.offsets
    else:
        vertices, offsets = _loops_beside_strips(walk_strips(mesh, adjacency) if walks is None else walks, regular)
    return _measure(mesh, vertices, offsets, picked(at_quad, vertices), outward=1.0)


def _loops_beside_strips(walks: StripWalks, regular: BoolArray) -> tuple[IntArray, IntArray]:
    """Closed edge loops (vertices and offsets) where all faces at regular vertices are quads that agree about outside.

    Such a loop is the left or the right side of a closed strip whose vertices on that side are all regular; each lies
    between two strips and is kept once.
    """
    rails, offsets = _regular_sides(walks, regular)
    if len(rails) == 0:
        return rails, offsets
    starts, lengths = offsets[:-1], np.diff(offsets)
    at = np.flatnonzero(rails == np.repeat(np.minimum.reduceat(rails, starts), lengths))
    loop = np.searchsorted(starts, at, side="right") - 1
    begin, length = starts[loop], lengths[loop]
    before, after = rails[begin + (at - begin - 1) % length], rails[begin + (at - begin + 1) % length]
    # The first edge tells a loop from all others; of those that tell the same one, the first is taken.
    first_edge = rails[at].astype(np.int64) * len(regular) + np.minimum(before, after)
    order = np.lexsort((first_edge, loop))
    order = order[np.diff(loop[order], prepend=-1) > 0]
    order = order[np.unique(first_edge[order], return_index=True)[1]]
    order = order[length[order] > 2]
    vertices = picked(rails, told_anew(begin[order], length[order], (at - begin)[order], (before < after)[order]))
    return _straight(vertices, offsets_of(length[order]))


def _regular_sides(walks: StripWalks, regular: BoolArray) -> tuple[IntArray, IntArray]:
    """Vertices and offsets of the sides of closed strips on which every vertex is regular."""
    if not walks.closed.any():
        return np.zeros(0, dtype=np.int32), np.zeros(1, dtype=np.int32)
    lengths = np.diff(walks.edge_offsets)
    whole = np.logical_and.reduceat(picked(regular, walks.sides), walks.edge_offsets[:-1], axis=1) & walks.closed
    return walks.sides[np.repeat(whole, lengths, axis=1)], offsets_of(np.broadcast_to(lengths, whole.shape)[whole])


def _straight(vertices: IntArray, offsets: IntArray) -> tuple[IntArray, IntArray]:
    """The loops, of three vertices or more, that nowhere turn back on themselves."""
    starts, ends = offsets[:-1], offsets[1:]
    ahead = np.empty_like(vertices)
    ahead[:-2] = vertices[2:]
    ahead[ends - 2], ahead[ends - 1] = vertices[starts], vertices[starts + 1]
    back = np.flatnonzero(ahead == vertices)
    if len(back) == 0:
        return vertices, offsets
    straight = np.ones(len(starts), dtype=np.bool_)
    straight[np.searchsorted(ends, back, side="right")] = False
    return vertices[np.repeat(straight, ends - starts)], offsets_of((ends - starts)[straight])


def _touches_quads_only(mesh: PolyMesh) -> BoolArray:
    """Vertices whose faces are all quads."""
    only = np.ones(mesh.vertex_count, dtype=np.bool_)
    other = mesh.face_sizes != 4
    if other.any():
        only[mesh.corner_verts[np.repeat(other, mesh.face_sizes)]] = False
    return only


def _measure(mesh: PolyMesh, vertices: IntArray, offsets: IntArray, beside_quads: BoolArray, *, outward: float) -> Rings:
    whole = np.ones(len(offsets) - 1, dtype=np.bool_)
    lengths, centres, areas = measure_polygons(mesh.positions, vertices, offsets, whole)
    tube = whole if len(whole) == 0 else np.logical_and.reduceat(beside_quads, offsets[:-1])
    return Rings(vertices, offsets, lengths, centres, outward * unit(areas), tube, common_limb(mesh, vertices, offsets))
