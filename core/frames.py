"""Curves through joint points: arc length, smooth directions, frames that do not twist; and directions all round a point."""

from __future__ import annotations

import numpy as np

from .polymesh import FloatArray


def arc_lengths(points: FloatArray) -> FloatArray:
    """Length along a polyline at each of its points, (n,) float64, starting at 0.

    points : (n, 3) float64
    """
    return np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))))


def sample_polyline(points: FloatArray, lengths: FloatArray) -> FloatArray:
    """Points of a polyline at given lengths, straight on beyond its ends.

    points : (n, 3) float64, n at least 2
    lengths : (m,) float64, arc length from the first point
    Returns (m, 3) float64.
    """
    knots = arc_lengths(points)
    bone = np.clip(np.searchsorted(knots, lengths, side="right") - 1, 0, len(points) - 2)
    step = (lengths - knots[bone]) / (knots[bone + 1] - knots[bone])
    return points[bone] + step[:, None] * (points[bone + 1] - points[bone])


def sampled(values: FloatArray, knots: FloatArray, lengths: FloatArray) -> FloatArray:
    """Vectors known at growing arc lengths told at others, (m, k) float64; the first and the last one beyond the ends.

    values : (n, k) float64, at knots (n,) float64
    lengths : (m,) float64
    """
    return np.column_stack([np.interp(lengths, knots, column) for column in values.T])


def smooth_directions(points: FloatArray, lengths: FloatArray, reach: FloatArray) -> FloatArray:
    """Directions of a polyline averaged over a window, so that a plane at a joint bisects its bend.

    points : (n, 3) float64
    lengths : (m,) float64, arc length of every station
    reach : (m,) float64, half width of the window along the polyline
    Returns (m, 3) float64 unit vectors.
    """
    chord = sample_polyline(points, lengths + reach) - sample_polyline(points, lengths - reach)
    return unit(chord)


def rotation_minimising_frames(points: FloatArray, tangents: FloatArray, first: FloatArray) -> FloatArray:
    """Carry a direction along a curve without twist, by double reflection.

    points : (n, 3) float64 on the curve
    tangents : (n, 3) float64 unit tangents
    first : (3,) float64, direction at the first point; its part along the tangent is dropped
    Returns (n, 3) float64 unit vectors square to the tangents.

    Source: Wang, Jüttler, Zheng, Liu, "Computation of Rotation Minimizing Frames", ACM TOG 27(1), 2008.
    """
    frames = np.empty_like(points)
    frames[0] = unit(square_to(first, tangents[0]))
    for index in range(len(points) - 1):
        frames[index + 1] = _double_reflection(points[index : index + 2], tangents[index : index + 2], frames[index])
    return frames


def _double_reflection(points: FloatArray, tangents: FloatArray, frame: FloatArray) -> FloatArray:
    chord = points[1] - points[0]
    squared = float(chord @ chord)
    if squared > 0:
        frame = frame - (2 * (chord @ frame) / squared) * chord
        tangent = tangents[0] - (2 * (chord @ tangents[0]) / squared) * chord
    else:
        tangent = tangents[0]
    second = tangents[1] - tangent
    squared = float(second @ second)
    if squared > 1e-24:
        frame = frame - (2 * (second @ frame) / squared) * second
    return unit(square_to(frame, tangents[1]))


def square_to(vectors: FloatArray, axes: FloatArray) -> FloatArray:
    """The part of vectors square to unit axes; shapes broadcast over the last axis of 3."""
    along = np.sum(vectors * axes, axis=-1, keepdims=True)
    return np.asarray(vectors - along * axes, dtype=np.float64)


def unit(vectors: FloatArray) -> FloatArray:
    """Vectors scaled to length 1 over the last axis; a zero vector stays zero."""
    lengths = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(lengths > 0, lengths, 1.0), dtype=np.float64)


def any_square_direction(axis: FloatArray) -> FloatArray:
    """A unit vector square to an axis, chosen from the world axis that is least along it, (3,) float64."""
    seed = np.zeros(3)
    seed[int(np.argmin(np.abs(axis)))] = 1.0
    return unit(square_to(seed, axis))


def even_directions(count: int, first_turn: float = 0.0) -> FloatArray:
    """Unit vectors spread evenly over the sphere, from one end of the third axis to the other, (count, 3) float64.

    first_turn : radians round the third axis at which they begin
    Source: the spherical Fibonacci lattice (Swinbank, Purser, "Fibonacci grids: a novel approach to global modelling", 2006; from memory).
    """
    heights = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turns = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0)) + first_turn
    across = np.sqrt(1.0 - heights**2)
    return np.column_stack([across * np.cos(turns), across * np.sin(turns), heights])
