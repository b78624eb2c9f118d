"""What the core asks of a target: batched queries, arrays in and arrays out.

The host adapter (addon/host_surface.py) answers them with the host's compiled queries; tests
answer them with an independent library.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from .polymesh import BoolArray, FloatArray


@dataclass(frozen=True)
class ClosestPoints:
    """Nearest surface point of every query point.

    positions : (n, 3) float64, target units
    normals : (n, 3) float64, unit normal of the face that was hit
    distances : (n,) float64, target units
    """

    positions: FloatArray
    normals: FloatArray
    distances: FloatArray


@dataclass(frozen=True)
class RayHits:
    """First hit of every ray.

    hit : (n,) bool
    positions : (n, 3) float64; the origin where nothing was hit
    normals : (n, 3) float64, unit normal of the face that was hit; zero where nothing was hit
    distances : (n,) float64, target units; infinite where nothing was hit
    """

    hit: BoolArray
    positions: FloatArray
    normals: FloatArray
    distances: FloatArray


class Surface(Protocol):
    """A target that answers batches of queries."""

    @property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner of the box round the surface, (2, 3) float64."""
        ...

    @property
    def diagonal(self) -> float:
        """Length of the bounding box's diagonal, target units."""
        ...

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) float64 points."""
        ...

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions of any non-zero length."""
        ...

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside the surface, (n,) bool."""
        ...


@dataclass(frozen=True)
class SurfaceView:
    """What is seen of a surface in some way that leaves its box as it is; how, its children say."""

    surface: Surface

    @property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner of the box round the surface that was given, (2, 3) float64."""
        return self.surface.bounds

    @property
    def diagonal(self) -> float:
        """Length of that box's diagonal, target units."""
        return self.surface.diagonal
