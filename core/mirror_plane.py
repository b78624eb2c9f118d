"""Find the plane across which a target is most like its own image; parts of it may be moved, grown or missing.

Planes of every direction are tried on a few points; the best are turned and shifted until the images of points lie on the surface. Each
step is one of Gauss and Newton on the images' distances along the surface's normals (Chen, Medioni, "Object modelling by registration of
multiple range images", 1992), in which an image that lies far off counts little (Geman, McClure 1987), so that an arm that is raised on
one side alone does not pull.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from .errors import MeshError
from .frames import any_square_direction, unit
from .polymesh import FloatArray
from .surface import ClosestPoints, Surface

TRIED, REFINED, SAMPLES = 200, 1000, 4000
"""Points by which a plane of every direction is tried, by which the best are refined, and by which the last one is fitted."""
STAND_IN = 1600
"""Points that stand in for the surface while planes of every direction are tried."""
DIRECTIONS = 64
"""Directions that are tried, about 18 degrees from each other."""
SMOOTHED = 0.02
"""Reach of the mean of normals, in diagonals."""
KEPT = 6
"""Planes that are refined."""
TRIED_REACHES, REFINED_REACHES, LAST_REACHES = (0.08, 0.05, 0.03, 0.03), (0.03, 0.02, 0.01, 0.01, 0.005), (0.01, 0.005, 0.003, 0.002, 0.002)
"""Distances at which an image counts for a quarter, step by step, in the surface's diagonals; wide at first, so that steps are long."""
ALIKE = 0.01
"""An image this near to the surface lies on it, in diagonals, when planes are compared."""
AS_GOOD = 0.01
"""Planes whose shares of images on the surface differ by less are equally good."""
SAME_TURN, SAME_SHIFT = 0.995, 0.02
"""Planes are the same where the cosine between them is greater and their middles lie nearer, in diagonals."""
LARGEST_MEDIAN = 0.002
"""A target half of whose image lies farther from it, in its diagonals, has no mirror plane. Measured: bodies, turned, with noise, with an
arm raised or missing, 0.0000 to 0.0003; an arm, a leg, a forelimb, whose halves are like each other but not alike, 0.0045 to 0.0070."""


@dataclass(frozen=True)
class MirrorPlane:
    """A plane of symmetry.

    point : (3,) float64 on the plane
    normal : (3,) float64 unit vector
    """

    point: FloatArray
    normal: FloatArray

    def reflect(self, points: FloatArray) -> FloatArray:
        """Mirror images of (n, 3) points."""
        return np.asarray(points - 2.0 * self.heights(points)[:, None] * self.normal, dtype=np.float64)

    def heights(self, points: FloatArray) -> FloatArray:
        """Signed distances of (n, 3) points from the plane, (n,) float64."""
        return np.asarray((points - self.point) @ self.normal, dtype=np.float64)


def world_plane(axis: str) -> MirrorPlane:
    """The plane through the origin that "x", "y" or "z" is square to."""
    return MirrorPlane(np.zeros(3), np.eye(3)["xyz".index(axis)])


def towards_an_axis(plane: MirrorPlane) -> MirrorPlane:
    """The same plane with its positive side on that of the world's axis nearest to its normal."""
    return MirrorPlane(plane.point, float(np.sign(plane.normal[np.argmax(np.abs(plane.normal))])) * plane.normal)


@dataclass(frozen=True)
class MirrorFit:
    """A plane that was found in a target, and how well it mirrors it.

    median : distance from the surface within which half of the images lie, its diagonals
    alike : share of the images that lie on the surface, far ones counting for less
    """

    plane: MirrorPlane
    median: float
    alike: float


@dataclass(frozen=True)
class _Cloud:
    """Points that stand in for the surface, and its normals there: quick to ask, and free of its noise."""

    points: FloatArray
    normals: FloatArray

    def closest(self, images: FloatArray) -> ClosestPoints:
        """The points nearest to others."""
        middle = self.points.mean(axis=0)  # single precision does where coordinates are small
        own, others = (images - middle).astype(np.float32), (self.points - middle).astype(np.float32)
        nearest = np.argmin(np.einsum("ij,ij->i", others, others) - 2.0 * own @ others.T, axis=1)
        return ClosestPoints(self.points[nearest], self.normals[nearest], np.linalg.norm(images - self.points[nearest], axis=1))


def find_mirror_plane(surface: Surface, points: FloatArray, seed: int = 0) -> MirrorFit:
    """The plane across which most of a target is like its own image; of equally good ones that which is most nearly square to x.

    points : (n, 3) float64 on the target, such as its vertices
    seed : of the choice among them
    """
    chosen = points[np.random.default_rng(seed).choice(len(points), min(len(points), SAMPLES), replace=False)]
    cloud, diagonal = _smoothed(chosen, surface.closest(chosen).normals, SMOOTHED * surface.diagonal), surface.diagonal
    starts = _distinct(_tried_planes(chosen, cloud, diagonal), diagonal)
    few = chosen[:REFINED]
    refined = [_refined(plane, few, cloud.closest, diagonal, REFINED_REACHES) for plane in starts[:KEPT]]
    fits = [_judged(plane, few, surface.closest, diagonal) for plane in refined]
    best = max(fit.alike for fit in fits)
    start = max((fit.plane for fit in fits if fit.alike > best - AS_GOOD), key=lambda plane: abs(float(plane.normal[0])))
    last = _refined(_refined(start, chosen, cloud.closest, diagonal, REFINED_REACHES[-2:]), chosen, surface.closest, diagonal, LAST_REACHES)
    return _judged(last, chosen, surface.closest, diagonal)


