"""Find the pieces of a target that no one sees: eyeballs, bones or an inner wall that lie wholly inside another piece.

A ray from inside a limb meets such a piece before the skin, so a target is measured without them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from .adjacency import components
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh, offsets_of

SAMPLES = 24
"""Vertices of a piece that must all lie inside another: a piece that pierces the skin shows one of them outside, or nearly so."""
LEAST_OUTER = 0.05
"""Share of the target's diagonal under which a piece is no limb, and what it holds is left alone."""


def pieces_of(mesh: PolyMesh) -> IntArray:
    """The connected piece of every vertex, (V,) int32: 0, 1, ... in order of the pieces' first vertex."""
    firsts = mesh.corner_verts[np.repeat(mesh.face_offsets[:-1], mesh.face_sizes)]
    return components(mesh.vertex_count, np.column_stack([firsts, mesh.corner_verts]))


def nested_pieces(mesh: PolyMesh, pieces: IntArray, inside_of: Callable[[PolyMesh, FloatArray], BoolArray]) -> BoolArray:
    """Which pieces lie wholly inside one other piece.

    mesh : the target
    pieces : (V,) int32, the piece of every vertex, 0, 1, ...
    inside_of : whether each of (n, 3) points lies inside a mesh, (n,) bool
    Returns (number of pieces,) bool.
    """
    count = int(pieces.max(initial=-1)) + 1
    low, high = _boxes(mesh.positions, pieces, count)
    samples = _samples(pieces, count)
    nested = np.zeros(count, dtype=np.bool_)
    sizes = np.linalg.norm(high - low, axis=1)
    large = np.flatnonzero(sizes > LEAST_OUTER * np.linalg.norm(high.max(axis=0) - low.min(axis=0)))
    for outer in large[np.argsort(-sizes[large], kind="stable")]:
        within = np.flatnonzero(~nested & np.all((low > low[outer]) & (high < high[outer]), axis=1))
        if nested[outer] or not len(within):
            continue
        chosen = samples[within]
        hidden = inside_of(pieces_only(mesh, pieces, np.arange(count) == outer), mesh.positions[chosen.ravel()])
        nested[within] = hidden.reshape(chosen.shape).all(axis=1)
    return nested


def without_nested(mesh: PolyMesh, inside_of: Callable[[PolyMesh, FloatArray], BoolArray]) -> PolyMesh:
    """A target without its nested pieces, or the very same mesh where it has none.

    mesh, inside_of : as in ``nested_pieces``
    """
    pieces = pieces_of(mesh)
    if not pieces.max(initial=0):
        return mesh
    hidden = nested_pieces(mesh, pieces, inside_of)
    return pieces_only(mesh, pieces, ~hidden) if hidden.any() else mesh


def pieces_only(mesh: PolyMesh, pieces: IntArray, chosen: BoolArray) -> PolyMesh:
    """A mesh of some pieces alone, without attributes; chosen : (number of pieces,) bool."""
    kept = chosen[pieces]
    number = np.cumsum(kept, dtype=np.int32) - 1
    faces = kept[mesh.corner_verts[mesh.face_offsets[:-1]]]
    corners = number[mesh.corner_verts[np.repeat(faces, mesh.face_sizes)]]
    return PolyMesh(mesh.positions[kept], corners.astype(np.int32), offsets_of(mesh.face_sizes[faces]))


def _boxes(positions: FloatArray, pieces: IntArray, count: int) -> tuple[FloatArray, FloatArray]:
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, pieces, positions)
    np.maximum.at(high, pieces, positions)
    return low, high


def _samples(pieces: IntArray, count: int) -> npt.NDArray[np.int64]:
    """Vertices spread over every piece, (count, SAMPLES) int64; repeated where a piece has fewer."""
    order = np.argsort(pieces, kind="stable")
    sizes = np.bincount(pieces, minlength=count)
    first = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    along = (np.arange(SAMPLES) * sizes[:, None]) // SAMPLES
    return order[first[:, None] + along]
