"""A target whose normals point outward, whichever way its faces were wound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .polymesh import BoolArray, FloatArray
from .surface import ClosestPoints, RayHits, Surface, SurfaceView


@dataclass(frozen=True)
class FlippedSurface(SurfaceView):
    """The same surface seen from the other side."""

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) float64 points."""
        found = self.surface.closest(points)
        return ClosestPoints(found.positions, -found.normals, found.distances)

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions."""
        hits = self.surface.cast(origins, directions)
        return RayHits(hits.hit, hits.positions, -hits.normals, hits.distances)

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside the surface, (n,) bool."""
        return self.surface.inside(points)


def outward_surface(surface: Surface, inner_points: FloatArray) -> Surface:
    """The surface with normals that point outward.

    inner_points : (n, 3) float64, points that are meant to lie inside
    """
    axes = np.concatenate([np.eye(3), -np.eye(3)])
    origins = np.repeat(inner_points, len(axes), axis=0)
    directions = np.tile(axes, (len(inner_points), 1))
    hits = surface.cast(origins, directions)
    facing = np.einsum("ij,ij->i", hits.normals, directions)[hits.hit]
    return FlippedSurface(surface) if len(facing) and np.count_nonzero(facing < 0) > 0.5 * len(facing) else surface
