"""Limbs that leave a trunk side by side: which flesh belongs to which, and how deep the clefts between them reach.

Digits that are grown together have one slice; it is shared out where their round bodies would be equally near. The cleft
of a gap ends where the straight way from one limb's middle to the other's no longer leaves the flesh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import arc_lengths, sample_polyline, sampled, unit
from .polymesh import BoolArray, FloatArray
from .section import Tube
from .surface import Surface

PLACES = 13
"""Places along a limb's joints at which its neighbours know its thickness."""
LEAST_RISE = 0.3
"""Least cosine between a limb and the middle of its own and its neighbour's direction by which the way over is told."""
ZOOMS = 4
ZOOM_PLACES = 17
"""A cleft's end is looked for at so many places between two, so many times, the line itself counted: to a thousandth of its steps."""
HALVINGS = 16
"""Halvings of a ray until the border between two limbs is found: to a hundred-thousandth of the ray."""


def joint_tube(joints: FloatArray, surface: Surface) -> Tube:
    """A limb as its neighbours see it before it is measured: its joints' line and the largest balls inside the skin."""
    points = sample_polyline(joints, np.linspace(0.0, float(arc_lengths(joints)[-1]), PLACES))
    return Tube(points, surface.closest(points).distances)


@dataclass(frozen=True)
class Nearest:
    """The nearest places on a limb's line: points (n, 3), directions (n, 3) float64 unit vectors, radii (n,) float64."""

    points: FloatArray
    directions: FloatArray
    radii: FloatArray


def nearest_on(points: FloatArray, tube: Tube) -> Nearest:
    """The nearest places on a limb's line to (n, 3) points."""
    start, step = tube.points[:-1], np.diff(tube.points, axis=0)
    along = np.clip(np.einsum("nsi,si->ns", points[:, None] - start, step) / np.maximum(np.sum(step * step, axis=1), 1e-300), 0.0, 1.0)
    nearest = start + along[..., None] * step
    rows, segment = np.arange(len(points)), np.argmin(np.linalg.norm(points[:, None] - nearest, axis=2), axis=1)
    share = along[rows, segment]
    radii = (1.0 - share) * tube.radii[segment] + share * tube.radii[segment + 1]
    return Nearest(nearest[rows, segment], unit(step[segment]), radii)


def grown_together(points: FloatArray, tangents: FloatArray, tube: Tube, surface: Surface) -> BoolArray:
    """Whether the straight way from points inside a limb over to its neighbour's line stays inside the flesh, (n,) bool.

    points, tangents : (n, 3) float64 on the limb's own line; the way over lies square to the middle of both limbs' directions
    """
    near = nearest_on(points, tube)
    up = unit(tangents + near.directions)
    rise = np.einsum("ij,ij->i", points - near.points, up) / np.maximum(np.einsum("ij,ij->i", near.directions, up), LEAST_RISE)
    way = near.points + rise[:, None] * near.directions - points
    distance = np.linalg.norm(way, axis=1)
    meeting = (distance == 0.0)[:, None]  # two limbs that begin at one joint: any direction will do
    hits = surface.cast(points, np.where(meeting, up, way) / np.where(meeting, 1.0, np.maximum(distance, 1e-300)[:, None]))
    return np.asarray(~hits.hit | (hits.distances >= distance), dtype=np.bool_)


def cleft_length(line: FloatArray, lengths: FloatArray, tube: Tube, surface: Surface) -> float:
    """Where along a line of (m, 3) points, from root to tip, it last is grown together with a neighbour; its begin where nowhere.

    lengths : (m,) float64, growing; between two of them the place is looked for ever closer
    """
    points, places = line, lengths
    for _ in range(ZOOMS):
        together = np.flatnonzero(grown_together(points, unit(np.gradient(points, axis=0)), tube, surface))
        if not len(together) or together[-1] == len(places) - 1:
            return float(places[-1] if len(together) else places[0])
        places = np.linspace(places[together[-1]], places[together[-1] + 1], ZOOM_PLACES)
        points = sampled(line, lengths, places)
    return float(places[0])


def shared_out(profiles: FloatArray, centres: FloatArray, tangents: FloatArray, directions: FloatArray, tube: Tube,
               surface: Surface) -> FloatArray:
    """Profiles that end at the border to a neighbour where the two are grown together, (m, k) float64.

    profiles : (m, k) float64, infinite where nothing is known
    centres, tangents : (m, 3) float64; directions : (m, k, 3) float64 unit vectors, of the rays
    """
    own = surface.closest(centres).distances
    rows = np.flatnonzero(grown_together(centres, tangents, tube, surface))
    farthest = 2.0 * np.linalg.norm(nearest_on(centres, tube).points - centres, axis=1)
    low, high = np.zeros_like(profiles[rows]), np.minimum(profiles[rows], farthest[rows, None])

    def past(reach: FloatArray) -> BoolArray:
        points = centres[rows, None] + reach[..., None] * directions[rows]
        near = nearest_on(points.reshape(-1, 3), tube)
        clearance = (np.linalg.norm(points.reshape(-1, 3) - near.points, axis=1) - near.radii).reshape(reach.shape)
        return np.asarray(reach - own[rows, None] > clearance, dtype=np.bool_)

    cut = past(high)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        beyond = past(middle)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    shared = profiles.copy()
    shared[rows] = np.where(cut, high, profiles[rows])
    return shared
