"""Measure every limb in its target: where it begins, its centre line, its girth and its tip.

Joints from a rig or a click often start inside the trunk and lie off-centre. The target is sliced
across the limb; as long as the slice is a closed curve of the limb's own girth it is the limb,
where it opens into the trunk the limb ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .clefts import cleft_length, nearest_on, shared_out
from .errors import PlanError
from .frames import any_square_direction, arc_lengths, rotation_minimising_frames, sample_polyline, smooth_directions, square_to, unit
from .joined import ENDS_FREE, Continuation
from .plan import Limb
from .polymesh import BoolArray, FloatArray
from .section import Tube, area_radii, cast_profiles, centroids, directions_at, even_angles, fill_profiles, girths, skin_points
from .surface import Surface

CURVATURE_REACH = 2
"""Slices to either side by which the skin's curvature is told."""
STATIONS = 48
"""Slices along a limb: a finger of five girth radii is sliced every tenth of a radius."""
FEWEST_SLICES = 3
"""A limb of fewer slices has no line."""
OPENING = 1.3
"""A slice whose area radius is this much larger than the limb's has opened into the trunk (measured on
a human arm: along a digit it varies by under 10 % a step, then jumps by 1.4 to 2.4 times)."""
REACH = 3.0
"""A slice that reaches this many area radii in some direction has opened into the trunk."""
ROOT_REACH = 2.0
"""The first slice of a branch may reach this many of its area radii: its first ring lies there."""
NEAR_ROOT = 0.5
"""A joint so few radii past a branch's first ring lies inside the trunk for all that rows can do."""
ROOT_STATIONS = slice(4, 12)
"""Stations near the root, clear of the trunk, that tell a branch's girth there."""

CLEFT_STATIONS = 4 * STATIONS
"""Places along a branch's line at which it is asked whether it is grown together with its neighbour."""
CLEFT_LIFT = 0.1
"""A first ring lies this many radii above its clefts."""
NEAR_CLEFT = 0.8
"""A plain first ring meets its clefts where they lie at most this many radii above or below it."""
DEEPEST_CLEFT = 3.0
"""So many radii below a first ring its clefts are looked for."""
WEB_RISE = 0.6
"""A web reaches down into a cleft that lies so many radii below its branch's first ring; for deeper ones the ring leans."""
STEEPEST_ROOT = 2.0
"""Steepest slope of a first ring between two clefts of unequal depth."""
DOME = 0.8
"""Share of its radius that a tip's dome is deep at least; slices nearer the end say nothing of the limb's girth."""
BEND_REACH = 1.5
"""Ring planes turn over this many radii to each side of a joint, so that they do not cross inside a bend of 75 degrees."""
LEAST_UP = 0.02
"""Least sine of the angle between a limb and its up direction: nearer than a degree it says nothing."""
CAP_REACH = 1.45
FLAT_CAP_REACH = 1.34
LEAST_SIDES_WITH_INNER = 8
"""A tip's last ring lies this many half sides of its cap's square from the apex, about 50 degrees down a round dome;
nearer, about 35 degrees, where its ring has too few sides for a vertex at the apex."""


@dataclass(frozen=True)
class Measure:
    """A limb as the target has it.

    lengths : (m,) float64, arc length of every station from the limb's first ring, target units
    centres, tangents, frames : (m, 3) float64, centre line, its direction and the angle-zero direction
    profiles : (m, k) float64, polar sections at the stations
    radii : (m,) float64, area radius
    girths : (m,) float64, length round the section
    joints : (j,) float64, arc length of the plan's joints from the first ring on; the first is always 0 (the first ring itself)
    skin_lengths : (m,) float64, length along the skin from the first ring on, along the outer side of bends
    skin_curvatures : (m,) float64, mean curvature of the skin along the limb
    last_ring : arc length at which the last ring lies: the end of the line, or short of a closed tip by half a cap
    first_bone : index of the plan's bone in which the first ring lies
    lean : (3,) float64, square to the first tangent: how much farther along the limb the first ring's plane lies, a unit of way
        across; it meets the clefts to both sides
    """

    lengths: FloatArray
    centres: FloatArray
    tangents: FloatArray
    frames: FloatArray
    profiles: FloatArray
    radii: FloatArray
    girths: FloatArray
    joints: FloatArray
    skin_lengths: FloatArray
    skin_curvatures: FloatArray
    last_ring: float
    first_bone: int
    lean: FloatArray

    @property
    def bone_ends(self) -> FloatArray:
        """Arc lengths at which the bones from the first ring on begin and end, (b + 1,) float64; the last one of a closed limb ends at its
        last ring."""
        return np.append(self.joints[:-1], self.last_ring)

    def tube(self) -> Tube:
        """The limb as an obstacle for other limbs."""
        sparse = np.unique(np.append(np.arange(0, len(self.lengths), 4), len(self.lengths) - 1))
        return Tube(self.centres[sparse], self.radii[sparse])