def check_mirror_plane(fit: MirrorFit) -> None:
    """Check that a plane found in a target mirrors it at all.

    Raises MeshError that says how far the image lies off.
    """
    if fit.median > LARGEST_MEDIAN:
        raise MeshError("The target is like its mirror image across no plane: across the best one half of the image lies more than "
                        f"{100 * fit.median:.2g} % of the target's diagonal off; choose a plane of the world instead.")


def _tried_planes(points: FloatArray, cloud: _Cloud, diagonal: float) -> list[MirrorPlane]:
    """Planes of every direction, each moved to where it mirrors a few of the points best, the best first."""
    few = _Cloud(cloud.points[:STAND_IN], cloud.normals[:STAND_IN])
    middles = (np.median(points, axis=0), 0.5 * (points.min(axis=0) + points.max(axis=0)))
    starts = [MirrorPlane(middle, normal) for normal in (*np.eye(3), *_half_sphere(DIRECTIONS)) for middle in middles]
    refined = [_refined(start, points[:TRIED], few.closest, diagonal, TRIED_REACHES) for start in starts]
    fits = [_judged(plane, points[:TRIED], few.closest, diagonal) for plane in refined]
    return [fit.plane for fit in sorted(fits, key=lambda fit: -fit.alike)]


def _smoothed(points: FloatArray, normals: FloatArray, reach: float) -> _Cloud:
    """Points and normals averaged over neighbours that look the same way."""
    squares = (points**2).sum(axis=1)
    near = np.exp(-np.maximum(squares[:, None] + squares - 2.0 * points @ points.T, 0.0) / reach**2) * np.maximum(normals @ normals.T, 0.0)
    return _Cloud(near @ points / near.sum(axis=1, keepdims=True), unit(near @ normals))


def _half_sphere(count: int) -> FloatArray:
    """Directions spread evenly over half a sphere, (count, 3) float64: a spiral by the golden angle."""
    number = np.arange(count) + 0.5
    height, turn = number / count, np.pi * (1.0 + np.sqrt(5.0)) * number
    radius = np.sqrt(1.0 - height**2)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])


def _distinct(planes: Sequence[MirrorPlane], diagonal: float) -> list[MirrorPlane]:
    """The first of every group of planes that are the same."""
    kept: list[MirrorPlane] = []
    for plane in planes:
        if not any(abs(float(plane.normal @ other.normal)) > SAME_TURN
                   and abs(float(other.heights(plane.point[None])[0])) < SAME_SHIFT * diagonal for other in kept):
            kept.append(plane)
    return kept


def _refined(plane: MirrorPlane, points: FloatArray, closest: Callable[[FloatArray], ClosestPoints], diagonal: float,
             reaches: Sequence[float]) -> MirrorPlane:
    """A plane turned and shifted to where it mirrors the points better, one step for every reach."""
    middle = points.mean(axis=0)
    plane = MirrorPlane(middle - plane.heights(middle[None])[0] * plane.normal, plane.normal)
    for reach in reaches:
        images = plane.reflect(points)
        plane = _stepped(plane, points, images, closest(images), reach * diagonal)
    return plane


def _judged(plane: MirrorPlane, points: FloatArray, closest: Callable[[FloatArray], ClosestPoints], diagonal: float) -> MirrorFit:
    shares = closest(plane.reflect(points)).distances / diagonal
    return MirrorFit(plane, float(np.median(shares)), float(np.mean(np.exp(-0.5 * (shares / ALIKE) ** 2))))


def _stepped(plane: MirrorPlane, points: FloatArray, images: FloatArray, nearest: ClosestPoints, reach: float) -> MirrorPlane:
    """The plane after one step: turned about two of its own directions and shifted along its normal."""
    first = any_square_direction(plane.normal)
    second = np.cross(plane.normal, first)
    along, heights = nearest.normals @ plane.normal, plane.heights(points)
    turns = [-2.0 * ((points - plane.point) @ way * along + heights * (nearest.normals @ way)) for way in (first, second)]
    gaps = np.einsum("ij,ij->i", images - nearest.positions, nearest.normals)
    root = 1.0 / (1.0 + (nearest.distances / reach) ** 2)
    rows = np.column_stack([*turns, 2.0 * along]) * root[:, None]
    one, two, shift = np.linalg.lstsq(rows, -gaps * root, rcond=1e-6)[0]
    return MirrorPlane(plane.point + shift * plane.normal, unit(plane.normal + one * first + two * second))
