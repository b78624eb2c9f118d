"""Short cuts beside the seams where a map is stretched: a heel or a fingertip bulges too much to lie flat round a single seam."""

from __future__ import annotations

import numpy as np

from .adjacency import Adjacency, build_adjacency, components
from .polymesh import FloatArray, IntArray, PolyMesh
from .skeleton import Skeleton
from .uv_seams import cheapest_path, edge_costs, edge_graph

STRETCHED = 2.0
"""A face that is stretched more has its place cut open (common practice; without cuts heels and fingertips come to 3 and more)."""
ROUND_IT = 1.3
"""Faces stretched more than this that hang together with a worse one are one place with it, which gets one cut."""


def dart_edges(mesh: PolyMesh, skeleton: Skeleton, seams: IntArray, stretch: FloatArray) -> IntArray:
    """Edges to cut besides the seams, (k,) int32 into ``build_adjacency(mesh).edge_verts``; none where nothing is stretched much.

    seams : (s,) int32, edges along which the map was made
    stretch : (F,) float64, L2 stretch of every face on it
    From the middle of every stretched place one cut runs to the nearest seam or border, on the hidden side where it can.
    """
    adjacency = build_adjacency(mesh)
    middles = _middles(mesh, adjacency, stretch)
    if not middles:
        return np.empty(0, dtype=np.int32)
    graph = edge_graph(adjacency, edge_costs(mesh, adjacency, skeleton), range(adjacency.edge_count))
    cut = {*adjacency.edge_verts[seams].ravel().tolist(), *np.flatnonzero(adjacency.boundary_vertex).tolist()}
    darts: list[int] = []
    for middle in middles:
        if middle not in cut:
            path, _ = cheapest_path(graph, {middle}, cut)
            darts += path
            cut |= {int(vertex) for edge in path for vertex in adjacency.edge_verts[edge]}
    return np.array(darts, dtype=np.int32)


def _middles(mesh: PolyMesh, adjacency: Adjacency, stretch: FloatArray) -> list[int]:
    """The vertex in the middle of every stretched place, the worst place first: that corner of its worst face round which faces are
    stretched most."""
    pairs = adjacency.face_pairs.faces
    labels = components(mesh.face_count, pairs[(stretch[pairs] > ROUND_IT).all(axis=1)])
    around = np.bincount(mesh.corner_verts, np.repeat(stretch, mesh.face_sizes), mesh.vertex_count) / np.maximum(
        np.bincount(mesh.corner_verts, minlength=mesh.vertex_count), 1)
    middles: dict[int, int] = {}
    for face in np.argsort(-stretch, kind="stable"):
        if not stretch[face] > STRETCHED:
            break
        corners = mesh.face(int(face))
        middles.setdefault(int(labels[face]), int(corners[np.argmax(around[corners])]))
    return list(middles.values())
