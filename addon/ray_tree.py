"""The target behind a search tree that makes no data in the host: for a tool that is running.

It answers point by point and suits some thousand queries a second; a build uses ``host_surface``.
"""

from __future__ import annotations

import bpy
import numpy as np
from mathutils import Vector
from mathutils.bvhtree import BVHTree

from ..core.errors import MeshError
from ..core.inside import inside_by_crossings
from ..core.polymesh import BoolArray, FloatArray
from ..core.surface import ClosestPoints, RayHits


class RayTree:
    """A target's evaluated mesh as core.surface.Surface, in world coordinates, normals pointing as its faces look."""

    def __init__(self, target: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> None:
        """Build the tree; MeshError where the target has no faces or no size in some direction."""
        self._matrix = np.array(target.matrix_world, dtype=np.float64)
        if abs(np.linalg.det(self._matrix[:3, :3])) < 1e-30:
            raise MeshError(f'The target "{target.name}" is scaled to nothing; give it a size.')
        self._inverse = np.linalg.inv(self._matrix)
        self._tree = BVHTree.FromObject(target, depsgraph)
        corners = np.array([list(corner) for corner in target.evaluated_get(depsgraph).bound_box])
        world = corners @ self._matrix[:3, :3].T + self._matrix[:3, 3]
        self._bounds = np.stack([world.min(axis=0), world.max(axis=0)])
        if self._tree is None or self._tree.find_nearest(Vector((0.0, 0.0, 0.0)))[0] is None:
            raise MeshError(f'The target "{target.name}" has no faces; choose a mesh with a surface.')
        self._side = np.sign(np.linalg.det(self._matrix[:3, :3]))

    @property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner of a box round the surface, (2, 3) float64."""
        return self._bounds

    @property
    def diagonal(self) -> float:
        """Length of the box's diagonal."""
        return float(np.linalg.norm(self._bounds[1] - self._bounds[0]))

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions."""
        starts = origins @ self._inverse[:3, :3].T + self._inverse[:3, 3]
        along = directions @ self._inverse[:3, :3].T
        found = [self._tree.ray_cast(Vector(start), Vector(way)) for start, way in zip(starts.tolist(), along.tolist(), strict=True)]
        hit = np.array([place is not None for place, _, _, _ in found], dtype=np.bool_)
        local = np.array([(0.0, 0.0, 0.0) if place is None else place[:] for place, _, _, _ in found]).reshape(-1, 3)
        normals = np.array([(0.0, 0.0, 0.0) if place is None else normal[:] for place, normal, _, _ in found]).reshape(-1, 3)
        positions = np.where(hit[:, None], local @ self._matrix[:3, :3].T + self._matrix[:3, 3], origins)
        distances = np.where(hit, np.linalg.norm(positions - origins, axis=1), np.inf)
        return RayHits(hit, positions, self._world_normals(normals), distances)

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) points, nearest in the object's own space."""
        local = points @ self._inverse[:3, :3].T + self._inverse[:3, 3]
        found = [self._tree.find_nearest(Vector(point)) for point in local.tolist()]
        positions = np.array([place[:] for place, _, _, _ in found]).reshape(-1, 3) @ self._matrix[:3, :3].T + self._matrix[:3, 3]
        normals = self._world_normals(np.array([normal[:] for _, normal, _, _ in found]).reshape(-1, 3))
        return ClosestPoints(positions, normals, np.linalg.norm(positions - points, axis=1))

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside; see ``core.inside``."""
        return inside_by_crossings(self.cast, points, self.diagonal)

    def _world_normals(self, normals: FloatArray) -> FloatArray:
        turned = self._side * (normals @ self._inverse[:3, :3])
        return np.asarray(turned / np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-300), dtype=np.float64)
