"""Faults in a mesh's make-up: what is doubled, torn, flat, folded or turned inside out."""

from __future__ import annotations

import numpy as np

from .adjacency import Adjacency, components
from .face_geometry import face_centres
from .frames import unit
from .landing import looks_outward
from .polymesh import FloatArray, IntArray, PolyMesh
from .surface import Surface

SKIN_REACH = 0.5
"""How far a face's centre may lie from its skin along the normal, square roots of the face's area."""


def loose_vertices(adjacency: Adjacency) -> IntArray:
    """Vertices that belong to no face, (k,) int32."""
    return np.flatnonzero(adjacency.face_valence == 0).astype(np.int32)


def non_manifold_edges(adjacency: Adjacency) -> IntArray:
    """Edges with more than two faces, as vertex pairs (k, 2) int32."""
    return adjacency.edge_verts[adjacency.edge_face_count > 2]


def non_manifold_vertices(mesh: PolyMesh, adjacency: Adjacency) -> IntArray:
    """Vertices at which faces hang together by nothing but the vertex, (k,) int32.

    The corners at a vertex are linked where their faces share an edge there; more than one linked
    group makes the vertex a pinch point.
    """
    corners = np.arange(len(mesh.corner_verts))
    ends = np.concatenate([adjacency.corner_edges, adjacency.corner_edges[adjacency.corner_previous]])
    owner = np.concatenate([corners, corners])
    key = ends.astype(np.int64) * max(mesh.vertex_count, 1) + mesh.corner_verts[owner]
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order][1:] == key[order][:-1])
    fans = components(len(corners), np.column_stack([owner[order[same]], owner[order[same + 1]]]).astype(np.int32))
    first_of_fan = np.unique(fans, return_index=True)[1]
    fans_at_vertex = np.bincount(mesh.corner_verts[first_of_fan], minlength=mesh.vertex_count)
    return np.flatnonzero(fans_at_vertex > 1).astype(np.int32)


def duplicate_vertices(positions: FloatArray, distance: float) -> IntArray:
    """Pairs of vertices closer than ``distance``, (k, 2) int32, lower index first; each vertex pairs with its lowest twin.

    Positions are rounded to a grid of four distances, eight times with the grid moved by half a
    cell, so that no close pair is parted by a cell wall every time.
    """
    pairs: list[IntArray] = [np.empty((0, 2), dtype=np.int32)]
    if len(positions) and np.isfinite(positions).all():
        cell = 4.0 * distance if distance > 0.0 else 1.0
        for shift in np.ndindex(2, 2, 2):
            pairs.append(_close_pairs(positions, np.array(shift) * 0.5 * cell, cell, distance))
    found = np.unique(np.concatenate(pairs), axis=0)
    lowest = np.unique(found[:, 1], return_index=True)[1]
    return found[lowest].astype(np.int32)


def repeated_corners(mesh: PolyMesh) -> IntArray:
    """Faces that name a vertex twice or have fewer than three corners, (k,) int32."""
    faces = np.repeat(np.arange(mesh.face_count, dtype=np.int64), mesh.face_sizes)
    key = np.sort(faces * max(mesh.vertex_count, 1) + mesh.corner_verts)
    twice = key[1:][key[1:] == key[:-1]] // max(mesh.vertex_count, 1)
    return np.unique(np.concatenate([twice, np.flatnonzero(mesh.face_sizes < 3)])).astype(np.int32)


def duplicate_faces(mesh: PolyMesh) -> IntArray:
    """Faces over the same vertices as an earlier face, in whatever order, (k,) int32."""
    found = [np.empty(0, dtype=np.int64)]
    for size in np.unique(mesh.face_sizes):
        indices, corners = mesh.faces_of_size(int(size))
        _, inverse = np.unique(np.sort(corners, axis=1), axis=0, return_inverse=True)
        first = np.unique(inverse.reshape(-1), return_index=True)[1]
        found.append(np.delete(indices, first))
    return np.sort(np.concatenate(found)).astype(np.int32)


def zero_area_faces(area_vectors: FloatArray, smallest: float) -> IntArray:
    """Faces whose area is at most ``smallest``, (k,) int32."""
    return np.flatnonzero(np.linalg.norm(area_vectors, axis=1) <= smallest).astype(np.int32)


def flipped_faces(mesh: PolyMesh, adjacency: Adjacency) -> IntArray:
    """Faces turned against their piece's majority, (k,) int32; all of a piece that cannot be oriented (a Moebius strip).

    Two faces agree where they run along their common edge in opposite directions. The faces are
    doubled, once as they are and once turned, and joined by agreement: a face and its turned copy
    then lie in different pieces, and the majority of each original piece tells which is right.
    """
    pairs = adjacency.neighbouring_faces
    disagree = adjacency.edge_turned[pairs.edges]
    if not disagree.any():
        return np.empty(0, dtype=np.int32)
    count = mesh.face_count
    crossed = np.where(disagree, count, 0)
    one, other = pairs.faces.T
    links = np.concatenate([np.column_stack([one, other + crossed]), np.column_stack([one + count, other + count - crossed])])
    labels = components(2 * count, links.astype(np.int32))
    upright, turned = labels[:count], labels[count:]
    piece = np.minimum(upright, turned)
    votes = np.bincount(piece, weights=np.where(upright < turned, 1.0, -1.0), minlength=int(labels.max()) + 1)
    wrong = np.where(votes[piece] >= 0.0, upright > turned, upright < turned)
    return np.flatnonzero(wrong | (upright == turned)).astype(np.int32)


def faces_against(mesh: PolyMesh, area_vectors: FloatArray, surface: Surface) -> IntArray:
    """Faces whose normal looks against the target's skin under the face's centre, (k,) int32."""
    reach = SKIN_REACH * np.sqrt(np.linalg.norm(area_vectors, axis=1))
    return np.flatnonzero(~looks_outward(face_centres(mesh), unit(area_vectors), reach, surface)).astype(np.int32)


def folded_edges(adjacency: Adjacency, area_vectors: FloatArray, angle: float) -> IntArray:
    """Edges over which the surface turns by more than ``angle`` degrees, as vertex pairs (k, 2) int32."""
    pairs, lengths = adjacency.neighbouring_faces, np.linalg.norm(area_vectors, axis=1)
    one, other = pairs.faces.T
    dots = np.einsum("ij,ij->i", area_vectors[one], area_vectors[other])
    folded = (dots < np.cos(np.radians(angle)) * lengths[one] * lengths[other]) & ~adjacency.edge_turned[pairs.edges]
    return adjacency.edge_verts[pairs.edges[folded]]


def _close_pairs(positions: FloatArray, shift: FloatArray, cell: float, distance: float) -> IntArray:
    """All pairs of vertices in one cell of a moved grid that are close enough, lower index first, (k, 2)."""
    cells = np.floor((positions - positions.min(axis=0) + shift) / cell)
    order = np.lexsort((np.arange(len(positions)), cells[:, 2], cells[:, 1], cells[:, 0]))
    starts = np.concatenate([[True], (cells[order][1:] != cells[order][:-1]).any(axis=1)])
    rank = np.arange(len(order)) - np.maximum.accumulate(np.where(starts, np.arange(len(order)), 0))
    found: list[IntArray] = [np.empty((0, 2), dtype=np.int32)]
    for step in range(1, int(rank.max()) + 1):
        later = np.flatnonzero(rank >= step)
        pairs = np.column_stack([order[later - step], order[later]]).astype(np.int32)
        found.append(pairs[np.linalg.norm(positions[pairs[:, 0]] - positions[pairs[:, 1]], axis=1) <= distance])
    return np.concatenate(found)
