"""Point at a target and find the middle of the limb under the pointer; preview the rings round a chain of joints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import any_square_direction, arc_lengths, even_directions, rotation_minimising_frames, sample_polyline, smooth_directions, unit
from .polymesh import FloatArray
from .section import area_radii, cast_profiles, centroids, even_angles, fill_profiles, skin_points
from .surface import Surface

MOST_LAYERS = 8
"""Surfaces that a view ray may meet before its exit is given up: facing folds and doubled skins."""
SPREAD_RAYS = 96
"""Rays that look for a limb's axis round a point."""
CENTRING_STEPS = 3
"""Moves into the middle of the slice; each one starts from a better axis."""
OPEN_REACH = 3.5
"""A slice that reaches this many of its median radius somewhere has opened into a trunk and has no middle of its own."""
DEPTH_MARGIN = 0.25
"""Shares of a part's depth by which a joint may lie before or behind it and still count as in it."""
STEP_SHARE = 1e-5
"""How far a ray restarts behind a hit, target diagonals."""
DEFAULT_PREVIEW_SIDES = 8
MOST_PREVIEW_RINGS = 96
PREVIEW_REACH = 1.6
"""A preview ring reaches this many girth radii at most: where the slice opens into a trunk it would run on into its neighbours."""


@dataclass(frozen=True)
class ThickPlace:
    """Where a view ray enters a part of the target and where it leaves it.

    entry, exit : (3,) float64
    """

    entry: FloatArray
    exit: FloatArray

    @property
    def middle(self) -> FloatArray:
        """The point half way through, (3,) float64."""
        return np.asarray((self.entry + self.exit) / 2, dtype=np.float64)

    @property
    def depth(self) -> float:
        """How thick the part is along the ray, target units."""
        return float(np.linalg.norm(self.exit - self.entry))

    def holds(self, point: FloatArray) -> bool:
        """Whether a point near the ray lies in this part of the target, neither before nor behind it."""
        through = self.exit - self.entry
        share = float((point - self.entry) @ through) / max(float(through @ through), 1e-300)
        return -DEPTH_MARGIN <= share <= 1 + DEPTH_MARGIN


def pierce(surface: Surface, origin: FloatArray, direction: FloatArray) -> ThickPlace | None:
    """Follow a ray into the first part of the target and out of it again; None where it meets nothing or never leaves.

    surface : its faces may look either way, all alike
    origin, direction : (3,) float64
    """
    along = unit(direction)
    first = surface.cast(origin[None], along[None])
    if not first.hit[0]:
        return None
    entry, side = first.positions[0], np.sign(float(first.normals[0] @ along))
    start = entry
    for _ in range(MOST_LAYERS):
        following = surface.cast((start + STEP_SHARE * surface.diagonal * along)[None], along[None])
        if not following.hit[0]:
            return None
        start = following.positions[0]
        if np.sign(float(following.normals[0] @ along)) != side:
            return ThickPlace(entry, start)
    return None


def limb_axis(surface: Surface, point: FloatArray) -> FloatArray | None:
    """The direction in which the limb round an inner point runs, (3,) float64 unit vector; None where nothing is round it.

    Round a tube every normal is square to its axis: the axis is the direction along which the normals seen from the
    point vary least. Near skin counts most.
    """
    directions = even_directions(SPREAD_RAYS)
    hits = surface.cast(np.repeat(point[None], len(directions), axis=0), directions)
    if np.count_nonzero(hits.hit) < SPREAD_RAYS // 3:
        return None
    normals, distances = hits.normals[hits.hit], hits.distances[hits.hit]
    weights = (np.median(distances) / np.maximum(distances, 1e-300)) ** 2
    spread = (normals * np.minimum(weights, 4.0)[:, None]).T @ normals
    return np.asarray(np.linalg.eigh(spread)[1][:, 0], dtype=np.float64)


def limb_middle(surface: Surface, point: FloatArray) -> FloatArray:
    """The middle of the slice across the limb round an inner point, (3,) float64.

    surface : normals point outward
    The point itself comes back where the slice is open, as it is in a palm.
    """
    centre = point
    for _ in range(CENTRING_STEPS):
        axis = limb_axis(surface, centre)
        if axis is None:
            return point
        moved = slice_middle(surface, centre, axis)
        if moved is None:
            return point
        centre = moved
    return centre


def slice_middle(surface: Surface, point: FloatArray, axis: FloatArray) -> FloatArray | None:
    """The centroid of the slice through a point square to an axis, (3,) float64; None where the slice is open.

    surface : normals point outward
    """
    frame = any_square_direction(axis)
    profile = cast_profiles(surface, point[None], axis[None], frame[None], even_angles(1))
    if not np.isfinite(profile).all() or profile.max() > OPEN_REACH * np.median(profile):
        return None
    return np.asarray(centroids(point[None], axis[None], frame[None], profile)[0], dtype=np.float64)


def preview_rings(surface: Surface, joints: FloatArray, sides: int | None, spans: int | None) -> FloatArray:
    """Rings round the target's own cross-section along a chain of joints, (m, sides, 3) float64.

    surface : normals point outward
    joints : (k, 3) float64, k at least 2
    sides, spans : None previews eight sides, and rows as long as a side
    Quick and rough: the build measures the limb anew.
    """
    count = sides or DEFAULT_PREVIEW_SIDES
    knots = arc_lengths(joints)
    if knots[-1] <= 0:
        return np.zeros((0, count, 3))
    girth = _girth_radius(surface, joints)
    rows = [spans or max(1, round(float(bone) / max(2 * np.pi * girth / count, 1e-300))) for bone in np.diff(knots)]
    scale = min(1.0, MOST_PREVIEW_RINGS / (sum(rows) + 1))
    rows = [max(1, int(row * scale)) for row in rows]
    pieces = [np.linspace(start, end, row, endpoint=False) for start, end, row in zip(knots[:-1], knots[1:], rows, strict=True)]
    stations = np.concatenate([*pieces, knots[-1:]])
    centres = sample_polyline(joints, stations)
    tangents = smooth_directions(joints, stations, np.full(len(stations), min(1.5 * girth, 0.45 * float(knots[-1]))))
    frames = rotation_minimising_frames(centres, tangents, any_square_direction(tangents[0]))
    profiles = fill_profiles(cast_profiles(surface, centres, tangents, frames, even_angles(len(stations), count)))
    profiles = np.where(np.isfinite(profiles), np.minimum(profiles, PREVIEW_REACH * girth), girth)
    return skin_points(centres, tangents, frames, profiles)


def _girth_radius(surface: Surface, joints: FloatArray) -> float:
    """Median area radius at the middles of the bones, target units."""
    middles, tangents = (joints[:-1] + joints[1:]) / 2, unit(np.diff(joints, axis=0))
    frames = np.array([any_square_direction(tangent) for tangent in tangents])
    profiles = cast_profiles(surface, middles, tangents, frames, even_angles(len(middles)))
    whole = np.isfinite(profiles).all(axis=1)
    return float(np.median(area_radii(profiles[whole]))) if whole.any() else 0.02 * surface.diagonal
