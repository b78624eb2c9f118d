"""Keep what an artist has moved by hand when a cage is built anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .polymesh import VERTEX_LIMB, BoolArray, FloatArray, IntArray, PolyMesh

STILL = 1e-6
"""A vertex counts as moved from this share of the mesh's diagonal on; single precision is finer."""
NEAR = 0.4
"""Vertices of two builds stand for each other where they lie nearer than this share of an edge."""


@dataclass(frozen=True)
class HandMoves:
    """What was moved since a cage was built.

    mesh : the cage as the artist left it; its attribute vertex.limb holds limb numbers
    built : (V, 3) float64, where its vertices lay when it was built
    limbs : limb names by number
    """

    mesh: PolyMesh
    built: FloatArray
    limbs: Sequence[str]

    @property
    def moved(self) -> BoolArray:
        """Which vertices were moved, (V,) bool."""
        size = float(np.linalg.norm(np.ptp(self.built, axis=0))) if len(self.built) else 0.0
        return np.asarray(np.linalg.norm(self.mesh.positions - self.built, axis=1) > STILL * size)


@dataclass(frozen=True)
class KeptMoves:
    """A new cage with the old one's moves, and what became of them.

    positions : (V, 3) float64 of the new cage
    kept : number of moved vertices that stay so
    lost : number of those that have no counterpart
    lost_limbs : names of the limbs that they lie on
    """

    positions: FloatArray
    kept: int
    lost: int
    lost_limbs: tuple[str, ...]


def keep_moves(moves: HandMoves, new: PolyMesh, limbs: Sequence[str]) -> KeptMoves:
    """Move a new cage's vertices as far as the old one's were moved since it was built.

    new : the cage as it is built now, with the attribute vertex.limb
    limbs : its limb names by number
    The moves on a limb are kept where the limb has as many vertices and the same faces in both cages, or where its
    numbering has turned round it; else they are lost and counted.
    """
    old, moved = moves.mesh, moves.moved
    positions, lost = new.positions.copy(), moved.copy()
    old_limb, new_limb = _limb_numbers(old), _limb_numbers(new)
    for number, name in enumerate(moves.limbs):
        here = np.flatnonzero(old_limb == number)
        if name not in limbs or not moved[here].any():
            continue
        there = np.flatnonzero(new_limb == list(limbs).index(name))
        old_faces, new_faces = _faces_within(old, here), _faces_within(new, there)
        if len(here) != len(there) or len(old_faces) != len(new_faces):
            continue
        chosen = here[moved[here]]
        counterparts = _counterparts(moves.built[here], new.positions[there], moved[here], _edge(new, there),
                                     same=np.array_equal(old_faces, new_faces))
        found = counterparts >= 0
        positions[there[counterparts[found]]] += (old.positions - moves.built)[chosen[found]]
        lost[chosen[found]] = False
    names = tuple(name for number, name in enumerate(moves.limbs) if lost[old_limb == number].any())
    return KeptMoves(positions, int(np.count_nonzero(moved & ~lost)), int(np.count_nonzero(lost)), names)


def _counterparts(old: FloatArray, new: FloatArray, moved: BoolArray, edge: float, *, same: bool) -> IntArray:
    """For every moved vertex of a limb the new one that stands for it, or -1, (m,) int64.

    old, new : (n, 3) float64, where both builds laid the limb's vertices
    edge : mean edge of the limb
    same : whether both have the same faces by number
    """
    shift = new.mean(axis=0) - old.mean(axis=0)
    if same and np.median(np.linalg.norm(new - old - shift, axis=1)) < NEAR * edge:
        return np.flatnonzero(moved)
    wanted = old[moved] + shift
    distances = np.linalg.norm(wanted[:, None] - new[None], axis=2)
    nearest = distances.argmin(axis=1)
    return np.where(distances[np.arange(len(wanted)), nearest] < NEAR * edge, nearest, -1)


def _edge(mesh: PolyMesh, vertices: IntArray) -> float:
    """Mean length of the sides of all faces that touch some vertices."""
    chosen = np.zeros(mesh.vertex_count, dtype=np.bool_)
    chosen[vertices] = True
    following = np.arange(1, len(mesh.corner_verts) + 1)
    following[mesh.face_offsets[1:] - 1] = mesh.face_offsets[:-1]
    ends = np.column_stack([mesh.corner_verts, mesh.corner_verts[following]])[chosen[mesh.corner_verts]]
    return float(np.linalg.norm(mesh.positions[ends[:, 0]] - mesh.positions[ends[:, 1]], axis=1).mean()) if len(ends) else 0.0


def _limb_numbers(mesh: PolyMesh) -> IntArray:
    """The limb of every vertex, (V,) int32; all one limb where the mesh does not say."""
    numbers = mesh.attributes.get(VERTEX_LIMB)
    return np.zeros(mesh.vertex_count, dtype=np.int32) if numbers is None else np.asarray(numbers, dtype=np.int32)


def _faces_within(mesh: PolyMesh, vertices: IntArray) -> IntArray:
    """Faces that have all corners among some vertices, as their sizes and then their corners' places among these, flat int64."""
    place = np.full(mesh.vertex_count, -1, dtype=np.int64)
    place[vertices] = np.arange(len(vertices))
    corners = place[mesh.corner_verts]
    within = np.minimum.reduceat(corners, mesh.face_offsets[:-1]) >= 0 if mesh.face_count else np.zeros(0, dtype=np.bool_)
    return np.concatenate([mesh.face_sizes[within], corners[np.repeat(within, mesh.face_sizes)]])
