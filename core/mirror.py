"""Mirror a cage across a plane through the origin and weld it there."""

from __future__ import annotations

import numpy as np

from .polymesh import BoolArray, PolyMesh

AXES = {"x": 0, "y": 1, "z": 2}


def mirror_mesh(mesh: PolyMesh, plane: str, on_plane: BoolArray) -> PolyMesh:
    """The mesh with its mirror image, welded where vertices lie on the plane.

    plane : "x", "y" or "z", the axis that the plane is square to
    on_plane : (V,) bool, vertices to be moved exactly onto the plane and shared by both sides
    Returns the given side first; vertex and face attributes are copied to the mirrored side.
    """
    axis = AXES[plane]
    positions = mesh.positions.copy()
    positions[on_plane, axis] = 0.0
    copied = np.flatnonzero(~on_plane)
    number = np.arange(mesh.vertex_count, dtype=np.int32)
    number[copied] = mesh.vertex_count + np.arange(len(copied), dtype=np.int32)
    image = positions[copied]
    image[:, axis] *= -1
    corners = np.arange(len(mesh.corner_verts))
    sizes = mesh.face_sizes
    starts = np.repeat(mesh.face_offsets[:-1], sizes)
    reversed_corners = starts + (np.repeat(sizes, sizes) - 1 - (corners - starts))
    offsets = np.concatenate([mesh.face_offsets, mesh.face_offsets[1:] + mesh.face_offsets[-1]]).astype(np.int32)
    attributes = {name: np.concatenate([values, values[copied] if name.startswith("vertex.") else values])
                  for name, values in mesh.attributes.items()}
    return PolyMesh(np.concatenate([positions, image]), np.concatenate([mesh.corner_verts, number[mesh.corner_verts[reversed_corners]]]),
                    offsets, attributes)
