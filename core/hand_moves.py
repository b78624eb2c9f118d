"""Keep what an artist has moved by hand when a cage is built anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .polymesh import FloatArray, PolyMesh

STILL = 1e-6
"""A vertex counts as moved from this share of the mesh's diagonal on; single precision is finer."""


@dataclass(frozen=True)
class KeptMoves:
    """A new cage with the old one's moves, and what became of them.

    positions : (V, 3) float64 of the new cage
    kept, lost : numbers of moved vertices
    """

    positions: FloatArray
    kept: int
    lost: int


def keep_moves(old: PolyMesh, built: FloatArray, new: PolyMesh) -> KeptMoves:
    """Move the new cage's vertices as far as the old one's were moved since it was built.

    old : the cage as the artist left it
    built : (V, 3) float64, where its vertices lay when it was built; as long as the old cage's vertices
    new : the cage as it is built now
    The moves are kept only where both cages have the very same faces; else they are lost and counted.
    """
    moves = old.positions - built
    size = float(np.linalg.norm(np.ptp(built, axis=0))) if len(built) else 0.0
    moved = np.linalg.norm(moves, axis=1) > STILL * size
    count = int(np.count_nonzero(moved))
    alike = old.vertex_count == new.vertex_count and np.array_equal(old.corner_verts, new.corner_verts)
    if not alike or not count:
        return KeptMoves(new.positions, 0, count)
    return KeptMoves(np.where(moved[:, None], new.positions + moves, new.positions), count, 0)
