"""Which points of a target lie beyond a cage's open ends.

A cage with an open end covers part of its target only. A point of the rest has its nearest cage point on
an open edge, and its distance says nothing about fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .adjacency import build_adjacency
from .polymesh import BoolArray, FloatArray, PolyMesh

ON_EDGE = 2e-6
"""A point this close to an open edge lies on it, diagonals of the cage: a few steps of the host's single precision."""


@dataclass(frozen=True)
class OpenEnds:
    """The open edges of a cage.

    edges : (k, 2, 3) float64, their ends
    reach : how close a point must be to lie on one
    """

    edges: FloatArray
    reach: float

    def hold(self, nearest: FloatArray) -> BoolArray:
        """Tell which of (n, 3) points on the cage lie on an open edge, (n,) bool."""
        beyond = np.zeros(len(nearest), dtype=np.bool_)
        if not len(self.edges) or not len(nearest):
            return beyond
        axis = int(np.argmax(np.ptp(nearest, axis=0)))
        order = np.argsort(nearest[:, axis], kind="stable")
        points = nearest[order]
        starts = np.searchsorted(points[:, axis], self.edges[:, :, axis].min(axis=1) - self.reach, side="left")
        stops = np.searchsorted(points[:, axis], self.edges[:, :, axis].max(axis=1) + self.reach, side="right")
        for (first, second), start, stop in zip(self.edges, starts, stops, strict=True):
            beyond[order[start:stop]] |= _squared_distances(points[start:stop], first, second) <= self.reach * self.reach
        return beyond


def open_ends(cage: PolyMesh) -> OpenEnds:
    """The open edges of a cage with faces."""
    adjacency = build_adjacency(cage)
    used = cage.positions[adjacency.face_valence > 0]
    return OpenEnds(cage.positions[adjacency.edge_verts[adjacency.edge_face_count == 1]],
                    ON_EDGE * float(np.linalg.norm(np.ptp(used, axis=0))) if len(used) else 0.0)


def _squared_distances(points: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Squared distances of (n, 3) points from one segment, (n,) float64."""
    along = second - first
    length = float(along @ along)
    place = np.clip((points - first) @ along / length, 0.0, 1.0) if length > 0 else np.zeros(len(points))
    offset = points - first - place[:, None] * along
    return np.asarray(np.einsum("ij,ij->i", offset, offset), dtype=np.float64)
