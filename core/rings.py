"""Rings of a mesh: boundary loops and closed edge loops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .chains import Chains, build_chains, pair_ends, turned_order
from .errors import MeshError
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .ring_figures import common_limb, directions, measure_polygons
from .strips import StripWalks, walk_strips


@dataclass(frozen=True)
class BoundaryWalks:
    """Walks along all boundary edges.

    edges : (k,) int32, the boundary edges, increasing
    chains : places in ``edges``; the open ones end at a non-manifold edge
    """

    edges: IntArray
    chains: Chains


def walk_boundary(mesh: PolyMesh, adjacency: Adjacency) -> BoundaryWalks:
    """Put the boundary edges in order, joined where the fan of faces between two of them begins and ends."""
    edges = np.flatnonzero(adjacency.edge_face_count == 1).astype(np.int32)
    if len(edges) == 0:
        return BoundaryWalks(edges, build_chains(edges))
    corners = np.flatnonzero(adjacency.boundary_vertex[mesh.corner_verts])
    spokes = _corner_spokes(mesh, adjacency, corners)
    fans = build_chains(pair_ends(spokes))
    open_fans = np.flatnonzero(~fans.closed)
    first = spokes[fans.entries[fans.offsets[open_fans]]]
    last = spokes[fans.entries[fans.offsets[open_fans + 1] - 1] ^ 1]
    local = np.full(adjacency.edge_count, -1, dtype=np.int32)
    local[edges] = np.arange(len(edges), dtype=np.int32)
    both = (local[first >> 1] >= 0) & (local[last >> 1] >= 0) & (first != last)
    first_end = 2 * local[first[both] >> 1] + (first[both] & 1)
    last_end = 2 * local[last[both] >> 1] + (last[both] & 1)
    partner = np.full(2 * len(edges), -1, dtype=np.int32)
    partner[first_end] = last_end
    partner[last_end] = first_end
    return BoundaryWalks(edges, build_chains(partner))


def boundary_loops(mesh: PolyMesh, adjacency: Adjacency, walks: BoundaryWalks | None = None) -> list[IntArray]:
    """Find every closed boundary loop, figure-eight vertices split by walking through the face fan.

    walks : of ``walk_boundary`` where they are at hand; left out: walked here
    Returns vertex loops, each (n,) int32, in the direction of the corners of the faces beside it, so that the
    faces lie to the left seen from outside (the hole to the right): at a tube's root end that is
    counter-clockwise seen from the tip, at its tip end clockwise. A loop starts at its smallest vertex; loops
    are ordered by that vertex. Where faces disagree about outside, most edges decide. Boundary edges that run
    into a non-manifold edge belong to no loop (see ``broken_boundary_edges``).
    """
    walked = walk_boundary(mesh, adjacency) if walks is None else walks
    edges, chains = walked.edges, walked.chains
    forward = _follows_face(mesh, adjacency, edges)
    loops = []
    for index in np.flatnonzero(chains.closed):
        entries = chains.entries_of(index)
        agree = np.count_nonzero((entries & 1) == forward[entries >> 1])
        if 2 * agree < len(entries):
            entries = (entries ^ 1)[::-1]
        vertices = adjacency.edge_verts[edges[entries >> 1], entries & 1]
        first = int(np.argmin(vertices))
        loops.append(np.concatenate([vertices[first:], vertices[:first]]))
    return sorted(loops, key=lambda loop: (int(loop[0]), len(loop), loop.tolist()))


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


def _corner_spokes(mesh: PolyMesh, adjacency: Adjacency, corners: IntArray) -> IntArray:
    """The two (edge, vertex) keys at every corner, (2 k,) int32: incoming edge, then outgoing edge."""
    vertices = mesh.corner_verts[corners]
    incoming = adjacency.corner_edges[adjacency.corner_previous[corners]]
    edges = np.column_stack([incoming, adjacency.corner_edges[corners]])
    upper_end = adjacency.edge_verts[edges, 1] == vertices[:, None]
    spokes: IntArray = (2 * edges + upper_end).ravel().astype(np.int32)
    return spokes


def _follows_face(mesh: PolyMesh, adjacency: Adjacency, edges: IntArray) -> IntArray:
    """End (0 or 1) at which the face beside each boundary edge starts it, (k,) int32."""
    corners = np.flatnonzero(adjacency.edge_face_count[adjacency.corner_edges] == 1)
    start = np.zeros(adjacency.edge_count, dtype=np.int32)
    start[adjacency.corner_edges[corners]] = mesh.corner_verts[corners]
    end: IntArray = (adjacency.edge_verts[edges, 1] == start[edges]).astype(np.int32)
    return end


def straight_partners(mesh: PolyMesh, adjacency: Adjacency) -> IntArray:
    """End of the edge that runs straight on from every edge end, (2 E,) int32, -1 where none does.

    Straight on exists at a vertex inside the surface with four edges and four faces in one fan: the edge that
    shares no face with this one. End 2 e + i is edge e at its vertex edge_verts[e, i].
    """
    regular = _regular_vertices(mesh, adjacency)
    at_regular = regular[adjacency.edge_verts]
    corners = np.flatnonzero(regular[mesh.corner_verts])
    spokes = _corner_spokes(mesh, adjacency, corners).reshape(-1, 2)
    ends = 2 * adjacency.edge_count
    vertex = adjacency.edge_verts.ravel()
    ids = np.arange(ends, dtype=np.float64)
    beside = (np.bincount(spokes[:, 0], weights=spokes[:, 1], minlength=ends)
              + np.bincount(spokes[:, 1], weights=spokes[:, 0], minlength=ends))
    around = np.bincount(vertex[at_regular.ravel()], weights=ids[at_regular.ravel()], minlength=mesh.vertex_count)
    # Four ends meet at the vertex: what is left after this one and the two beside it is the opposite one.
    partner = np.where(at_regular.ravel(), around[vertex] - ids - beside, -1.0).astype(np.int64)
    valid = (partner >= 0) & (partner < ends)
    mutual = valid & (partner[np.where(valid, partner, 0)] == np.arange(ends)) & (vertex[np.where(valid, partner, 0)] == vertex)
    return np.where(mutual, partner, -1).astype(np.int32)


def _regular_vertices(mesh: PolyMesh, adjacency: Adjacency) -> BoolArray:
    """Vertices with exactly four edges and four faces, every edge between two faces."""
    regular: BoolArray = (adjacency.valence == 4) & (adjacency.face_valence == 4)
    regular[adjacency.edge_verts[adjacency.edge_face_count != 2].ravel()] = False
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
    loops = boundary_loops(mesh, adjacency, walks)
    vertices = np.concatenate([*loops, np.zeros(0, dtype=np.int32)])
    offsets = np.cumsum([0, *(len(loop) for loop in loops)]).astype(np.int32)
    plain = (adjacency.valence[vertices] == 3) & (adjacency.face_valence[vertices] == 2)
    return _measure(mesh, vertices, offsets, plain & _touches_quads_only(mesh)[vertices], outward=-1.0)


def closed_edge_loops(mesh: PolyMesh, adjacency: Adjacency, walks: StripWalks | None = None) -> Rings:
    """Find every closed edge loop that runs straight through 4-valent vertices inside the surface.

    walks : of ``walk_strips`` where they are at hand; left out: walked here
    Loops start at their smallest vertex, go to the smaller of its two neighbours and are ordered by these two.
    """
    walked = walk_strips(mesh, adjacency) if walks is None else walks
    regular, at_quad = _regular_vertices(mesh, adjacency), _touches_quads_only(mesh)
    if walked.turned.any() or np.any(regular & ~at_quad):
        chains = build_chains(straight_partners(mesh, adjacency)).only_closed()
        vertices, offsets = adjacency.edge_verts[chains.elements, chains.entries & 1], chains.offsets
    else:
        vertices, offsets = _loops_beside_strips(walked, regular)
    return _measure(mesh, vertices, offsets, at_quad[vertices], outward=1.0)


def _loops_beside_strips(walks: StripWalks, regular: BoolArray) -> tuple[IntArray, IntArray]:
    """Closed edge loops (vertices and offsets) where all faces at regular vertices are quads that agree about outside.

    Such a loop is the left or the right side of a closed strip whose vertices on that side are all regular; each lies
    between two strips and is kept once.
    """
    rails, offsets = _regular_sides(walks, regular)
    if len(rails) == 0:
        return rails, offsets
    starts, lengths = offsets[:-1], np.diff(offsets)
    smallest = np.minimum.reduceat(rails, starts)
    at = np.flatnonzero(rails == np.repeat(smallest, lengths))
    loop = np.searchsorted(starts, at, side="right") - 1
    before = rails[np.where(at == starts[loop], offsets[loop + 1], at) - 1]
    after = rails[np.where(at + 1 == offsets[loop + 1], starts[loop], at + 1)]
    second = np.minimum(before, after)
    # The first edge tells a loop from all others; of those that tell the same one, the first is taken.
    order = np.lexsort((second, loop))
    order = order[np.diff(loop[order], prepend=-1) > 0]
    order = order[np.lexsort((second[order], smallest))]
    fresh = np.ones(len(order), dtype=np.bool_)
    fresh[1:] = (np.diff(smallest[loop[order]]) != 0) | (np.diff(second[order]) != 0)
    return _told_from(rails, offsets, loop[order[fresh]], at[order[fresh]], (before < after)[order[fresh]])


def _regular_sides(walks: StripWalks, regular: BoolArray) -> tuple[IntArray, IntArray]:
    """Vertices and offsets of the sides of closed strips on which every vertex is regular."""
    starts, lengths = walks.chains.offsets[:-1], np.diff(walks.chains.offsets)
    sides, counts = [np.zeros(0, dtype=np.int32)], [np.zeros(1, dtype=np.int32)]
    for side in (walks.left, walks.right) if len(starts) else ():
        whole = walks.chains.closed & np.logical_and.reduceat(regular[side], starts)
        sides.append(side if whole.all() else side[np.repeat(whole, lengths)])
        counts.append(lengths[whole])
    return np.concatenate(sides), np.cumsum(np.concatenate(counts), dtype=np.int32)


def _told_from(rails: IntArray, offsets: IntArray, loops: npt.NDArray[np.int64], at: npt.NDArray[np.int64],
               backward: BoolArray) -> tuple[IntArray, IntArray]:
    """The chosen loops, each from a place on it and in one direction; those that turn back on themselves are none."""
    starts, lengths = offsets[loops], np.diff(offsets)[loops]
    own = np.concatenate(([0], np.cumsum(lengths))).astype(np.int32)
    vertices = rails[turned_order(own, at - starts, backward) + np.repeat(starts - own[:-1], lengths)]
    ahead = vertices[turned_order(own, np.full(len(loops), 2) % lengths, np.zeros(len(loops), dtype=np.bool_))]
    straight = np.logical_and.reduceat(vertices != ahead, own[:-1])
    if straight.all():
        return vertices, own
    return vertices[np.repeat(straight, lengths)], np.concatenate(([0], np.cumsum(lengths[straight]))).astype(np.int32)


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
    return Rings(vertices, offsets, lengths, centres, outward * directions(areas), tube, common_limb(mesh, vertices, offsets))
