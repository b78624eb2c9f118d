"""How evenly a mesh is divided: sizes of neighbouring faces, spacing of the rings at a joint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency, components
from .poles import JointZone
from .polymesh import FACE_LIMB, FloatArray, IntArray, PolyMesh

ALONG = 0.7
"""Least cosine between an edge and the limb's axis for the edge to run from ring to ring."""
ZONE_STRETCH = 1.5
"""A joint's rows are looked for in so many times its zone's length: what bends moves its outer rings."""


@dataclass(frozen=True)
class AreaJumps:
    """How much larger the larger of two neighbouring faces is.

    edges : (k, 2) int32, vertices of the edges between two faces with an area
    ratios : (k,) float64, 1 or more
    """

    edges: IntArray
    ratios: FloatArray


@dataclass(frozen=True)
class JointSpacing:
    """Rows between the rings of a joint.

    rows : number of rows
    ratio : longest over shortest row
    place : (3,) float64, the middle of the joint
    """

    rows: int
    ratio: float
    place: FloatArray


def area_jumps(adjacency: Adjacency, area_vectors: FloatArray) -> AreaJumps:
    """Compare every face with its neighbours.

    area_vectors : (F, 3) float64
    """
    pairs = adjacency.neighbouring_faces
    smaller, larger = np.sort(np.linalg.norm(area_vectors, axis=1)[pairs.faces], axis=1).T
    sound = smaller > 0
    return AreaJumps(adjacency.edge_verts[pairs.edges[sound]], larger[sound] / smaller[sound])


def joint_spacings(mesh: PolyMesh, zones: Sequence[JointZone]) -> Mapping[str, JointSpacing]:
    """Compare the rows between the rings of every joint that has at least two rows, joint name to figures."""
    faces, quads = mesh.faces_of_size(4)
    face_limb = mesh.attributes.get(FACE_LIMB)
    limbs = None if face_limb is None else np.asarray(face_limb)[faces]
    found = {}
    for zone in zones:
        mine = zone.holds(mesh.positions, ZONE_STRETCH)[quads].all(axis=1)
        if limbs is not None and zone.limb >= 0:
            mine &= limbs == zone.limb
        lengths = _row_lengths(mesh.positions, quads[mine], zone.axis)
        if len(lengths) > 1 and lengths.min() > 0:
            found[zone.name] = JointSpacing(len(lengths), float(lengths.max() / lengths.min()), zone.centre)
    return found


def _row_lengths(positions: FloatArray, quads: IntArray, axis: FloatArray) -> FloatArray:
    """Mean length of the edges along the axis, row by row: edges opposite each other in a quad belong to one row."""
    ends = np.sort(np.stack([quads, np.roll(quads, -1, axis=1)], axis=-1), axis=-1).reshape(-1, 2)
    edges, of_corner = np.unique(ends, axis=0, return_inverse=True)
    of_corner = of_corner.reshape(-1, 4)
    vectors = positions[edges[:, 1]] - positions[edges[:, 0]]
    lengths = np.linalg.norm(vectors, axis=1)
    along = np.abs(vectors @ axis) > ALONG * lengths
    opposite = np.concatenate([of_corner[:, [0, 2]], of_corner[:, [1, 3]]])
    linked = opposite[along[opposite].all(axis=1)]
    rows = components(len(edges), linked.astype(np.int32))
    kept = np.flatnonzero(along & np.isin(np.arange(len(edges)), linked))
    names, row = np.unique(rows[kept], return_inverse=True)
    return np.asarray(np.bincount(row, lengths[kept], len(names)) / np.bincount(row, minlength=len(names)), dtype=np.float64)
