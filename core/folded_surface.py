"""A target that was sculpted on one side alone, for a cage that is mirrored: the other side is answered for by its image."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .mirror import AXES
from .polymesh import BoolArray, FloatArray
from .surface import ClosestPoints, RayHits, Surface, SurfaceView

OVER_THE_PLANE = 0.02
"""A target that reaches over the plane by no more than this share of its diagonal lies on one side: half a sculpt is seldom cut exactly."""


@dataclass(frozen=True)
class FoldedSurface(SurfaceView):
    """A surface and its mirror image across a plane through the origin, each answering on its own side.

    axis : that the plane is square to, 0 to 2
    sign : 1 or -1, the side on which the surface lies
    """

    axis: int
    sign: float

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) float64 points."""
        turn = self._turn(points)
        found = self.surface.closest(points * turn)
        return ClosestPoints(found.positions * turn, found.normals * turn, found.distances)

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions, on the side on which they begin."""
        turn = self._turn(origins)
        hits = self.surface.cast(origins * turn, directions * turn)
        return RayHits(hits.hit, hits.positions * turn, hits.normals * turn, hits.distances)

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside the surface, (n,) bool."""
        return self.surface.inside(points * self._turn(points))

    def _turn(self, points: FloatArray) -> FloatArray:
        """What takes every point to the surface's own side, (n, 3) float64 of 1 and -1."""
        turn = np.ones_like(points)
        turn[self.sign * points[:, self.axis] < 0, self.axis] = -1.0
        return turn


def folded(surface: Surface, plane: str | None) -> Surface:
    """The surface, with its image where it lies on one side of the plane alone.

    plane : "x", "y", "z" or None, the axis that the plane through the origin is square to
    """
    if plane is None:
        return surface
    (low, high), reach = surface.bounds[:, AXES[plane]], OVER_THE_PLANE * surface.diagonal
    if low < -reach and high > reach:
        return surface
    return FoldedSurface(surface, AXES[plane], 1.0 if high > -low else -1.0)
