"""Cross-sections of a target: cast rays outward from points of a centre line.

A section is a polar profile: ``radii[k]`` is how far the surface lies from the centre at the angle
``2 pi k / K``, counted from the frame direction, counter-clockwise about the tangent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .frames import arc_lengths
from .polymesh import BoolArray, FloatArray
from .surface import Surface

RAYS = 32
"""Rays of a section: 11 degrees apart, under half a side of the 16-sided rings of an arm."""
PHASE_TRIALS = 8
"""Turns tried per edge when a section is matched to a ring."""

CLEARLY_FULLER = 1.02
"""A ring is turned off the direction that it would look in where this encloses so much more of its section."""


@dataclass(frozen=True)
class Tube:
    """Where a limb runs, as other limbs see it.

    points : (n, 3) float64 along its centre line from its first ring on
    radii : (n,) float64, girth radius there
    """

    points: FloatArray
    radii: FloatArray


def directions_at(tangents: FloatArray, frames: FloatArray, angles: FloatArray) -> FloatArray:
    """Unit directions across a centre line.

    tangents, frames : (m, 3) float64 unit vectors, square to each other
    angles : (m, k) float64, radians from the frame, counter-clockwise about the tangent
    Returns (m, k, 3) float64.
    """
    sideways = np.cross(tangents, frames)
    return np.cos(angles)[..., None] * frames[:, None] + np.sin(angles)[..., None] * sideways[:, None]


def skin_points(centres: FloatArray, tangents: FloatArray, frames: FloatArray, profiles: FloatArray) -> FloatArray:
    """Where polar sections have the skin.

    centres, tangents, frames : (m, 3) float64
    profiles : (m, k) float64, evenly spaced angles
    Returns (m, k, 3) float64.
    """
    directions = directions_at(tangents, frames, even_angles(*profiles.shape))
    return np.asarray(centres[:, None] + profiles[..., None] * directions, dtype=np.float64)


def cast_profiles(surface: Surface, centres: FloatArray, tangents: FloatArray, frames: FloatArray, angles: FloatArray,
                  obstacles: Sequence[Tube] = ()) -> FloatArray:
    """Distance from each centre to the surface at each angle.

    surface : normals point outward
    centres, tangents, frames : (m, 3) float64
    angles : (m, k) float64, radians
    obstacles : limbs whose skin is not this limb's
    Returns (m, k) float64; infinite where a ray misses, meets the surface from outside or meets an obstacle.
    """
    directions = directions_at(tangents, frames, angles).reshape(-1, 3)
    origins = np.repeat(centres, angles.shape[1], axis=0)
    hits = surface.cast(origins, directions)
    outward = np.einsum("ij,ij->i", hits.normals, directions) > 0
    good = hits.hit & outward & ~near_tubes(hits.positions, obstacles)
    return np.where(good, hits.distances, np.inf).reshape(angles.shape)


def near_tubes(points: FloatArray, tubes: Sequence[Tube], reach: float = 1.2) -> BoolArray:
    """Whether points lie within ``reach`` radii of a limb's centre line, (n,) bool.

    points : (n, 3) float64
    """
    near = np.zeros(len(points), dtype=np.bool_)
    for tube in tubes:
        start, step = tube.points[:-1], np.diff(tube.points, axis=0)
        along = np.einsum("nsi,si->ns", points[:, None] - start, step) / np.sum(step * step, axis=1)
        nearest = start + np.clip(along, 0, 1)[..., None] * step
        distance = np.linalg.norm(points[:, None] - nearest, axis=2)
        beyond_root = along[:, 0] > 0
        closest = np.argmin(distance / tube.radii[:-1], axis=1)
        rows = np.arange(len(points))
        near |= (distance[rows, closest] < reach * tube.radii[closest]) & ((closest > 0) | beyond_root)
    return near


def fill_profiles(radii: FloatArray) -> FloatArray:
    """Fill the missing parts of profiles round the ring from their neighbours, or from the next whole profile.

    radii : (m, k) float64, infinite where missing
    Returns (m, k) float64, all finite unless nothing at all was hit.
    """
    filled = radii.copy()
    known = np.isfinite(radii)
    count = radii.shape[1]
    whole = known.sum(axis=1) >= count // 2
    for row in np.flatnonzero(whole & ~known.all(axis=1)):
        at = np.flatnonzero(known[row])
        filled[row] = np.interp(np.arange(count), at, radii[row, at], period=count)
    if whole.any():
        good = np.flatnonzero(whole)
        for row in np.flatnonzero(~whole):
            filled[row] = filled[good[np.argmin(np.abs(good - row))]]
    return filled


def even_angles(rows: int, rays: int = RAYS) -> FloatArray:
    """Even angles round every row, (rows, rays) float64."""
    return np.broadcast_to(2 * np.pi * np.arange(rays) / rays, (rows, rays))


def area_radii(radii: FloatArray) -> FloatArray:
    """Radius of the circle with each profile's area, (m,) float64; radii : (m, k), evenly spaced angles."""
    step = 2 * np.pi / radii.shape[1]
    area = 0.5 * np.sin(step) * np.sum(radii * np.roll(radii, -1, axis=1), axis=1)
    return np.sqrt(area / np.pi)


