"""Joint zones of a plan: where the target bends and no pole should lie."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .counts import CountPlan
from .measure import Measure
from .plan import LimbPlan
from .poles import JointZone
from .sweep import local_frames, ring_stations

ZONE_MARGIN = 0.25
"""A zone reaches past its outermost ring by this share of the last row, so that a pole on that ring counts as inside."""
ZONE_RADIUS = 1.5
"""Girth radii within which a vertex at a joint belongs to the limb and not to its neighbour."""


def joint_zones(plan: LimbPlan, counts: CountPlan, measures: Mapping[str, Measure]) -> tuple[JointZone, ...]:
    """The zone round every bending joint, from the first to the last of the rings gathered there."""
    zones = []
    for limb in plan.limbs:
        solved, measure = counts.limbs[limb.name], measures[limb.name]
        stations = ring_stations(solved, measure, limb.joint_loops)
        for first, last in _runs(solved.joint_rings):
            low, high = float(stations[first]), float(stations[last])
            row = (high - low) / max(last - first, 1)
            local = local_frames(measure, np.array([0.5 * (low + high)]))
            radius = ZONE_RADIUS * float(np.interp(0.5 * (low + high), measure.lengths, measure.radii))
            zones.append(JointZone(f"{limb.name}, rings {first} to {last}", local.centres[0], local.tangents[0],
                                   0.5 * (high - low) + ZONE_MARGIN * row, radius))
    return tuple(zones)


def _runs(marked: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of every run of marked rings."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    return [(int(start), int(stop) - 1) for start, stop in edges.reshape(-1, 2)]
