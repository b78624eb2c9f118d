"""Mirror a cage across a plane through the origin and weld it there."""

from __future__ import annotations

import numpy as np

from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh

AXES = {"x": 0, "y": 1, "z": 2}


def mirrored(points: FloatArray, plane: str) -> FloatArray:
    """Points or directions, (..., 3), on the other side of a plane through the origin.

    plane : "x", "y" or "z", the axis that the plane is square to
    """
    return points * np.where(np.arange(3) == AXES[plane], -1.0, 1.0)


def backward_corners(mesh: PolyMesh) -> IntArray:
    """The corner that every corner changes places with where faces are wound the other way, (C,) int32."""
    sizes = mesh.face_sizes
    starts = np.repeat(mesh.face_offsets[:-1], sizes)
    return starts + np.repeat(sizes, sizes) - 1 - (np.arange(len(mesh.corner_verts), dtype=np.int32) - starts)


def turned(mesh: PolyMesh) -> PolyMesh:
    """The mesh with every face wound the other way; twice is the mesh as it was."""
    return PolyMesh(mesh.positions, mesh.corner_verts[backward_corners(mesh)], mesh.face_offsets, mesh.attributes)


def mirror_mesh(mesh: PolyMesh, plane: str, on_plane: BoolArray) -> PolyMesh:
    """The mesh with its mirror image, welded where vertices lie on the plane.

    plane : "x", "y" or "z", the axis that the plane is square to
    on_plane : (V,) bool, vertices to be moved exactly onto the plane and shared by both sides
    Returns the given side first; vertex and face attributes are copied to the mirrored side.
    """
    positions = mesh.positions.copy()
    positions[on_plane, AXES[plane]] = 0.0
    copied = np.flatnonzero(~on_plane)
    number = np.arange(mesh.vertex_count, dtype=np.int32)
    number[copied] = mesh.vertex_count + np.arange(len(copied), dtype=np.int32)
    offsets = np.concatenate([mesh.face_offsets, mesh.face_offsets[1:] + mesh.face_offsets[-1]]).astype(np.int32)
    attributes = {name: np.concatenate([values, values[copied] if name.startswith("vertex.") else values])
                  for name, values in mesh.attributes.items()}
    return PolyMesh(np.concatenate([positions, mirrored(positions[copied], plane)]),
                    np.concatenate([mesh.corner_verts, number[turned(mesh).corner_verts]]), offsets, attributes)
