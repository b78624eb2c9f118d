"""Rings of a mesh: boundary loops and closed edge loops."""

from __future__ import annotations

import numpy as np

from .adjacency import Adjacency
from .chains import Chains, build_chains, pair_ends
from .polymesh import IntArray, PolyMesh


def boundary_loops(mesh: PolyMesh, adjacency: Adjacency) -> list[IntArray]:
    """Find every closed boundary loop, figure-eight vertices split by walking through the face fan.

    Returns vertex loops, each (n,) int32, in the direction of the corners of the faces beside it, so that the
    faces lie to the left seen from outside (the hole to the right): at a tube's root end that is
    counter-clockwise seen from the tip, at its tip end clockwise. A loop starts at its smallest vertex; loops
    are ordered by that vertex. Where faces disagree about outside, most edges decide. Boundary edges that run
    into a non-manifold edge belong to no loop (see ``broken_boundary_edges``).
    """
    edges = np.flatnonzero(adjacency.edge_face_count == 1).astype(np.int32)
    chains = _boundary_chains(mesh, adjacency, edges)
    forward = _follows_face(mesh, adjacency, edges)
    loops = []
    for index in np.flatnonzero(chains.closed):
        entries = chains.entries_of(index)
        agree = np.count_nonzero((entries & 1) == forward[entries >> 1])
        if 2 * agree < len(entries):
            entries = (entries ^ 1)[::-1]
        vertices = adjacency.edge_verts[edges[entries >> 1], entries & 1]
        loops.append(np.roll(vertices, -int(np.argmin(vertices))))
    return sorted(loops, key=lambda loop: (int(loop[0]), len(loop), loop.tolist()))


def broken_boundary_edges(mesh: PolyMesh, adjacency: Adjacency) -> IntArray:
    """Boundary edges that belong to no closed boundary loop, (k,) int32; they end at a non-manifold edge."""
    edges = np.flatnonzero(adjacency.edge_face_count == 1).astype(np.int32)
    chains = _boundary_chains(mesh, adjacency, edges)
    open_entry = np.repeat(~chains.closed, np.diff(chains.offsets))
    return np.sort(edges[chains.elements[open_entry]])


def _boundary_chains(mesh: PolyMesh, adjacency: Adjacency, edges: IntArray) -> Chains:
    """Chains of the given boundary edges, joined where the fan of faces between two of them begins and ends."""
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
    return build_chains(partner)


def _corner_spokes(mesh: PolyMesh, adjacency: Adjacency, corners: IntArray) -> IntArray:
    """The two (edge, vertex) keys at every corner, (2 k,) int32: incoming edge, then outgoing edge."""
    vertices = mesh.corner_verts[corners]
    incoming = adjacency.corner_edges[adjacency.corner_previous[corners]]
    edges = np.column_stack([incoming, adjacency.corner_edges[corners]])
    upper_end = adjacency.edge_verts[edges, 1] == vertices[:, None]
    return (2 * edges + upper_end).ravel().astype(np.int32)


def _follows_face(mesh: PolyMesh, adjacency: Adjacency, edges: IntArray) -> IntArray:
    """End (0 or 1) at which the face beside each boundary edge starts it, (k,) int32."""
    start = np.zeros(adjacency.edge_count, dtype=np.int32)
    start[adjacency.corner_edges] = mesh.corner_verts
    return (adjacency.edge_verts[edges, 1] == start[edges]).astype(np.int32)