def measure_limb(limb: Limb, surface: Surface, *, leaves_trunk: bool, open_root: bool, continuation: Continuation = ENDS_FREE,
                 end: FloatArray | None = None, up: FloatArray | None = None, obstacles: Sequence[Tube] = (),
                 beside: Sequence[Tube] = ()) -> Measure:
    """Measure one limb.

    limb : its joints run from the root to the tip
    surface : normals point outward
    leaves_trunk : whether the root end is a branch of a fork or a socket, to be looked for
    open_root : whether the root end stays open, so that its first ring stays on the plan's end plane
    continuation : how the line goes on past the limb's ends
    end : (3,) float64, where the limb runs to beyond its last joint (a trunk that ends in a fork)
    up : (3,) float64, the direction that angle zero looks in; chosen where None
    obstacles : limbs that leave this one, whose skin is not its own
    beside : the next limbs to both sides in the fork that this one belongs to: its first ring meets the clefts between
    Raises PlanError where no slice through the joint line meets the target, or where up looks along the limb.
    """
    task = _Task(limb, surface, continuation, up, obstacles, ())
    measure = _measured(task, end, leaves_trunk=leaves_trunk, open_root=open_root)
    if not beside or _meets_clefts(measure, beside, surface):
        return measure
    return _measured(replace(task, beside=beside), end, leaves_trunk=leaves_trunk, open_root=open_root)


def _meets_clefts(measure: Measure, beside: Sequence[Tube], surface: Surface) -> bool:
    """Whether the first ring lies so near the clefts to both sides that webs reach them."""
    radius = float(np.median(measure.radii[ROOT_STATIONS]))
    lengths = np.linspace(-DEEPEST_CLEFT * radius, 0.5 * float(measure.lengths[-1]), CLEFT_STATIONS)
    line = sample_polyline(measure.centres, np.maximum(lengths, 0.0)) + np.minimum(lengths, 0.0)[:, None] * measure.tangents[0]
    return all(abs(cleft_length(line, lengths, tube, surface)) <= NEAR_CLEFT * radius for tube in beside)


def _measured(task: _Task, end: FloatArray | None, *, leaves_trunk: bool, open_root: bool) -> Measure:
    """Slice a limb along its joints, find where it begins, and slice once more along its middle."""
    limb, surface = task.limb, task.surface
    points = limb.joints if end is None else _extended(limb.joints, end)
    reach = _tip_reach(points, surface) if limb.tip == "closed" else 0.0
    total = float(arc_lengths(points)[-1]) + reach
    stations = np.linspace(0.0, total * (0.985 if reach else 1.0), STATIONS)
    rough = _slices(task, points, stations, np.full(STATIONS, 0.1 * total))
    known = np.isfinite(rough.profiles).mean(axis=1) > 0.7
    if not known.any():
        raise PlanError(f'[[limb]] "{limb.name}": no slice across its joints meets the target all round; '
                        f"move the joints inside the target{' or give it a larger radius' if limb.radius is not None else ''}.")
    rough = replace(rough, profiles=fill_profiles(rough.profiles))
    radii = area_radii(rough.profiles)
    first = _first_branch_station(task, rough, stations, known, radii) if leaves_trunk else int(np.flatnonzero(known)[0])
    if first > STATIONS - FEWEST_SLICES:
        raise PlanError(f'[[limb]] "{limb.name}": nothing of it stands free of what it grows from; leave it out, or move its joints into '
                        "what is to be a limb.")
    measure = _refined(task, stations[first:], rough.since(first), open_root=open_root, closed=bool(reach))
    while leaves_trunk and not task.beside and first < STATIONS // 2 and _opens_at_root(measure):
        first += 1
        measure = _refined(task, stations[first:], rough.since(first), open_root=open_root, closed=bool(reach))
    return measure


