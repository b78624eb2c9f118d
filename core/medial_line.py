"""The middle line of a limb inside a target, found from a place at its tip.

From a place on the skin the largest ball that touches it there leads to the middle. From the tip's ball the line is
marched slice by slice: half a girth radius along the limb, then into the middle of the slice across it. It ends where the
slice opens into a trunk, or at a place that the limb is known to begin at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import any_square_direction, arc_lengths, even_directions, sample_polyline, unit
from .measure import OPENING, REACH
from .polymesh import FloatArray
from .section import area_radii, cast_profiles, centroids, even_angles
from .surface import Surface

BALL_STEPS = 24
"""Shrinkings of a ball (measured: under ten are needed)."""
TOUCHES = 0.01
"""A ball that reaches less than this share of its radius through the skin touches it."""
SAME_SIDE = 0.5
"""A ball is shrunk no more by skin seen from its middle under less than 60 degrees from where it touches: that is noise."""
WAY_RAYS = 128
"""Rays that look from a limb's tip for the way along it."""
FARTHEST = 4.0
"""Median distances beyond which skin seen along the limb counts no more."""
STEP = 0.5
"""Girth radii from slice to slice."""
MOST_STEPS = 600
SHARPEST_TURN = 0.4
"""Least cosine between two steps; a sharper turn has left the limb (a finger bends by up to 110 degrees over several steps)."""
BEND_TILTS = np.radians([30.0, 40.0, 55.0])
"""How far the way is turned in search of a limb behind a sharp bend."""
BEND_TURNS = 16
BEND_GIRTH = 1.0
BEND_REACH = 1.3
"""Girth of a slice behind a bend over that before it, and its longest reach over its own girth radius, at most (measured: 0.91 to 0.96
and 1.03 to 1.15 at bent knuckles; slices through a palm's corner 1.03 or more)."""
DOME_LENGTH = 1.2
"""Girth radii behind a tip's middle within which slices say nothing of the limb's girth."""
TAPER_LENGTH = 4.0
"""Girth radii behind a tip's middle within which a limb still tapers: a slice is held against the last one alone."""
COMPARED = 6
"""Slices whose median girth tells whether the next one has opened."""
VEERED = 1
"""Slices before the one that opens whose middle is drawn aside by the trunk already."""
SAMPLES = 60
"""Places along a line at which a joint may lie."""
PROPORTION_WEIGHT = 1.0
"""Worth of a bone's usual share of the length against its distance from the line in girth radii, both squared."""


@dataclass(frozen=True)
class MedialLine:
    """The middle of a limb from its tip on.

    points : (n, 3) float64
    radii : (n,) float64, area radius of the slice, target units
    opened : whether the slice opened into a trunk behind the last point
    """

    points: FloatArray
    radii: FloatArray
    opened: bool


def ball_middle(surface: Surface, place: FloatArray) -> FloatArray:
    """The middle of the largest ball inside the target that touches it at the place nearest to a point, (3,) float64.

    surface : normals point outward
    Source of the shrinking: Ma, Bae, Choi, "3D medial axis point approximation using nearest neighbors and the normal
    field", The Visual Computer 28, 2012.
    """
    found = surface.closest(place[None])
    skin, normal = found.positions[0], unit(found.normals[0])
    across = surface.cast((skin - 1e-5 * surface.diagonal * normal)[None], -normal[None])
    radius = 0.5 * float(across.distances[0]) if across.hit[0] else 0.25 * surface.diagonal
    for _ in range(BALL_STEPS):
        middle = skin - radius * normal
        nearest = surface.closest(middle[None])
        if float(nearest.distances[0]) >= (1 - TOUCHES) * radius:
            break
        gap = skin - nearest.positions[0]
        depth = float(gap @ normal)
        if 1 - depth / radius > SAME_SIDE:
            break
        radius = float(gap @ gap) / (2 * depth) if depth > 0 else 0.5 * radius
    return np.asarray(skin - radius * normal, dtype=np.float64)


def march_from_tip(surface: Surface, tip: FloatArray, goal: FloatArray, *, stops_at_trunk: bool) -> MedialLine:
    """March from the middle of a limb's tip along the limb.

    surface : normals point outward
    tip : (3,) float64, middle of the tip's dome
    goal : (3,) float64, where the limb begins or what it grows from
    stops_at_trunk : whether a slice that is much thicker than those before ends the line; otherwise only an open one does
    Returns a line of one point where nothing lies round the tip.
    """
    way = _way_from_tip(surface, tip)
    if way is None:
        return MedialLine(tip[None], np.zeros(1), False)
    points, radii, marched = [tip], [float(surface.closest(tip[None]).distances[0])], 0.0
    for _ in range(MOST_STEPS):
        if _arrived(points[-1], goal, way, radii[-1]) and not stops_at_trunk:
            return MedialLine(np.array(points), np.array(radii), False)
        middle, radius, reach = limb_slice(surface, points[-1] + STEP * radii[-1] * way, way)
        usual = float(np.median(radii[-COMPARED:])) if marched > TAPER_LENGTH * radii[-1] else radii[-1]
        thick = stops_at_trunk and marched > DOME_LENGTH * radii[-1] and radius > OPENING * usual
        if not np.isfinite(radius) or thick or reach > REACH * radius:
            turned = _round_the_bend(surface, points, radii[-1], way, usual) if stops_at_trunk else None
            if turned is not None:
                middle, radius, way = turned
                marched += float(np.linalg.norm(middle - points[-1]))
                points.append(middle)
                radii.append(radius)
                continue
            free = max(len(points) - VEERED, 2) if stops_at_trunk else len(points)
            return MedialLine(np.array(points[:free]), np.array(radii[:free]), True)
        step = unit(middle - points[-1])
        if float(step @ way) < SHARPEST_TURN or (stops_at_trunk and _arrived(middle, goal, way, radius)):
            return MedialLine(np.array(points), np.array(radii), True)
        marched += float(np.linalg.norm(middle - points[-1]))
        points.append(middle)
        radii.append(radius)
        way = unit(way + 2 * step)
    return MedialLine(np.array(points), np.array(radii), True)