def girths(radii: FloatArray) -> FloatArray:
    """Length round each profile, (m,) float64; radii : (m, k), evenly spaced angles."""
    following = np.roll(radii, -1, axis=1)
    step = np.cos(2 * np.pi / radii.shape[1])
    squared = radii**2 + following**2 - 2 * radii * following * step
    return np.asarray(np.sqrt(np.maximum(squared, 0)).sum(axis=1), dtype=np.float64)


def centroids(centres: FloatArray, tangents: FloatArray, frames: FloatArray, radii: FloatArray) -> FloatArray:
    """Area centroid of each profile in space, (m, 3) float64."""
    angles = even_angles(*radii.shape)
    following = np.roll(radii, -1, axis=1)
    weights = radii * following
    x, y = radii * np.cos(angles), radii * np.sin(angles)
    total = 3 * np.maximum(weights.sum(axis=1), 1e-300)
    centre_x = np.sum((x + np.roll(x, -1, axis=1)) * weights, axis=1) / total
    centre_y = np.sum((y + np.roll(y, -1, axis=1)) * weights, axis=1) / total
    return centres + centre_x[:, None] * frames + centre_y[:, None] * np.cross(tangents, frames)


def ring_angles(radii: FloatArray, turns: FloatArray, phase: float) -> FloatArray:
    """Angles that cut a profile's outline at given shares of its length, turned so that they stray least from angles of those turns.

    radii : (k,) float64, evenly spaced angles
    turns : (n,) float64, shares of the whole outline
    phase : radians, where the turns begin
    Returns (n,) float64, radians.
    """
    outline = _Outline.of(radii)
    shift = phase / (2 * np.pi)
    for _ in range(4):
        shift -= float(np.mean(outline.angles_at(turns + shift) - phase - 2 * np.pi * turns)) / (2 * np.pi)
    return outline.angles_at(turns + shift)


def nearest_phase(radii: FloatArray, points: FloatArray) -> float:
    """Phase whose evenly cut outline lies nearest to given points, taken in order.

    radii : (k,) float64, evenly spaced angles
    points : (n, 2) float64 in the section's plane, centred on their mean, counter-clockwise
    Returns radians, as ``ring_angles`` takes it.
    """
    outline = _Outline.of(radii)
    count = len(points)
    shifts = np.arange(PHASE_TRIALS * count) / (PHASE_TRIALS * count)
    turns = np.arange(count) / count
    angles = outline.angles_at(shifts[:, None] + turns)
    cut = outline.points_at(angles)
    cut = cut - cut.mean(axis=1, keepdims=True)
    best = angles[int(np.argmin(np.sum((cut - points) ** 2, axis=(1, 2))))]
    return float(np.mean(best - 2 * np.pi * turns))


def fullest_phase(radii: FloatArray, count: int) -> float:
    """Phase whose evenly cut outline encloses the largest polygon: vertices come to lie on the edges of a flat section.

    radii : (k,) float64, evenly spaced angles
    count : vertices of the polygon
    Returns radians, as ``ring_angles`` takes it; 0 where no turn encloses clearly more.
    """
    outline = _Outline.of(radii)
    turns = np.arange(count) / count
    angles = outline.angles_at(np.arange(PHASE_TRIALS)[:, None] / (PHASE_TRIALS * count) + turns)
    x, y = np.moveaxis(outline.points_at(angles), -1, 0)
    areas = np.sum(x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y, axis=1)
    best = int(np.argmax(areas))
    return float(np.mean(angles[best] - 2 * np.pi * turns)) if areas[best] > CLEARLY_FULLER * areas[0] else 0.0


@dataclass(frozen=True)
class _Outline:
    """A profile's outline, finely sampled: angle and share of the girth of every sample, radius of every ray."""

    angle: FloatArray
    share: FloatArray
    radii: FloatArray

    @classmethod
    def of(cls, radii: FloatArray) -> _Outline:
        fine = 4 * len(radii)
        angle = 2 * np.pi * np.arange(fine + 1) / fine
        closed = np.append(radii, radii[0])
        radius = np.interp(angle, 2 * np.pi * np.arange(len(closed)) / len(radii), closed)
        length = arc_lengths(np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(fine + 1)]))
        return cls(angle, length / length[-1], closed)

    def angles_at(self, turns: FloatArray) -> FloatArray:
        whole = np.floor(turns)
        return np.asarray(np.interp(turns - whole, self.share, self.angle) + 2 * np.pi * whole, dtype=np.float64)

    def points_at(self, angles: FloatArray) -> FloatArray:
        rays = len(self.radii) - 1
        radius = np.interp(angles % (2 * np.pi), 2 * np.pi * np.arange(rays + 1) / rays, self.radii)
        return np.stack([radius * np.cos(angles), radius * np.sin(angles)], axis=-1)
