"""Sweeps: where rings lie along a limb, how they turn, and that they meet the skin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.bend_rows import GATHER, NO_BEND
from ringwright.core.budget import solve_counts
from ringwright.core.counts import LimbCounts, StepRows
from ringwright.core.fork import BranchEdges
from ringwright.core.limb_size import limb_sizes
from ringwright.core.measure import Measure, measure_limb
from ringwright.core.placement import row_correspondence
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.sweep import (
    WEB_EDGE,
    Rings,
    carried_phases,
    cast_rings,
    even_columns,
    fan_to,
    lean_into,
    local_frames,
    plain_angles,
    profile_at,
    ring_stations,
    root_offsets,
    starts_by_row,
    uncrossed,
)
from support.random_plans import NoSurface, RoundLimb
from support.reference_surface import ReferenceSurface
from support.shapes import bent_tube, cylinder

UP = np.array([0.0, 0, 1])


def straight(bones: int = 2, length: float = 10.0) -> tuple[Measure, Limb]:
    shape = RoundLimb(np.zeros(3), UP, length, 1.0, bones)
    return shape.measure(closed=False), Limb("limb", shape.joints, 8)


def counted(limb: Limb, measure: Measure) -> LimbCounts:
    return solve_counts(LimbPlan((limb,)), limb_sizes(LimbPlan((limb,)), {"limb": measure})).limbs["limb"]


def test_rings_are_even_between_joints_closer_where_they_bend_and_gathered_round_the_joint() -> None:
    measure, limb = straight()
    limb = replace(limb, spans=(8, 8))
    stations = ring_stations(counted(limb, measure), measure, 3)
    assert len(stations) == 17 and stations[0] == 0 and stations[8] == pytest.approx(5) and stations[-1] == pytest.approx(10)
    steps = np.diff(stations)
    bend = counted(limb, measure).bends[0][1]
    inside = stations[:9] >= 5 - bend.reach - 1e-9
    np.testing.assert_allclose(steps[:3], steps[0])
    np.testing.assert_allclose(steps[[7, 8]], GATHER * steps[6])
    assert steps[6] < 0.9 * steps[0] and np.count_nonzero(inside[:-1]) == pytest.approx(bend.rows, abs=1)
    even = ring_stations(counted(replace(limb, joint_loops=0), measure), measure, 0)
    np.testing.assert_allclose(np.diff(even), 10 / 16)


def test_rings_are_even_along_the_skin() -> None:
    """Where a limb swells its skin is longer than its axis, so rings stand closer along the axis."""
    measure, limb = straight(1)
    skin = np.where(measure.lengths < 5, measure.lengths, 5 + 2 * (measure.lengths - 5))
    stations = ring_stations(counted(replace(limb, spans=(15,)), measure), replace(measure, skin_lengths=skin), 0)
    np.testing.assert_allclose(np.diff(np.interp(stations, measure.lengths, skin)), 1, atol=0.01)
    assert np.diff(stations)[-1] == pytest.approx(0.5, abs=0.01)


def test_phases_stay_without_step_downs_and_spread_a_given_turn() -> None:
    counts = LimbCounts((4,), np.full(5, 8, dtype=np.int32), np.zeros(5, dtype=np.bool_), (), None, ((NO_BEND, NO_BEND),), (4.0,))
    np.testing.assert_array_equal(carried_phases(counts, None, None), np.zeros(5))
    np.testing.assert_array_equal(carried_phases(counts, None, 0.4), np.full(5, 0.4))
    np.testing.assert_array_equal(carried_phases(counts, 0.3, None), np.full(5, 0.3))
    both = carried_phases(counts, 0.3, 0.1)
    assert both[-1] == pytest.approx(0.3) and both[0] == pytest.approx(0.1)
    np.testing.assert_allclose(np.diff(both), 0.05)
    turned = carried_phases(counts, 0.3, 0.3 + 3.4 * np.pi / 4)  # whole edges need no twist
    assert np.abs(np.diff(turned)).max() <= np.pi / 8 / 4 + 1e-12


@pytest.mark.parametrize("fuller_at_tip", [True, False])
def test_columns_run_straight_through_step_downs(fuller_at_tip: bool) -> None:
    starts = np.array([0, 4, 8], dtype=np.int32)
    rings = np.array([12, 12, 6, 6] if not fuller_at_tip else [6, 6, 12, 12], dtype=np.int32)
    steps = (StepRows(1, (starts,), fuller_at_tip),)
    counts = LimbCounts((3,), rings, np.zeros(4, dtype=np.bool_), steps, None, ((NO_BEND, NO_BEND),), (3.0,))
    assert list(starts_by_row(counts)) == [1]
    phases = carried_phases(counts, None, 0.0)
    above = row_correspondence(12, starts)
    full, sparse = (phases[2], phases[1]) if fuller_at_tip else (phases[1], phases[2])
    lean = (sparse + 2 * np.pi * np.arange(6) / 6) - (full + 2 * np.pi * above / 12)
    assert lean.mean() == pytest.approx(0, abs=1e-12)


def test_ring_vertices_lie_on_the_skin_at_even_distances() -> None:
    shape = cylinder(1.0, 10.0, 256, 16)
    surface = ReferenceSurface(*shape)
    limb = Limb("limb", np.array([[0.3, 0, 1], [-0.3, 0, 5], [0.3, 0.2, 9]]), 10)
    measure = measure_limb(limb, surface, leaves_trunk=False, open_root=True)
    counts = counted(limb, measure)
    stations = ring_stations(counts, measure, limb.joint_loops)
    angles = plain_angles(counts, measure, stations, carried_phases(counts, None, 0.0))
    rings = cast_rings(measure, [np.full(len(angle), station) for angle, station in zip(angles, stations, strict=True)], angles, surface)
    assert len(rings.positions) == counts.rows + 1
    for ring in rings.positions:
        assert ring.shape == (10, 3)
        np.testing.assert_allclose(np.hypot(ring[:, 0], ring[:, 1]), 1, atol=1e-3)
        edges = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
        np.testing.assert_allclose(edges, edges.mean(), rtol=0.08)
    for ring in rings.positions[2:-2]:
        assert np.hypot(*ring.mean(axis=0)[:2]) < 0.03


def test_measured_sections_stand_in_where_rays_miss() -> None:
    measure, _ = straight(1)
    rings = cast_rings(measure, [np.full(6, 3.0)], [2 * np.pi * np.arange(6) / 6], NoSurface())
    np.testing.assert_allclose(np.linalg.norm(rings.positions[0] - [0, 0, 3], axis=1), 1, atol=1e-12)


def test_sections_and_frames_between_stations_are_mixed() -> None:
    measure, _ = straight(1)
    tapered = replace(measure, profiles=measure.profiles * np.linspace(2, 1, len(measure.lengths))[:, None])
    np.testing.assert_allclose(profile_at(tapered, 2.5), 1.75, atol=1e-12)
    np.testing.assert_allclose(profile_at(tapered, 99.0), 1.0)
    beyond = local_frames(measure, np.array([-1.0, 4.0, 12.0]))
    np.testing.assert_allclose(beyond.centres, [[0, 0, -1], [0, 0, 4], [0, 0, 12]], atol=1e-12)


def test_rows_of_a_bone_lean_into_a_wavy_ring_at_either_end() -> None:
    stations, angles = [np.full(6, float(ring)) for ring in range(7)], [2 * np.pi * np.arange(6) / 6] * 7
    wave = 0.5 * np.cos(2 * angles[0])
    to_tip = lean_into(stations, angles, slice(2, None), wave)
    np.testing.assert_allclose(to_tip[-1], 6 + wave)
    np.testing.assert_array_equal(to_tip[2], stations[2])
    np.testing.assert_allclose(to_tip[4], 4 + 0.5 * wave)
    to_root = lean_into(stations, angles, slice(2, None, -1), wave)
    np.testing.assert_allclose(to_root[0], wave)
    np.testing.assert_allclose(to_root[1], 1 + 0.5 * wave)
    np.testing.assert_array_equal(to_root[2], stations[2])


def test_a_leaning_first_ring_lies_in_a_plane() -> None:
    """On a round limb of radius 1 the plane z = 0.4 x + 0.3 y."""
    measure, _ = straight(1)
    angles = 2 * np.pi * np.arange(8) / 8
    frame, sideways = measure.frames[0], np.cross(measure.tangents[0], measure.frames[0])
    seen = np.cos(angles)[:, None] * frame + np.sin(angles)[:, None] * sideways
    lean = np.array([0.4, 0.3, 0.0])
    np.testing.assert_allclose(root_offsets(replace(measure, lean=lean), angles), seen @ lean, atol=1e-12)
    np.testing.assert_array_equal(root_offsets(measure, angles), np.zeros(8))


def test_rows_are_drawn_straight_to_a_ring_made_elsewhere() -> None:
    ring = np.column_stack([np.cos(np.arange(6)), np.sin(np.arange(6)), np.zeros(6)])
    stations = [0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 7.0]
    rings = Rings(tuple(np.full(6, station) for station in stations), (), tuple(ring + [0, 0, station] for station in stations))
    end = 1.5 * ring + [0, 0, 7]
    fanned = fan_to(rings, end, 4).positions
    np.testing.assert_array_equal(fanned[-1], end)
    np.testing.assert_allclose(fanned[5], (rings.positions[4] + 2 * end) / 3)  # two of three on the way
    np.testing.assert_array_equal(fanned[4], rings.positions[4])


def test_rows_on_the_inner_side_of_a_bend_at_rest_are_evened_and_a_straight_limb_stays() -> None:
    """A tube bent at rest by 90 degrees in one joint: rays from its axis bunch in the crease."""
    surface = ReferenceSurface(*bent_tube(1.0, 1.6, np.radians(90), 96, 96))
    joints = 1.6 * np.array([[1 - np.cos(turn), 0, np.sin(turn)] for turn in np.radians([4.0, 45.0, 86.0])])
    limb = Limb("limb", joints, 12, (6, 6))
    measure = measure_limb(limb, surface, leaves_trunk=False, open_root=True)
    counts = counted(limb, measure)
    stations = 0.5 * (measure.lengths[-1]) * (1 + np.sign(np.linspace(-1, 1, 13)) * np.abs(np.linspace(-1, 1, 13)) ** 1.5)
    angles = plain_angles(counts, measure, stations, carried_phases(counts, None, 0.0))
    rings = cast_rings(measure, [np.full(12, station) for station in stations], angles, surface)
    wanted = np.diff(np.interp(stations, measure.lengths, measure.skin_lengths))[:6]

    def uneven(positions: tuple[np.ndarray, ...]) -> float:
        rows = np.linalg.norm(np.diff(np.stack(positions[:7]), axis=0), axis=2) / wanted[:, None]
        return float((rows.std(axis=0) / rows.mean(axis=0)).max())

    evened = even_columns(rings, counts, measure, stations)
    assert uneven(evened.positions) < uneven(rings.positions)
    for ring in (0, 6, 12):
        np.testing.assert_array_equal(evened.positions[ring], rings.positions[ring])
    straight_measure, straight_limb = straight()
    straight_counts = counted(straight_limb, straight_measure)
    stations = ring_stations(straight_counts, straight_measure, 3)
    ring = np.column_stack([np.cos(np.arange(8)), np.sin(np.arange(8)), 0.1 * np.arange(8)])
    upright = Rings((), (), tuple(ring * [1, 1, 1 + index % 2] + [0, 0, station] for index, station in enumerate(stations)))
    kept = even_columns(upright, straight_counts, straight_measure, stations).positions
    np.testing.assert_allclose(np.stack(kept), np.stack(upright.positions), atol=1e-9)


def test_edges_of_webs_are_shorter_at_the_root_and_even_farther_on() -> None:
    measure, limb = straight()
    counts = counted(limb, measure)
    stations = ring_stations(counts, measure, 3)
    webs = BranchEdges(2, 2, 2, 2)
    angles = plain_angles(counts, measure, stations, np.zeros(len(stations)), webs)
    steps = [np.diff(np.append(angle, angle[0] + 2 * np.pi)) for angle in angles]
    np.testing.assert_allclose(steps[0][[0, 1, 4, 5]], WEB_EDGE * steps[0][2], rtol=0.02)
    np.testing.assert_allclose(steps[-1], 2 * np.pi / 8, rtol=1e-6)


def test_rings_that_cross_inside_a_bend_are_spread() -> None:
    """A tube bent by 120 degrees round its own radius: plane rings close together cross on the inside."""
    surface = ReferenceSurface(*bent_tube(1.0, 1.35, np.radians(120), 96, 96))
    turns = np.radians([5.0, 60.0, 115.0])
    limb = Limb("limb", 1.35 * np.column_stack([1 - np.cos(turns), np.zeros(3), np.sin(turns)]), 10, (6, 6))
    measure = measure_limb(limb, surface, leaves_trunk=False, open_root=True)
    counts = counted(limb, measure)
    stations = ring_stations(counts, measure, 3)
    angles = plain_angles(counts, measure, stations, carried_phases(counts, None, 0.0))
    rings = cast_rings(measure, [np.full(10, station) for station in stations], angles, surface)
    crowded = [ring.copy() for ring in rings.positions]
    crowded[6][:] += 0.6 * (crowded[8] - crowded[6])
    tangents = local_frames(measure, stations).tangents
    across = 0.5 * (tangents[:-1] + tangents[1:])

    def behind(positions: list[np.ndarray] | tuple[np.ndarray, ...]) -> int:
        return sum(int(((high - low) @ axis <= 0).sum()) for low, high, axis in zip(positions[:-1], positions[1:], across, strict=True))

    spread = uncrossed(Rings(rings.stations, rings.angles, tuple(crowded)), measure)
    assert behind(crowded) > 0 and behind(spread.positions) == 0
    np.testing.assert_array_equal(spread.positions[0], crowded[0])
    np.testing.assert_array_equal(spread.positions[-1], crowded[-1])