def _opens_at_root(measure: Measure) -> bool:
    """Whether the first slice, square to the centred line and not to the joints, still reaches into the trunk."""
    girth_radius = float(np.median(measure.radii[ROOT_STATIONS]))
    return bool(measure.radii[0] > OPENING * girth_radius or measure.profiles[0].max() > ROOT_REACH * girth_radius)


@dataclass(frozen=True)
class _Task:
    """What stays the same while one limb is measured."""

    limb: Limb
    surface: Surface
    continuation: Continuation
    up: FloatArray | None
    obstacles: Sequence[Tube]
    beside: Sequence[Tube]


@dataclass(frozen=True)
class _Slices:
    centres: FloatArray
    tangents: FloatArray
    frames: FloatArray
    profiles: FloatArray

    def since(self, first: int) -> _Slices:
        return _Slices(self.centres[first:], self.tangents[first:], self.frames[first:], self.profiles[first:])


def _slices(task: _Task, points: FloatArray, stations: FloatArray, reach: FloatArray) -> _Slices:
    return _slices_across(task, sample_polyline(points, stations), _directions(points, stations, reach, task.continuation))


def _slices_across(task: _Task, centres: FloatArray, tangents: FloatArray) -> _Slices:
    frames = rotation_minimising_frames(centres, tangents, _first_up(task, tangents[0]))
    profiles = cast_profiles(task.surface, centres, tangents, frames, even_angles(len(centres)), task.obstacles)
    directions = directions_at(tangents, frames, even_angles(len(centres)))
    for tube in task.beside:
        profiles = shared_out(profiles, centres, tangents, directions, tube, task.surface)
    if task.limb.radius is not None:
        profiles = np.where(profiles <= task.limb.radius, profiles, np.inf)
    return _Slices(centres, tangents, frames, profiles)


def _first_up(task: _Task, tangent: FloatArray) -> FloatArray:
    """Where angle zero looks at the first slice; a direction that the plan did not ask for gives way where it cannot serve."""
    if task.up is None:
        return any_square_direction(tangent)
    if np.linalg.norm(np.cross(unit(task.up), tangent)) >= LEAST_UP:
        return task.up
    if task.limb.up is not None:
        raise PlanError(f'[[limb]] "{task.limb.name}", up: it looks along the limb; choose a direction across it.')
    return any_square_direction(tangent)


def _directions(points: FloatArray, stations: FloatArray, reach: FloatArray, continuation: Continuation) -> FloatArray:
    """Smooth directions of a line that goes on past its ends, so that a ring at a splice bisects the bend there."""
    longest = 2 * float(reach.max())
    before = [points[0] - longest * continuation.before_root] if continuation.before_root is not None else []
    after = [points[-1] + longest * continuation.after_tip] if continuation.after_tip is not None else []
    line = np.concatenate([np.reshape(before, (-1, 3)), points, np.reshape(after, (-1, 3))])
    return smooth_directions(line, stations + longest * len(before), reach)


def _extended(joints: FloatArray, end: FloatArray) -> FloatArray:
    bone = joints[-1] - joints[-2]
    beyond = float((end - joints[-1]) @ unit(bone))
    if beyond <= 0.05 * float(np.linalg.norm(bone)):
        return np.concatenate([joints[:-1], end[None]]) if beyond > -0.5 * float(np.linalg.norm(bone)) else joints
    return np.concatenate([joints, end[None]])


def _tip_reach(points: FloatArray, surface: Surface) -> float:
    """How far the skin lies beyond the last joint, straight on; 0 where nothing is there."""
    direction = unit(points[-1] - points[-2])
    hits = surface.cast(points[-1:], direction[None])
    bone = float(np.linalg.norm(points[-1] - points[-2]))
    found = bool(hits.hit[0]) and float(hits.normals[0] @ direction) > 0 and float(hits.distances[0]) < 4 * bone
    return float(hits.distances[0]) if found else 0.0


