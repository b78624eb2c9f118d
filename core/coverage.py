"""Which points of a target lie beyond a cage's open ends.

A cage with an open end covers part of its target only. A point of the rest has its nearest cage point on
an open edge, and its distance says nothing about fit.
"""

from __future__ import annotations

import numpy as np

from .adjacency import build_adjacency
from .polymesh import BoolArray, FloatArray, PolyMesh

ON_EDGE = 2e-6
"""A point this close to an open edge lies on it, diagonals of the cage: a few steps of the host's single precision."""


def beyond_open_ends(cage: PolyMesh, nearest: FloatArray) -> BoolArray:
    """Tell which points have their nearest cage point on an open edge.

    nearest : (n, 3) float64, nearest points on the cage
    Returns (n,) bool.
    """
    adjacency = build_adjacency(cage)
    ends = cage.positions[adjacency.edge_verts[adjacency.edge_face_count == 1]]
    beyond = np.zeros(len(nearest), dtype=np.bool_)
    if not len(ends) or not len(nearest):
        return beyond
    reach = ON_EDGE * float(np.linalg.norm(np.ptp(cage.positions[np.unique(cage.corner_verts)], axis=0)))
    axis = int(np.argmax(np.ptp(nearest, axis=0)))
    order = np.argsort(nearest[:, axis], kind="stable")
    points = nearest[order]
    starts = np.searchsorted(points[:, axis], ends[:, :, axis].min(axis=1) - reach, side="left")
    stops = np.searchsorted(points[:, axis], ends[:, :, axis].max(axis=1) + reach, side="right")
    for (first, second), start, stop in zip(ends, starts, stops, strict=True):
        beyond[order[start:stop]] |= _squared_distances(points[start:stop], first, second) <= reach * reach
    return beyond


def _squared_distances(points: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Squared distances of (n, 3) points from one segment, (n,) float64."""
    along = second - first
    length = float(along @ along)
    place = np.clip((points - first) @ along / length, 0.0, 1.0) if length > 0 else np.zeros(len(points))
    offset = points - first - place[:, None] * along
    return np.asarray(np.einsum("ij,ij->i", offset, offset), dtype=np.float64)
