"""A polygon mesh as flat arrays, laid out as the host lays it out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from .errors import MeshError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]

VERTEX_LIMB = "vertex.limb"
"""Attribute of a cage, (V,) int32: number of the plan's limb that a vertex belongs to."""
FACE_LIMB = "face.face_limb"
"""Attribute of a cage, (F,) int32: number of the plan's limb that a face belongs to."""
JOINT_RING = "vertex.joint_ring"
"""Attribute of a cage, (V,): whether a vertex lies on a ring of a joint."""


@dataclass(frozen=True)
class PolyMesh:
    """Polygons over shared vertices; triangles, quads and n-gons alike.

    positions : (V, 3) float64, the mesh's own units
    corner_verts : (C,) int32, vertex of every face corner, faces one after the other
    face_offsets : (F + 1,) int32, face f owns the corners face_offsets[f] to face_offsets[f + 1]
    attributes : named arrays whose first axis runs over vertices or faces; the name says which
        (``vertex.limb``, ``face.face_limb``)
    """

    positions: FloatArray
    corner_verts: IntArray
    face_offsets: IntArray
    attributes: Mapping[str, npt.NDArray[np.generic]] = field(default_factory=dict)

    @classmethod
    def from_faces(cls, positions: npt.ArrayLike, faces: Sequence[Sequence[int]]) -> PolyMesh:
        """Build a mesh from a list of faces of any size.

        positions : (V, 3) float
        faces : vertex indices of every face, counter-clockwise seen from outside
        """
        sizes = np.fromiter((len(face) for face in faces), dtype=np.int32, count=len(faces))
        corners = np.fromiter((vertex for face in faces for vertex in face), dtype=np.int32, count=int(sizes.sum()))
        return cls(_as_positions(positions), corners, offsets_of(sizes))

    @classmethod
    def from_quads(cls, positions: npt.ArrayLike, quads: npt.ArrayLike) -> PolyMesh:
        """Build an all-quad (or all-triangle) mesh from a rectangular array of corners.

        positions : (V, 3) float
        quads : (F, k) int, k corners a face
        """
        corners = np.asarray(quads, dtype=np.int32)
        face_count, size = corners.shape
        offsets = np.arange(0, face_count * size + 1, size, dtype=np.int32)
        return cls(_as_positions(positions), np.ascontiguousarray(corners.ravel()), offsets)

    @property
    def vertex_count(self) -> int:
        """Number of vertices."""
        return len(self.positions)

    @property
    def face_count(self) -> int:
        """Number of faces."""
        return len(self.face_offsets) - 1

    @property
    def face_sizes(self) -> IntArray:
        """Corner count of every face, (F,) int32."""
        return np.diff(self.face_offsets)

    def face(self, index: int) -> IntArray:
        """Vertices of one face, (k,) int32."""
        return self.corner_verts[self.face_offsets[index] : self.face_offsets[index + 1]]

    def faces_of_size(self, size: int) -> tuple[npt.NDArray[np.intp], IntArray]:
        """Faces with exactly ``size`` corners: their indices (k,) and their vertices (k, size)."""
        indices = np.flatnonzero(self.face_sizes == size)
        corners = self.face_offsets[indices][:, None] + np.arange(size, dtype=np.int32)
        return indices, self.corner_verts[corners]

    def quads(self) -> IntArray:
        """All faces as one array, (F, 4) int32.

        Raises MeshError where a face is not a quad.
        """
        others = int(np.count_nonzero(self.face_sizes != 4))
        if others:
            raise MeshError(f"The mesh has {others} faces that are not quads; make them quads first.")
        return self.corner_verts.reshape(-1, 4)

    def triangles(self) -> IntArray:
        """Every face as a fan of triangles from its first corner, (T, 3) int32."""
        if (self.face_sizes == 3).all():  # a dense target: no second copy of it
            return self.corner_verts.reshape(-1, 3)
        sizes = self.face_sizes.astype(np.int64)
        fans = np.maximum(sizes - 2, 0)
        face_of = np.repeat(np.arange(self.face_count), fans)
        step = np.arange(int(fans.sum())) - np.repeat(np.cumsum(fans) - fans, fans)
        first = self.face_offsets[face_of].astype(np.int64)
        return np.column_stack([self.corner_verts[first], self.corner_verts[first + step + 1],
                                self.corner_verts[first + step + 2]]).astype(np.int32)

    def with_positions(self, positions: npt.ArrayLike) -> PolyMesh:
        """The same topology at other positions, (V, 3) float."""
        return PolyMesh(_as_positions(positions), self.corner_verts, self.face_offsets, self.attributes)

    def with_attributes(self, **attributes: npt.NDArray[np.generic]) -> PolyMesh:
        """The same mesh with further attributes; a double underscore in a name stands for a dot."""
        named = {name.replace("__", "."): values for name, values in attributes.items()}
        return PolyMesh(self.positions, self.corner_verts, self.face_offsets, {**self.attributes, **named})


def offsets_of(lengths: npt.NDArray[np.integer[Any]]) -> IntArray:
    """Where runs of these lengths begin one after the other, and where the last one ends, (n + 1,) int32."""
    offsets = np.zeros(len(lengths) + 1, dtype=np.int32)
    np.cumsum(lengths, out=offsets[1:])
    return offsets


def _as_positions(positions: npt.ArrayLike) -> FloatArray:
    array = np.ascontiguousarray(positions, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise ValueError(f"positions must have shape (V, 3), got {array.shape}")
    return array