def _first_branch_station(task: _Task, rough: _Slices, stations: FloatArray, known: BoolArray, radii: FloatArray) -> int:
    """The last station at which the limb is grown together with what is beside it, or else, from behind the tip's dome back to the
    root, the last before the slice opens into the trunk."""
    behind_dome = np.flatnonzero(known & (stations[-1] - stations >= DOME * radii))
    index = int(behind_dome[-1]) if len(behind_dome) else int(np.flatnonzero(known)[-1])
    if task.beside:
        deepest = min(cleft_length(rough.centres[:index], stations[:index], tube, task.surface) for tube in task.beside)
        return int(np.searchsorted(stations, deepest, side="right")) - 1
    accepted = [radii[index]]
    while index > 0:
        reference = float(np.median(accepted[-8:]))
        following = index - 1
        opened = radii[following] > OPENING * reference or rough.profiles[following].max() > REACH * reference or not known[following]
        if opened:
            break
        index = following
        accepted.append(radii[index])
    return index


@dataclass(frozen=True)
class _Root:
    """Where a limb's first ring lies on its line, and how it leans."""

    length: float
    lean: FloatArray


def _root(task: _Task, line: FloatArray, lengths: FloatArray, radii: FloatArray) -> _Root:
    """The first ring meets the clefts to both sides."""
    if not task.beside:
        return _Root(0.0, np.zeros(3))
    fine = np.linspace(0.0, max(float(lengths[-1]) - DOME * float(radii[-1]), 0.5 * float(lengths[-1])), CLEFT_STATIONS)
    points, radius = sample_polyline(line, fine), float(np.median(radii[ROOT_STATIONS]))
    clefts = np.array([cleft_length(points, fine, tube, task.surface) for tube in task.beside]) + CLEFT_LIFT * radius
    if len(clefts) == 1:
        return _Root(float(clefts[0]), np.zeros(3))
    middle = sample_polyline(line, clefts.mean(keepdims=True))
    tangent = smooth_directions(line, clefts.mean(keepdims=True), np.array([BEND_REACH * radius]))[0]
    first, second = (unit(square_to(nearest_on(middle, tube).points[0] - middle[0], tangent)) for tube in task.beside)
    across = unit(first - second)
    ways = radius * np.array([first @ across, second @ across])
    step = float(clefts[0] - clefts[1])
    step = np.sign(step) * max(0.0, abs(step) - WEB_RISE * radius)
    slope = float(np.clip(step / max(float(ways[0] - ways[1]), 1e-300), -STEEPEST_ROOT, STEEPEST_ROOT))
    return _Root(float((clefts - slope * ways).max()), slope * across)


def _refined(task: _Task, stations: FloatArray, rough: _Slices, *, open_root: bool, closed: bool) -> Measure:
    """Move the centre line into the middle of its slices and slice once more across it."""
    radii = area_radii(rough.profiles)
    centred = centroids(rough.centres, rough.tangents, rough.frames, rough.profiles)
    line = rough.centres + _smoothed(centred - rough.centres, stations, radii)
    length = arc_lengths(line)
    root = _root(task, line, length, radii)
    even = np.linspace(root.length, length[-1], STATIONS)
    reach = np.interp(even, length, np.minimum(BEND_REACH * radii, 0.45 * length[-1]))
    tangents = _directions(line, even, reach, task.continuation)
    if open_root:
        tangents[0] = unit(task.limb.joints[1] - task.limb.joints[0])
    fine = _slices_across(task, sample_polyline(line, even), tangents)
    profiles = fill_profiles(fine.profiles)
    begin = float(np.interp(root.length, length, stations))
    near_root = (NEAR_ROOT + float(np.linalg.norm(root.lean))) * float(np.interp(root.length, length, radii)) if begin > 0.0 else 0.0
    joints, first_bone = _joint_lengths(task.limb, stations, length, begin, near_root)
    even, joints = even - root.length, np.append(joints[:1], joints[1:] - root.length)
    fine_radii, fine_girths = area_radii(profiles), girths(profiles)
    skin = _skin_lengths(even, fine, profiles, fine_radii)
    cap_reach = FLAT_CAP_REACH if task.limb.sides is not None and task.limb.sides < LEAST_SIDES_WITH_INNER else CAP_REACH
    last_ring = _last_ring(even, skin, fine_radii, fine_girths, float(joints[-2]), cap_reach) if closed else float(even[-1])
    curvatures = _skin_curvatures(skin_points(fine.centres, fine.tangents, fine.frames, profiles))
    return Measure(even, fine.centres, tangents, fine.frames, profiles, fine_radii, fine_girths, joints, skin, curvatures, last_ring,
                   first_bone, square_to(root.lean, tangents[0]))


