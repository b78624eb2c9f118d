"""Joint zones of a plan: where the target bends and no pole should lie."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .counts import CountPlan, LimbCounts
from .measure import Measure
from .plan import LimbPlan
from .poles import JointZone
from .sweep import local_frames, ring_stations

ZONE_MARGIN = 0.1
"""A zone reaches past its outermost ring by this share of the last row, so that a pole on that ring counts as inside."""
ZONE_RADIUS = 1.5
"""Girth radii within which a vertex at a joint belongs to the limb and not to its neighbour."""


def joint_zones(plan: LimbPlan, counts: CountPlan, measures: Mapping[str, Measure]) -> tuple[JointZone, ...]:
    """The zone round every bending joint, from the first to the last of the rings gathered there."""
    zones = []
    for number, limb in enumerate(plan.limbs):
        solved, measure = counts.limbs[limb.name], measures[limb.name]
        stations = ring_stations(solved, measure, limb.joint_loops)
        for first, last in _joints(solved, limb.loops_beside):
            low, high = float(stations[first]), float(stations[last])
            row = (high - low) / max(last - first, 1)
            local = local_frames(measure, np.array([0.5 * (low + high)]))
            radius = ZONE_RADIUS * float(np.interp(0.5 * (low + high), measure.lengths, measure.radii))
            zones.append(JointZone(f"{limb.name}, rings {first} to {last}", local.centres[0], local.tangents[0],
                                   0.5 * (high - low) + ZONE_MARGIN * row, radius, number))
    return tuple(zones)


def _joints(counts: LimbCounts, half: int) -> list[tuple[int, int]]:
    """First and last of the rings gathered round every bending joint of a limb."""
    centres = [0, *(int(end) for end in np.cumsum(counts.spans))]
    found = []
    for centre in centres:
        if counts.joint_rings[centre]:
            first, last = max(centre - half, 0), min(centre + half, counts.rows)
            inside = first + np.flatnonzero(counts.joint_rings[first : last + 1])
            found.append((int(inside[0]), int(inside[-1])))
    return found
