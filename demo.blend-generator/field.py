"""Signed distance of flesh: smooth union of tapered capsules, negative inside.

Blend: the quadratic polynomial smooth minimum (common practice in distance-field modelling).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from .creature import Bone, Flesh

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]

CHUNK = 65536
"""Points handled at a time, so that the temporaries stay in the processor's cache."""
FAR = 1e3
"""Metres; farther than any flesh, and near enough for float32."""


def field_values(points: npt.NDArray[np.floating[Any]], fleshes: Sequence[Flesh]) -> SingleArray:
    """Signed distance of (n, 3) points in metres to the skin, (n,) float32; negative inside."""
    values = np.empty(len(points), dtype=np.float32)
    for start in range(0, len(points), CHUNK):
        chunk = np.ascontiguousarray(points[start : start + CHUNK].T, dtype=np.float32)
        values[start : start + CHUNK] = _melted(chunk, fleshes)
    return values


def girth(points: npt.NDArray[np.floating[Any]], fleshes: Sequence[Flesh]) -> SingleArray:
    """Radius of the bone whose skin is nearest to each of (n, 3) points, (n,) float32, metres."""
    bones = [bone for flesh in fleshes if flesh.name != "tendons" for bone in flesh.bones]
    columns = np.ascontiguousarray(points.T, dtype=np.float32)
    nearest = np.full(len(points), np.inf, dtype=np.float32)
    radius = np.zeros(len(points), dtype=np.float32)
    for bone in bones:
        to_axis, local = _to_axis(columns, bone)
        closer = to_axis - local < nearest
        nearest = np.where(closer, to_axis - local, nearest)
        radius = np.where(closer, local, radius)
    return radius


def _melted(columns: SingleArray, fleshes: Sequence[Flesh]) -> SingleArray:
    total = np.full(columns.shape[1], FAR, dtype=np.float32)
    for flesh in fleshes:
        part = np.full(columns.shape[1], FAR, dtype=np.float32)
        for bone in flesh.bones:
            to_axis, radius = _to_axis(columns, bone)
            part = _smooth_minimum(part, to_axis - radius, flesh.melt)
        total = _smooth_minimum(total, part, flesh.join)
    return total


def _to_axis(columns: SingleArray, bone: Bone) -> tuple[SingleArray, SingleArray]:
    """Distance of (3, n) points to a bone's segment and the bone's radius there, both (n,) float32."""
    start, axis = bone.start.astype(np.float32), (bone.end - bone.start).astype(np.float32)
    offset = columns - start[:, None]
    along = np.clip(axis @ offset / np.dot(axis, axis), 0.0, 1.0).astype(np.float32)
    offset -= axis[:, None] * along
    distance = np.sqrt(np.einsum("ij,ij->j", offset, offset))
    return distance, _radius_along(along, bone.radii)


def _radius_along(along: SingleArray, radii: tuple[float, ...]) -> SingleArray:
    """Radius at fractions along a bone: a smooth curve through evenly spaced radii (Catmull and Rom 1974)."""
    knots = np.asarray(radii, dtype=np.float32)
    knots = np.concatenate([[2 * knots[0] - knots[1]], knots, [2 * knots[-1] - knots[-2]]]).astype(np.float32)
    place = along * np.float32(len(radii) - 1)
    span = np.minimum(place.astype(np.int32), len(radii) - 2)
    t = place - span
    before, left, right, after = knots[span], knots[span + 1], knots[span + 2], knots[span + 3]
    curve = (2 * left + (right - before) * t + (2 * before - 5 * left + 4 * right - after) * t * t
             + (3 * left - 3 * right + after - before) * t * t * t)
    return np.asarray(curve * np.float32(0.5), dtype=np.float32)


def _smooth_minimum(first: SingleArray, second: SingleArray, width: float) -> SingleArray:
    overlap = np.maximum(np.float32(width) - np.abs(first - second), 0.0)
    return np.asarray(np.minimum(first, second) - overlap * overlap * np.float32(0.25 / width), dtype=np.float32)