def _skin_lengths(lengths: FloatArray, slices: _Slices, profiles: FloatArray, radii: FloatArray) -> FloatArray:
    """Length along the skin up to every slice, (m,) float64: over the girth radius's rise and fall, and along the outer side of every
    bend, since there a row is widest."""
    turns = np.diff(slices.tangents, axis=0)
    sideways = np.cross(slices.tangents, slices.frames)
    outward = np.arctan2(-np.einsum("ij,ij->i", turns, sideways[:-1]), -np.einsum("ij,ij->i", turns, slices.frames[:-1])) % (2 * np.pi)
    rays = profiles.shape[1]
    outer = profiles[np.arange(len(turns)), np.rint(outward * rays / (2 * np.pi)).astype(np.intp) % rays]
    steps = np.diff(lengths) + np.linalg.norm(turns, axis=1) * outer
    return np.concatenate(([0.0], np.cumsum(np.hypot(steps, np.diff(radii)))))


def _skin_curvatures(skin: FloatArray) -> FloatArray:
    """Mean curvature of the skin along the limb at every slice, (m,) float64: by circles over ``CURVATURE_REACH`` slices to both sides,
    so that the target's noise does not count."""
    middle = skin[CURVATURE_REACH:-CURVATURE_REACH]
    before, after = skin[: -2 * CURVATURE_REACH] - middle, skin[2 * CURVATURE_REACH :] - middle
    area = np.linalg.norm(np.cross(before, after), axis=2)
    sides = np.linalg.norm(before, axis=2) * np.linalg.norm(after, axis=2) * np.linalg.norm(after - before, axis=2)
    curvature = np.mean(2.0 * area / np.maximum(sides, 1e-300), axis=1)
    return np.pad(curvature, CURVATURE_REACH, mode="edge")


def _last_ring(lengths: FloatArray, skin: FloatArray, radii: FloatArray, girth: FloatArray, last_joint: float,
               cap_reach: float) -> float:
    """Where the cap's square of the ring's own girth just covers the rest of the dome; behind the last inner joint."""
    rest = skin[-1] + radii[-1] - skin
    cap = cap_reach * girth / 8
    wide = np.flatnonzero((cap <= rest) & (lengths < lengths[-1]))
    least = last_joint + 0.5 * (lengths[-1] - last_joint)
    return max(float(lengths[wide[-1]]) if len(wide) else least, least)


def _smoothed(offsets: FloatArray, stations: FloatArray, radii: FloatArray) -> FloatArray:
    """Average offsets over one girth radius to each side, so that knuckles do not bend the line."""
    distance = np.abs(stations[:, None] - stations[None, :])
    weights = np.maximum(1e-9, 1 - distance / np.maximum(radii[:, None], 1e-12))
    return np.asarray(weights @ offsets / weights.sum(axis=1, keepdims=True), dtype=np.float64)


def _joint_lengths(limb: Limb, stations: FloatArray, length: FloatArray, begin: float, near: float) -> tuple[FloatArray, int]:
    """Arc lengths of the joints along the line, 0 for the first ring's, and the bone that the first ring lies in.

    begin : the first ring's station along the joints
    near : a joint within this distance past the first ring counts as inside the trunk: there is no room for rows before it
    """
    plan_lengths = arc_lengths(limb.joints)
    later = np.flatnonzero(plan_lengths > begin + max(near, 1e-9 * plan_lengths[-1]))
    first_bone = int(later[0]) - 1 if len(later) else len(plan_lengths) - 2
    inner = np.interp(plan_lengths[first_bone + 1 :], stations, length)
    return np.concatenate(([0.0], inner)), first_bone
