"""A target that answers the core's queries through independent libraries: the tests' second opinion.

Closest points and the inside test come from libigl (double precision); which triangle a ray meets
first comes from Embree (single precision), the hit itself is worked out again in double precision.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import igl
import numpy as np
import numpy.typing as npt
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from ringwright.core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from ringwright.core.surface import ClosestPoints, RayHits

HALF_WINDING = 0.5  # a point with a larger part of the full solid angle round it is inside
RAY_NUDGE = 1e-6  # of the diagonal: sideways offset of a ray, a few steps of single precision
GRAZING = 1e-4  # of the diagonal: a plane hit farther from Embree's own distance is not trusted


class ReferenceSurface:
    """A triangle mesh behind core.surface.Surface, answered by libigl and Embree.

    positions : (V, 3) float64
    triangles : (T, 3) int, counter-clockwise seen from outside; the normals follow this order
    """

    def __init__(self, positions: npt.ArrayLike, triangles: npt.ArrayLike) -> None:
        self.positions: FloatArray = np.ascontiguousarray(positions, dtype=np.float64)
        self.triangles: IntArray = np.ascontiguousarray(triangles, dtype=np.int32)
        self._indices = np.ascontiguousarray(triangles, dtype=np.int64)

    @classmethod
    def from_mesh(cls, mesh: PolyMesh) -> ReferenceSurface:
        """The surface of a polygon mesh, every face split as a fan from its first corner."""
        return cls(mesh.positions, mesh.triangles())

    @cached_property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner of the box round the used vertices, (2, 3) float64."""
        used = self.positions[np.unique(self.triangles)]
        return np.stack([used.min(axis=0), used.max(axis=0)])

    @property
    def diagonal(self) -> float:
        """Length of the bounding box's diagonal."""
        return float(np.linalg.norm(self.bounds[1] - self.bounds[0]))

    @cached_property
    def face_normals(self) -> FloatArray:
        """Unit normal of every triangle, (T, 3) float64; zero for a triangle without area."""
        first, second, third = (self.positions[self.triangles[:, corner]] for corner in range(3))
        normals = np.cross(second - first, third - first)
        lengths = np.linalg.norm(normals, axis=1, keepdims=True)
        return np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0.0)

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) points, by libigl's bounding box tree."""
        queries = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
        if not len(queries):
            return ClosestPoints(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0))
        squared, faces, nearest = self._box_tree.squared_distance(self.positions, self._indices, queries)
        distances = np.sqrt(np.maximum(np.atleast_1d(squared), 0.0))
        return ClosestPoints(np.asarray(nearest).reshape(-1, 3), self.face_normals[np.atleast_1d(faces)], distances)

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions of any non-zero length."""
        if not directions.any(axis=1).all():
            raise ValueError("a ray's direction has no length")
        origins = np.ascontiguousarray(origins, dtype=np.float64).reshape(-1, 3)
        directions = np.asarray(directions, dtype=np.float64).reshape(-1, 3)
        if not len(origins):
            return RayHits(np.zeros(0, dtype=np.bool_), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0))
        unit = np.ascontiguousarray(directions / np.linalg.norm(directions, axis=1, keepdims=True))
        faces, rough = self._first_faces(origins, unit)
        hit = faces >= 0
        normals: FloatArray = np.where(hit[:, None], self.face_normals[faces], 0.0)
        distances = self._refined(origins, unit, faces, rough)
        reached = origins + np.where(hit, distances, 0.0)[:, None] * unit
        return RayHits(hit, reached, normals, distances)

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether (n, 3) points lie inside, by the generalized winding number.

        Holes and open ends are closed as by a membrane, and the mesh's orientation does not matter.
        Source: Barill, Dickson, Schmidt, Levin, Jacobson 2018, as libigl has it.
        """
        queries = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
        if not len(queries):
            return np.zeros(0, dtype=np.bool_)
        winding = np.atleast_1d(igl.fast_winding_number(self.positions, self._indices, queries))
        return np.abs(winding) > HALF_WINDING

    @cached_property
    def _box_tree(self) -> Any:
        tree = igl.AABB()
        tree.init(self.positions, self._indices)
        return tree

    @cached_property
    def _ray_scene(self) -> EmbreeScene:
        # Embree holds single precision: a unit box round the origin keeps what precision there is.
        scene = EmbreeScene()
        TriangleMesh(scene, self._to_unit_box(self.positions), self.triangles)
        return scene

    def _to_unit_box(self, points: FloatArray) -> npt.NDArray[np.float32]:
        return np.ascontiguousarray((points - self.bounds.mean(axis=0)) / self.diagonal, dtype=np.float32)

    def _first_faces(self, origins: FloatArray, unit: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Triangle that every ray meets first, (n,) int, -1 for none, and its rough distance, (n,) float64.

        Embree can slip between two triangles along their common edge, so each ray goes three times,
        a hair's breadth apart, and the nearest hit counts.
        """
        across = np.cross(unit, np.eye(3)[np.argmin(np.abs(unit), axis=1)])
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        along = np.cross(unit, across)
        start = (origins - self.bounds.mean(axis=0)) / self.diagonal
        faces, nearest = np.full(len(origins), -1, dtype=np.int64), np.full(len(origins), np.inf)
        for turn in np.arange(3) * (2.0 * np.pi / 3.0) + 0.3:
            nudged = start + RAY_NUDGE * (np.cos(turn) * across + np.sin(turn) * along)
            found = self._ray_scene.run(nudged.astype(np.float32), unit.astype(np.float32), output=1)
            better = (found["primID"] >= 0) & (found["tfar"] < nearest)
            faces[better] = found["primID"][better]
            nearest[better] = found["tfar"][better]
        return faces, nearest * self.diagonal

    def _refined(self, origins: FloatArray, unit: FloatArray, faces: npt.NDArray[np.int64], rough: FloatArray) -> FloatArray:
        """Distances to the planes of the triangles met; the rough ones where a ray grazes its triangle."""
        normals = self.face_normals[faces]
        above = np.einsum("ij,ij->i", self.positions[self.triangles[faces, 0]] - origins, normals)
        slope = np.einsum("ij,ij->i", unit, normals)
        exact = np.divide(above, slope, out=np.full_like(above, -np.inf), where=slope != 0.0)
        trusted = (faces >= 0) & (np.abs(exact - rough) < GRAZING * self.diagonal)
        return np.where(trusted, np.maximum(exact, 0.0), rough)