def _round_the_bend(surface: Surface, points: list[FloatArray], radius: float, way: FloatArray,
                    usual: float) -> tuple[FloatArray, float, FloatArray] | None:
    """The next middle of a limb that turns sharply, its girth radius and the way on; None where nothing as thin goes on.

    At a bent knuckle the slice across the way so far runs along the bone behind it; across that bone it is as thin as before.
    """
    across = any_square_direction(way)
    beside = np.cross(way, across)
    best: tuple[FloatArray, float, FloatArray] | None = None
    for tilt in BEND_TILTS:
        for turn in np.arange(BEND_TURNS) * (2 * np.pi / BEND_TURNS):
            other = np.cos(tilt) * way + np.sin(tilt) * (np.cos(turn) * across + np.sin(turn) * beside)
            middle, found, reach = limb_slice(surface, points[-1] + STEP * radius * other, other)
            thin = found <= BEND_GIRTH * min(radius, usual) and reach <= BEND_REACH * found
            if thin and unit(middle - points[-1]) @ other > SHARPEST_TURN and (best is None or found < best[1]):
                best = middle, found, other
    return best


def _way_from_tip(surface: Surface, tip: FloatArray) -> FloatArray | None:
    """The limb's direction away from its end: where the skin lies far; None where nothing is round the tip."""
    directions = even_directions(WAY_RAYS)
    hits = surface.cast(np.repeat(tip[None], WAY_RAYS, axis=0), directions)
    leaving = hits.hit & (np.einsum("ij,ij->i", hits.normals, directions) > 0)
    if np.count_nonzero(leaving) < WAY_RAYS // 2:
        return None
    reach = np.minimum(hits.distances[leaving], FARTHEST * np.median(hits.distances[leaving]))
    return unit(np.sum(reach[:, None] ** 3 * directions[leaving], axis=0))


def limb_slice(surface: Surface, point: FloatArray, axis: FloatArray) -> tuple[FloatArray, float, float]:
    """Centroid of the slice through a point, its area radius (infinite where it is open) and its longest reach.

    surface : normals point outward
    point, axis : (3,) float64, the axis square to the slice
    """
    frame = any_square_direction(axis)
    profile = cast_profiles(surface, point[None], axis[None], frame[None], even_angles(1))
    if not np.isfinite(profile).all():
        return point, np.inf, np.inf
    return centroids(point[None], axis[None], frame[None], profile)[0], float(area_radii(profile)[0]), float(profile.max())


def _arrived(point: FloatArray, goal: FloatArray, way: FloatArray, radius: float) -> bool:
    """Whether the goal lies within a radius, or beside the line and behind it."""
    rest = goal - point
    distance = float(np.linalg.norm(rest))
    return distance <= radius or (float(rest @ way) <= 0 and distance <= 3 * radius)


def joints_along(line: FloatArray, shares: FloatArray, radius: float) -> FloatArray:
    """Joints of a chain of straight bones along a line: where it bends, otherwise in the usual proportions.

    line : (n, 3) float64, from the root to the tip
    shares : (b,) float64, usual share of every bone in the length
    radius : girth radius, target units; what a bone may stray from the line is counted in it
    Returns (b + 1, 3) float64; the ends of the line are the first and the last joint. The best placing of all, by dynamic
    programming over places on the line (Bellman 1957).
    """
    bones = len(shares)
    length = float(arc_lengths(line)[-1])
    samples = sample_polyline(line, np.linspace(0.0, length, SAMPLES))
    stray = _strays(samples) / max(radius, 1e-300) ** 2
    part = (np.arange(SAMPLES)[None, :] - np.arange(SAMPLES)[:, None]) / (SAMPLES - 1)
    cost, came = np.where(np.arange(SAMPLES) == 0, 0.0, np.inf), []
    for share in shares / shares.sum():
        whole = cost[:, None] + np.where(part > 0, stray * np.maximum(part, 0) + PROPORTION_WEIGHT * (part - share) ** 2, np.inf)
        came.append(whole.argmin(axis=0))
        cost = whole.min(axis=0)
    places = [SAMPLES - 1]
    for bone in range(bones - 1, -1, -1):
        places.append(int(came[bone][places[-1]]))
    return samples[places[::-1]]


def _strays(samples: FloatArray) -> FloatArray:
    """Mean squared distance of the samples between every two from the straight line between these, (m, m) float64."""
    count = len(samples)
    strays = np.zeros((count, count))
    for start in range(count - 2):
        for end in range(start + 2, count):
            bone = unit(samples[end] - samples[start])
            off = samples[start + 1 : end] - samples[start]
            strays[start, end] = float(np.mean(np.sum(off * off, axis=1) - (off @ bone) ** 2))
    return strays
