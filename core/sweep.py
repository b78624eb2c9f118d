"""Lay the rings of one limb along its centre line: where they lie, how they turn, where rays meet the skin.

A ring vertex is told by its station (arc length along the centre line) and its angle round it, so that
a ring need not be plane: before a fork the rows lean into the wavy line of the branches' roots.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .bend_rows import bend_steps
from .counts import LimbCounts, StepRows
from .fork import BranchEdges, crowded_turns
from .frames import sampled, square_to, unit
from .measure import Measure
from .placement import row_correspondence
from .polymesh import BoolArray, FloatArray, IntArray
from .section import RAYS, Tube, cast_profiles, directions_at, ring_angles
from .surface import Surface

SHORTEST_STEP = 0.3
"""Inside a bend a row may be this much shorter than on the centre line; rows shorter still are spread."""
UNCROSSING_PASSES = 60
WEB_EDGE = 0.4
"""Length of a web's edge over that of the other edges of a branch's first ring (tried on an arm: 0.5 keeps less volume at the
fingers' roots, 0.3 gives smaller scaled Jacobians at the joints after them)."""
WEB_FADE = 2.0
"""Radii of a branch over which its rings become even."""


@dataclass(frozen=True)
class Rings:
    """Rings of one limb, root to tip.

    stations : per ring (n,) float64, arc length of every vertex
    angles : per ring (n,) float64, radians from the frame
    positions : per ring (n, 3) float64
    """

    stations: tuple[FloatArray, ...]
    angles: tuple[FloatArray, ...]
    positions: tuple[FloatArray, ...]


def ring_stations(counts: LimbCounts, measure: Measure, joint_loops: int) -> FloatArray:
    """Arc length of every ring, (r + 1,) float64: along the skin of every bone, closer where it bends, gathered at its joints.

    joint_loops : rings gathered round each inner joint; 0: even along the skin
    """
    skin = measure.skin_lengths
    ends = np.interp(measure.bone_ends, measure.lengths, skin)
    half = joint_loops // 2
    stations = [np.zeros(1)]
    first_ring, last = 0, len(counts.spans) - 1
    for bone, rows in enumerate(counts.spans):
        length = float(ends[bone + 1] - ends[bone])
        at_root = bool(counts.joint_rings[first_ring]) or bone > 0
        at_tip = bone < last or bool(counts.joint_rings[first_ring + rows])
        steps = bend_steps(rows, length, counts.bends[bone], (half if at_root else 0, half if at_tip else 0))
        stations.append(ends[bone] + length * np.cumsum(steps))
        first_ring += rows
    return np.interp(np.concatenate(stations), skin, measure.lengths)


def carried_phases(counts: LimbCounts, tip_phase: float | None, root_phase: float | None) -> FloatArray:
    """Angle of vertex 0 of every ring, so that columns run straight and end in step-downs without a twist.

    tip_phase, root_phase : radians; None where that end is free; where both are given the rest of a turn is
        spread along the limb
    Returns (r + 1,) float64.
    """
    rings = counts.rings
    jumps = np.zeros(len(rings) - 1)
    for step in counts.step_rows:
        for order, starts in enumerate(step.starts):
            row = _row_of(step, order)
            jumps[row] = _phase_jump(int(rings[row]), int(rings[row + 1]), starts)
    from_root = np.concatenate(([0.0], np.cumsum(jumps)))
    if tip_phase is None:
        return from_root + (root_phase or 0.0)
    phases = from_root - from_root[-1] + tip_phase
    if root_phase is None:
        return phases
    edge = 2 * np.pi / rings[0]
    rest = (root_phase - phases[0] + 0.5 * edge) % edge - 0.5 * edge
    return phases + rest * np.linspace(1.0, 0.0, len(rings))


def _row_of(step: StepRows, order: int) -> int:
    return step.first_row + (len(step.starts) - 1 - order if step.fuller_at_tip else order)


def starts_by_row(counts: LimbCounts) -> dict[int, tuple[IntArray, bool]]:
    """Step-downs of every row that has any: the upper vertices at which they start, and whether the fuller ring is at the tip."""
    return {_row_of(step, order): (starts, step.fuller_at_tip) for step in counts.step_rows for order, starts in enumerate(step.starts)}


def _phase_jump(root_count: int, tip_count: int, starts: IntArray) -> float:
    """How far vertex 0 turns from a row's root ring to its tip ring when every column runs as straight as it can."""
    fuller, sparser = max(root_count, tip_count), min(root_count, tip_count)
    above = row_correspondence(fuller, starts)
    turn = 2 * np.pi * float(np.mean(above / fuller - np.arange(sparser) / sparser))
    return turn if root_count > tip_count else -turn


def plain_angles(counts: LimbCounts, measure: Measure, stations: FloatArray, phases: FloatArray,
                 webs: BranchEdges | None = None) -> list[FloatArray]:
    """Angles of every ring's vertices, evenly spaced along the skin, one (n,) array a ring; near the root of a fork's branch
    closer in its webs.

    webs : how the first ring of such a branch is shared out
    """
    angles = []
    for count, station, phase in zip(counts.rings, stations, phases, strict=True):
        turns = np.arange(count) / count
        fading = max(0.0, 1.0 - float(station - stations[0]) / (WEB_FADE * float(measure.radii[0])))
        if webs is not None and count == counts.rings[0] and fading:
            turns = crowded_turns(webs, 1.0 - (1.0 - WEB_EDGE) * fading)
        angles.append(ring_angles(profile_at(measure, station), turns, float(phase)))
    return angles


def profile_at(measure: Measure, station: float) -> FloatArray:
    """Polar section at an arc length, (k,) float64, interpolated between the measured ones."""
    place = np.clip(np.interp(station, measure.lengths, np.arange(len(measure.lengths))), 0, len(measure.lengths) - 1)
    low = min(int(place), len(measure.lengths) - 2)
    share = place - low
    return np.asarray((1 - share) * measure.profiles[low] + share * measure.profiles[low + 1], dtype=np.float64)


def lean_into(stations: list[FloatArray], angles: list[FloatArray], bone: slice, offsets: FloatArray) -> list[FloatArray]:
    """Let the rows of a bone lean into a wavy ring at one of its ends.

    stations, angles : per ring (n,) float64
    bone : the rings of the bone, the wavy one last; the first stays as it is
    offsets : (n,) float64, what the wavy ring's own stations lie beyond its plane
    Returns stations per vertex, one (n,) array a ring.
    """
    leaned = list(stations)
    rings = range(len(stations))[bone]
    start, end = (float(stations[ring].mean()) for ring in (rings[0], rings[-1]))
    for ring in rings[1:]:
        share = (float(stations[ring].mean()) - start) / (end - start) if end != start else 0.0
        alike = len(angles[ring]) == len(offsets)
        leaned[ring] = stations[ring] + share * (offsets if alike else np.interp(angles[ring], *_periodic(angles[rings[-1]], offsets)))
    return leaned


def root_offsets(measure: Measure, angles: FloatArray) -> FloatArray:
    """How far beyond the first ring's plane its vertices lie as it leans, (n,) float64; angles : (n,) float64, radians."""
    directions = directions_at(measure.tangents[:1], measure.frames[:1], angles[None])[0]
    radii = np.interp(angles, np.arange(RAYS) * (2.0 * np.pi / RAYS), measure.profiles[0], period=2.0 * np.pi)
    return np.asarray(radii * (directions @ measure.lean), dtype=np.float64)


def fan_to(rings: Rings, end: FloatArray, rows: int) -> Rings:
    """Draw the last rows straight to a ring that other limbs have made; rays from one axis cannot see round its folds.

    end : (n, 3) float64, the last ring's own points
    rows : rows of the last bone, of which the later half is drawn
    """
    count = len(rings.positions)
    first = count - 1 - rows // 2
    while first < count - 1 and len(rings.positions[first]) != len(end):
        first += 1
    positions = list(rings.positions)
    middles = [float(station.mean()) for station in rings.stations]
    for ring in range(first, count):
        share = (middles[ring] - middles[first]) / max(middles[-1] - middles[first], 1e-300)
        positions[ring] = (1 - share) * positions[first] + share * end
    return Rings(rings.stations, rings.angles, tuple(positions))


def even_columns(rings: Rings, counts: LimbCounts, measure: Measure, stations: FloatArray) -> Rings:
    """Share out the rows of every bone along each of its columns as they are shared out along the limb's outer side, the more the limb
    is bent there at rest: rays from the centre line bunch on the inner side of such a bend, and leave long rows beside the bunch."""
    positions = list(rings.positions)
    along = np.interp(stations, measure.lengths, measure.skin_lengths)
    bones = np.cumsum([0, *counts.spans]).tolist()
    for first, last in itertools.pairwise(bones):
        bent = _bent_at_rest(measure, float(stations[first]), float(stations[last]))
        for start, stop in _alike_runs(counts.rings, first, last):
            column = np.stack(positions[start : stop + 1])
            lengths = np.concatenate([np.zeros((1, column.shape[1])), np.cumsum(np.linalg.norm(np.diff(column, axis=0), axis=2), axis=0)])
            share = (along[start : stop + 1] - along[start]) / max(along[stop] - along[start], 1e-300)
            spread = _placed_along(column, lengths, share[:, None] * lengths[-1])
            moved = np.interp(along[start + 1 : stop], (along[first], along[last]), bent)[:, None, None]
            positions[start + 1 : stop] = list((1.0 - moved) * column[1:-1] + moved * spread[1:-1])
    return Rings(rings.stations, rings.angles, tuple(positions))


def _bent_at_rest(measure: Measure, first: float, last: float) -> tuple[float, float]:
    """How far the limb is bent at both ends of a bone, 1 less the cosine: 0 where it runs straight on, 1 at a right angle."""
    local = local_frames(measure, np.array([first, last]))
    bone = unit(local.centres[1] - local.centres[0])
    half = np.arccos(np.clip(local.tangents @ bone, -1.0, 1.0))
    root, tip = np.minimum(1.0 - np.cos(2.0 * half), 1.0).tolist()
    return root, tip


def _alike_runs(ring_counts: IntArray, first: int, last: int) -> list[tuple[int, int]]:
    """First and last rings of the runs of equal counts between two rings, runs of three rings and more."""
    changes = first + 1 + np.flatnonzero(np.diff(ring_counts[first : last + 1]))
    bounds = [first, *changes.tolist(), last + 1]
    return [(start, stop - 1) for start, stop in itertools.pairwise(bounds) if stop - start > 2]


def _placed_along(columns: FloatArray, lengths: FloatArray, wanted: FloatArray) -> FloatArray:
    """Points at wanted lengths along columns of points, (r + 1, n, 3) float64; lengths, wanted : (r + 1, n), growing along every column."""
    every = np.arange(columns.shape[1])
    low = np.minimum((lengths[None] <= wanted[:, None]).sum(axis=1) - 1, len(lengths) - 2)
    start, ahead = columns[low, every], columns[low + 1, every]
    slopes = (ahead - start) / np.maximum(lengths[low + 1, every] - lengths[low, every], 1e-300)[..., None]
    return np.asarray(slopes * (wanted - lengths[low, every])[..., None] + start, dtype=np.float64)


def uncrossed(rings: Rings, measure: Measure) -> Rings:
    """Spread rings that cross inside a bend: no vertex may fall behind the one below it in its column.

    Rows of equal count are smoothed along their columns where a step forward is too short, until none is.
    """
    positions = [ring.copy() for ring in rings.positions]
    middles = [float(station.mean()) for station in rings.stations]
    tangents = local_frames(measure, np.array(middles)).tangents
    for _ in range(UNCROSSING_PASSES):
        short = [_short_steps(low, high, unit(tangents[ring] + tangents[ring + 1]), middles[ring + 1] - middles[ring])
                 for ring, (low, high) in enumerate(itertools.pairwise(positions))]
        if not any(each.any() for each in short):
            break
        for ring in range(1, len(positions) - 1):
            if len(positions[ring - 1]) == len(positions[ring]) == len(positions[ring + 1]):
                moved = short[ring - 1] | short[ring]
                positions[ring][moved] = 0.5 * (positions[ring - 1][moved] + positions[ring + 1][moved])
    return Rings(rings.stations, rings.angles, tuple(positions))


def _short_steps(low: FloatArray, high: FloatArray, tangent: FloatArray, row: float) -> BoolArray:
    if len(low) != len(high):
        return np.zeros(len(low), dtype=np.bool_)
    return np.asarray((high - low) @ tangent < SHORTEST_STEP * row, dtype=np.bool_)


def _periodic(angles: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    turn = 2 * np.pi
    return np.concatenate([angles - turn, angles, angles + turn]), np.concatenate([values, values, values])


@dataclass(frozen=True)
class Local:
    """Centre line values at given stations: centres, tangents, frames, each (n, 3) float64."""

    centres: FloatArray
    tangents: FloatArray
    frames: FloatArray


def local_frames(measure: Measure, stations: FloatArray) -> Local:
    """Centre, tangent and frame at arc lengths, straight on beyond the ends."""
    centres, tangents, frames = (sampled(values, measure.lengths, stations)
                                 for values in (measure.centres, measure.tangents, measure.frames))
    tangents = unit(tangents)
    beyond = np.maximum(stations - measure.lengths[-1], 0) + np.minimum(stations, 0)
    return Local(centres + beyond[:, None] * tangents, tangents, unit(square_to(frames, tangents)))


def cast_rings(measure: Measure, stations: list[FloatArray], angles: list[FloatArray], surface: Surface,
               obstacles: Sequence[Tube] = ()) -> Rings:
    """Cast every ring vertex outward onto the target; where a ray misses, the measured sections stand in.

    stations, angles : per ring (n,) float64
    surface : normals point outward
    obstacles : limbs whose skin is not this limb's
    """
    flat_stations, flat_angles = np.concatenate(stations), np.concatenate(angles)
    local = local_frames(measure, flat_stations)
    radii = cast_profiles(surface, local.centres, local.tangents, local.frames, flat_angles[:, None], obstacles)[:, 0]
    measured = _profile_radii(measure, flat_stations, flat_angles)
    sound = np.isfinite(radii) & (radii < 1.6 * measured) & (radii > 0.5 * measured)
    radii = np.where(sound, radii, measured)
    sideways = np.cross(local.tangents, local.frames)
    positions = local.centres + radii[:, None] * (np.cos(flat_angles)[:, None] * local.frames + np.sin(flat_angles)[:, None] * sideways)
    cuts = np.cumsum([len(each) for each in stations])[:-1]
    return Rings(tuple(stations), tuple(angles), tuple(np.split(positions, cuts)))


def _profile_radii(measure: Measure, stations: FloatArray, angles: FloatArray) -> FloatArray:
    rows, rays = measure.profiles.shape
    row = np.interp(stations, measure.lengths, np.arange(rows))
    column = (angles % (2 * np.pi)) * rays / (2 * np.pi)
    low_row = np.minimum(row.astype(np.intp), rows - 2)
    low_column = np.floor(column).astype(np.intp) % rays
    next_column = (low_column + 1) % rays
    along, around = row - low_row, column - np.floor(column)
    near = (1 - around) * measure.profiles[low_row, low_column] + around * measure.profiles[low_row, next_column]
    far = (1 - around) * measure.profiles[low_row + 1, low_column] + around * measure.profiles[low_row + 1, next_column]
    return np.asarray((1 - along) * near + along * far, dtype=np.float64)
