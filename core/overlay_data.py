"""What a viewport shows of a mesh at a glance: ring counts, mismatches, poles, joint rings, faces that are no quads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency, build_adjacency
from .face_geometry import vertex_normals
from .mismatches import pair_rings
from .polymesh import JOINT_RING, FloatArray, IntArray, PolyMesh
from .rings import Rings, boundary_rings


@dataclass(frozen=True)
class OverlayData:
    """Places and figures, in the mesh's coordinates.

    ring_centres : (r, 3) float64, of every open ring
    ring_counts : (r,) int32
    ring_edges : (k, 2, 3) float64, edges of all open rings
    unlike_lines : (m, 2, 3) float64, between the centres of two rings that face each other with unlike counts
    unlike_counts : (m, 2) int32
    pole_positions, pole_normals : (p, 3) float64, poles inside the surface
    pole_valences : (p,) int32
    joint_edges : (j, 2, 3) float64, edges among the rings at which a limb bends
    joint_middles, joint_normals : (j, 3) float64, the middle of each of them, and where the surface looks there
    odd_triangles : (t, 3, 3) float64, triangles of all faces that are not quads
    """

    ring_centres: FloatArray
    ring_counts: IntArray
    ring_edges: FloatArray
    unlike_lines: FloatArray
    unlike_counts: IntArray
    pole_positions: FloatArray
    pole_normals: FloatArray
    pole_valences: IntArray
    joint_edges: FloatArray
    joint_middles: FloatArray
    joint_normals: FloatArray
    odd_triangles: FloatArray


def overlay_data(mesh: PolyMesh) -> OverlayData:
    """Gather what the overlay draws of a mesh of any kind."""
    adjacency = build_adjacency(mesh)
    rings = boundary_rings(mesh, adjacency)
    unlike = pair_rings(mesh, rings).mismatches
    ends = np.array([[pair.fuller, pair.sparser] for pair in unlike], dtype=np.int64).reshape(-1, 2)
    poles = np.flatnonzero((adjacency.valence > 0) & (adjacency.valence != 4) & ~adjacency.boundary_vertex)
    normals = vertex_normals(mesh)
    joints = _joint_edges(mesh, adjacency)
    return OverlayData(
        rings.centres, rings.edge_counts.astype(np.int32), _ring_edges(mesh, rings),
        rings.centres[ends].reshape(-1, 2, 3), rings.edge_counts[ends].reshape(-1, 2).astype(np.int32),
        mesh.positions[poles], normals[poles], adjacency.valence[poles],
        mesh.positions[joints], mesh.positions[joints].mean(axis=1), normals[joints].mean(axis=1),
        mesh.positions[_odd_triangles(mesh)].reshape(-1, 3, 3))


def _ring_edges(mesh: PolyMesh, rings: Rings) -> FloatArray:
    pieces = [mesh.positions[np.column_stack([rings.ring(index), np.roll(rings.ring(index), -1)])] for index in range(rings.count)]
    return np.concatenate([np.zeros((0, 2, 3)), *pieces])


def _joint_edges(mesh: PolyMesh, adjacency: Adjacency) -> IntArray:
    """Vertices, (j, 2) int32, of the edges whose two vertices both lie on rings at which a limb bends."""
    marks = mesh.attributes.get(JOINT_RING)
    if marks is None:
        return np.zeros((0, 2), dtype=np.int32)
    both = np.asarray(marks, dtype=np.bool_)[adjacency.edge_verts].all(axis=1)
    return adjacency.edge_verts[both]


def _odd_triangles(mesh: PolyMesh) -> IntArray:
    odd = mesh.face_sizes != 4
    if not odd.any():
        return np.zeros((0, 3), dtype=np.int32)
    kept = np.repeat(odd, mesh.face_sizes)
    offsets = np.concatenate([[0], np.cumsum(mesh.face_sizes[odd])]).astype(np.int32)
    return PolyMesh(mesh.positions, mesh.corner_verts[kept], offsets).triangles()
