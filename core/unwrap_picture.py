"""A picture of a mesh's map: islands with their edges, borders thick, what is turned over tinted."""

from __future__ import annotations

import numpy as np

from .adjacency import build_adjacency
from .face_geometry import face_area_vectors
from .mirror import turned
from .picture import Picture, draw_cage
from .polymesh import FloatArray, IntArray, PolyMesh
from .raster import View
from .uv_quality import SAME_POINT

SIZE = 600
"""Width and height, pixels."""
MARGIN = 0.02
"""Paper round the map, share of its size."""


def picture_unwrap(mesh: PolyMesh, uvs: FloatArray, flipped: IntArray) -> Picture:
    """Draw a map.

    uvs : (C, 2) float64
    flipped : (k,) int32, faces that are turned over
    """
    flat = flat_mesh(mesh, uvs)
    low, high = np.minimum(uvs.min(axis=0), 0.0), np.maximum(uvs.max(axis=0), 1.0)
    view = View(np.eye(3), np.array([*(0.5 * (low + high)), 0.0]), SIZE * (1.0 - 2.0 * MARGIN) / float((high - low).max()), SIZE, SIZE)
    words = "The map: thin lines edges, thick lines borders of islands" + (", tinted what is turned over." if len(flipped) else ".")
    return Picture("map", words, draw_cage(view, flat, build_adjacency(flat), focus=flipped if len(flipped) else None))


def flat_mesh(mesh: PolyMesh, uvs: FloatArray) -> PolyMesh:
    """The map as a mesh of its own in the plane z = 0, most of its faces upward, torn where the map is.

    uvs : (C, 2) float64
    """
    keys = np.column_stack([mesh.corner_verts, np.round(uvs / SAME_POINT)])
    _, first, corners = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    flat = PolyMesh(np.column_stack([uvs[first], np.zeros(len(first))]), corners.ravel().astype(np.int32), mesh.face_offsets)
    return flat if face_area_vectors(flat)[:, 2].sum() >= 0.0 else turned(flat)
