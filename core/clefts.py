"""Limbs that leave a trunk side by side: which flesh belongs to which, and how deep the clefts between them reach.

Digits that are grown together have one slice; it is shared out where their round bodies would be equally near. The cleft
of a gap ends where the straight way from one limb's middle to the other's no longer leaves the flesh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import arc_lengths, sample_polyline, sampled, square_to, unit
from .polymesh import BoolArray, FloatArray
from .section import Tube
from .surface import Surface

PLACES = 13
"""Places along a limb's joints at which its neighbours know its thickness."""
SIDE_BY_SIDE = 0.7
"""Limbs whose directions have at least this cosine run side by side, as digits do. Such as part more widely have their neighbour's line
behind them: there the way over lies square to the limb itself and ends at the border between both bodies."""
FARTHEST = 4.0
"""The border to a neighbour is looked for so many times as far as its line: two limbs that part by less than 150 degrees have it nearer."""
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
    """Whether the straight way from points inside a limb over to its neighbour stays inside the flesh, (n,) bool.

    points, tangents : (n, 3) float64 on the limb's own line
    """
    near = nearest_on(points, tube)
    apart = np.linalg.norm(near.points - points, axis=1)
    ways, reaches = _over_to_line(points, tangents, near)
    parting = np.flatnonzero(np.einsum("ij,ij->i", tangents, near.directions) < SIDE_BY_SIDE)
    toward = square_to((near.points - points + apart[:, None] * near.directions)[parting], tangents[parting])
    ways[parting] = unit(toward)
    reaches[parting] = _border(points[parting], ways[parting][:, None], surface.closest(points[parting]).distances,
                               FARTHEST * apart[parting, None], tube)[:, 0]
    meeting = (reaches <= 0.0) | ~ways.any(axis=1)  # two limbs that begin at one joint
    hits = surface.cast(points, np.where(meeting[:, None], tangents, ways))
    return np.asarray(meeting | (np.isfinite(reaches) & (~hits.hit | (hits.distances >= reaches))), dtype=np.bool_)


def _over_to_line(points: FloatArray, tangents: FloatArray, near: Nearest) -> tuple[FloatArray, FloatArray]:
    """Ways over to a neighbour's line, square to the middle of both limbs' directions, as unit vectors (n, 3), and their lengths (n,):
    of limbs that run side by side."""
    up = unit(tangents + near.directions)
    rise = np.einsum("ij,ij->i", points - near.points, up) / np.maximum(np.einsum("ij,ij->i", near.directions, up), SIDE_BY_SIDE)
    over = near.points + rise[:, None] * near.directions - points
    lengths = np.linalg.norm(over, axis=1)
    return over / np.maximum(lengths, 1e-300)[:, None], lengths


def _border(points: FloatArray, ways: FloatArray, own: FloatArray, farthest: FloatArray, tube: Tube) -> FloatArray:
    """How far along ways the neighbour's round body comes as near as the limb's own, (n, k) float64; infinite where it is farther off.

    points : (n, 3) float64; ways : (n, k, 3) float64 unit vectors
    own : (n,) float64, the limb's thickness at the points
    farthest : (n, k) float64, how far it is looked for
    """
    def past(reach: FloatArray) -> BoolArray:
        reached = (points[:, None] + reach[..., None] * ways).reshape(-1, 3)
        near = nearest_on(reached, tube)
        clearance = (np.linalg.norm(reached - near.points, axis=1) - near.radii).reshape(reach.shape)
        return np.asarray(reach - own[:, None] > clearance, dtype=np.bool_)

    low, high = np.zeros_like(farthest), farthest
    known = past(high)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        beyond = past(middle)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.where(known, high, np.inf)


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
    border = _border(centres[rows], directions[rows], own[rows], np.minimum(profiles[rows], farthest[rows, None]), tube)
    shared = profiles.copy()
    shared[rows] = np.minimum(border, profiles[rows])
    return shared
