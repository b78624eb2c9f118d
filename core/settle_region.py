"""Settle a part of a mesh, with a soft edge towards what stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .adjacency import build_adjacency, edge_distances
from .mirror_plane import MirrorPlane
from .outward import FlippedSurface
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .settle import Settled, settle, vertex_normals
from .surface import Surface

ON_PLANE = 1e-3
"""A vertex this share of the mean edge off a plane lies on it."""


def settle_region(mesh: PolyMesh, surface: Surface, chosen: BoolArray, *, soft_edge: int = 0, pin_boundary: bool = True,
                  plane: MirrorPlane | None = None, freedom: FloatArray | None = None) -> Settled:
    """Relax and project the chosen vertices; all others stay where they are.

    surface : its normals may look either way
    chosen : (V,) bool
    soft_edge : rows of vertices over which the pull falls off towards what stays; 0 ends it sharply
    pin_boundary : whether vertices of open ends stay too
    plane : vertices on it stay on it
    freedom : (V,) float64 in 0..1, how far proportions may change; None: from the distance to poles
    """
    adjacency = build_adjacency(mesh)
    held = ~chosen | (adjacency.boundary_vertex if pin_boundary else np.zeros(mesh.vertex_count, dtype=np.bool_))
    mobility = None if soft_edge <= 0 else softness(adjacency.edge_verts, ~chosen, soft_edge)
    if plane is None:
        return settle(mesh, facing(surface, mesh), held, freedom, mobility=mobility)
    first, second = mesh.positions[adjacency.edge_verts.T]
    bound = (np.abs(plane.heights(mesh.positions)) < ON_PLANE * np.linalg.norm(first - second, axis=1).mean()) & ~held
    settled = settle(mesh, facing(surface, mesh), held, freedom, barred=np.where(bound[:, None], plane.normal, 0.0), mobility=mobility)
    # the skin may lean across the plane; what it moved off is taken back
    strayed = np.where(bound, plane.heights(settled.positions), 0.0)
    return replace(settled, positions=settled.positions - strayed[:, None] * plane.normal)


def softness(edge_verts: IntArray, still: BoolArray, rows: int) -> FloatArray:
    """0 at what is still, rising to 1 over a number of edges, (V,) float64.

    edge_verts : (E, 2) int
    still : (V,) bool
    """
    return edge_distances(edge_verts, still, rows) / (rows + 1)


def facing(surface: Surface, mesh: PolyMesh) -> Surface:
    """The surface with normals that look the mesh's way."""
    normals = vertex_normals(mesh.positions, mesh.faces_of_size(4)[1])
    agreement = np.einsum("ij,ij->i", surface.closest(mesh.positions).normals, normals)
    return FlippedSurface(surface) if np.count_nonzero(agreement < 0) > np.count_nonzero(agreement > 0) else surface
