"""Corners of a border: where it turns sharply, seen over a single edge as well as over a longer stretch, so that neither noise nor a wide
round counts; or where the faces outside leave room for a single quad."""

from __future__ import annotations

import numpy as np

from .polymesh import FloatArray, IntArray

CORNER_TURN = np.radians(50.0)
"""Least turn over the longer stretch; a circle turns 22.5 degrees over it (a hexagon's corners turn 60, an octagon's 45)."""
SHARP_TURN = np.radians(45.0)
"""Least turn at the vertex itself: below, one quad there would be wider than 135 degrees."""
LONE_CORNER_TURN = np.radians(75.0)
"""Least turn of a border's only corner: a weaker one pulls the poles into the middle for little."""
INWARD_TURN = np.radians(60.0)
"""Least turn inwards for three quads: at 45 two and three quads fit alike."""
STRETCH = 16
"""The longer stretch is the border's edge count over this, to either side."""


def border_normal(positions: FloatArray, normals: FloatArray | None = None) -> FloatArray:
    """Normal at every border vertex, (n, 3) unit: the given ones, else that of the area vector; zero for a border without area."""
    if normals is not None:
        return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    centred = positions - positions.mean(axis=0)
    area = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    return np.broadcast_to(area / max(float(np.linalg.norm(area)), 1e-12), positions.shape)


def turning_angles(positions: FloatArray, reach: int = 1, normals: FloatArray | None = None) -> FloatArray:
    """Turn between the chords over ``reach`` edges before and after every border vertex, radians; negative where the border bends inwards.

    positions : (n, 3) float64, counter-clockwise seen against the normals
    normals : (n, 3) float64 or None
    Returns (n,) float64 within (-pi, pi].
    """
    before = positions - np.roll(positions, reach, axis=0)
    after = np.roll(positions, -reach, axis=0) - positions
    across = np.cross(before, after)
    sign = np.where(np.einsum("ij,ij->i", across, border_normal(positions, normals)) < 0, -1.0, 1.0)
    return sign * np.arctan2(np.linalg.norm(across, axis=1), np.einsum("ij,ij->i", before, after))


def find_corners(positions: FloatArray, normals: FloatArray | None = None) -> tuple[int, ...]:
    """Border vertices that are corners: convex, sharp, and sharper than their surroundings.

    positions : (n, 3) float64, the border counter-clockwise
    normals : (n, 3) float64 along the border, or None: the border's plane
    Returns ascending indices; empty for a round border.
    """
    count = len(positions)
    reach = max(1, round(count / STRETCH))
    sharp = turning_angles(positions, 1, normals)
    wide = turning_angles(positions, reach, normals)
    strength = np.minimum(sharp, wide)
    found: list[int] = []
    for vertex in np.argsort(-strength, kind="stable"):
        if sharp[vertex] < SHARP_TURN or wide[vertex] < CORNER_TURN:
            continue
        apart = [min((vertex - other) % count, (other - vertex) % count) for other in found]
        if sharp[vertex] >= CORNER_TURN or all(gap > reach // 2 for gap in apart):
            found.append(int(vertex))
    if len(found) == 1 and sharp[found[0]] < LONE_CORNER_TURN:
        return ()
    return tuple(sorted(found))


def find_inward_corners(positions: FloatArray, normals: FloatArray | None = None) -> tuple[int, ...]:
    """Border vertices that turn inwards so sharply that three quads fit there; arguments and order as in find_corners."""
    reach = max(1, round(len(positions) / STRETCH))
    turn = np.maximum(turning_angles(positions, 1, normals), turning_angles(positions, reach, normals))
    return tuple(int(vertex) for vertex in np.flatnonzero(turn <= -INWARD_TURN))


def corners_from_faces(outer_faces: IntArray) -> tuple[int, ...]:
    """Border vertices where three or more faces outside leave room for one quad, so that the vertex ends up regular.

    outer_faces : (n,) int, faces outside the border at every vertex
    """
    return tuple(int(vertex) for vertex in np.flatnonzero(outer_faces >= 3))


def inward_corners_from_faces(outer_faces: IntArray) -> tuple[int, ...]:
    """Border vertices where a single face outside leaves room for three quads; as corners_from_faces."""
    return tuple(int(vertex) for vertex in np.flatnonzero(outer_faces == 1))
