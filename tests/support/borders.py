"""Closed borders to fill: regular ones, and random smooth ones, bent in the plane and out of it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def polygon_border(corners: npt.ArrayLike, counts: tuple[int, ...]) -> FloatArray:
    """A polygon whose sides are split into equal edges, (sum of counts, 3).

    corners : (k, 2) float
    counts : edges of every side
    """
    points = np.asarray(corners, dtype=np.float64)
    along = np.roll(points, -1, axis=0) - points
    flat = np.concatenate([points[i] + along[i] * (np.arange(count) / count)[:, None] for i, count in enumerate(counts)])
    return np.column_stack([flat, np.zeros(len(flat))])


def regular_corners(sides: int) -> FloatArray:
    """Corners of a regular polygon of radius 1, (sides, 2)."""
    angle = 2 * np.pi * np.arange(sides) / sides
    return np.column_stack([np.cos(angle), np.sin(angle)])


def ellipse_border(count: int, aspect: float = 1.0) -> FloatArray:
    """An ellipse of half axes ``aspect`` and 1 at equal arc length, (count, 3)."""
    angle = np.linspace(0, 2 * np.pi, 4096)
    return even_spaced(np.column_stack([aspect * np.cos(angle), np.sin(angle), np.zeros_like(angle)])[:-1], count)


def even_spaced(curve: FloatArray, count: int) -> FloatArray:
    """Points at equal arc length along a dense closed curve, (count, 3)."""
    closed = np.vstack([curve, curve[:1]])
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    wanted = np.arange(count) / count * length[-1]
    return np.column_stack([np.interp(wanted, length, closed[:, axis]) for axis in range(3)])


def random_smooth_border(random: np.random.Generator, count: int) -> FloatArray:
    """A random smooth closed border: a radius with waves up to the fifth, heights with waves up to the fourth, bent by up to 100 degrees.

    The radius dips to 0.3 of its mean at most, so that the flat curve does not cross itself; most of the borders are neither convex nor
    flat.
    """
    angle = np.linspace(0, 2 * np.pi, 2049)[:-1]
    waves = sum(random.normal() / wave * np.cos(wave * angle + random.uniform(0, 2 * np.pi)) for wave in range(2, 6))
    radius = np.maximum(1 + 0.45 * waves * random.uniform(0.2, 1) / max(1e-9, np.abs(waves).max()) * 1.5, 0.3)
    height = sum(random.normal() / wave**1.5 * np.cos(wave * angle + random.uniform(0, 2 * np.pi)) for wave in range(2, 5))
    flat = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), random.uniform(0, 0.5) * height])
    return even_spaced(_bent(flat, random.uniform(0, np.radians(100))), count)


def _bent(points: FloatArray, total: float) -> FloatArray:
    """Wrap the x axis round a cylinder so that two units of length turn by ``total``."""
    if total < 1e-3:
        return points
    radius = 2 / total
    turn = points[:, 0] / radius
    return np.column_stack([(radius + points[:, 2]) * np.sin(turn), points[:, 1], (radius + points[:, 2]) * np.cos(turn) - radius])
