"""Measuring limbs: where a branch leaves its trunk, centred lines from off-centre joints, open and closed ends."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import measure_limbs
from ringwright.core.errors import PlanError
from ringwright.core.measure import STATIONS, Measure, measure_limb
from ringwright.core.plan import Limb
from ringwright.core.polymesh import FloatArray
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import LimbChain, bent_tube, capsule, cylinder, fork, fork_chains, hand, hand_chains, limb_distance, surface_nets

FINGERS = ("little", "ring", "middle", "index")


@pytest.fixture(scope="module")
def round_limb() -> ReferenceSurface:
    """A limb of radius 1 along +z, its round ends centred at z = 0 and z = 8."""
    return ReferenceSurface(*capsule(1.0, 8.0, 64, 64))


def along_z(*heights: float, offset: FloatArray | None = None) -> FloatArray:
    joints = np.column_stack([np.zeros((len(heights), 2)), heights])
    return joints if offset is None else joints + offset


def measured(joints: FloatArray, surface: ReferenceSurface, *, tip: str = "closed", leaves_trunk: bool = False, open_root: bool = False,
             up: FloatArray | None = None) -> Measure:
    limb = Limb("limb", joints, tip=tip, up=up)
    return measure_limb(limb, surface, leaves_trunk=leaves_trunk, open_root=open_root, up=up)


def test_a_round_limb_is_measured(round_limb: ReferenceSurface) -> None:
    measure = measured(along_z(0, 4, 8), round_limb)
    assert measure.lengths.shape == measure.radii.shape == measure.girths.shape == (STATIONS,)
    assert measure.centres.shape == measure.tangents.shape == measure.frames.shape == (STATIONS, 3)
    assert measure.joints[0] == measure.lengths[0] == measure.skin_lengths[0] == 0
    body = (measure.centres[:, 2] > 0.2) & (measure.centres[:, 2] < 7.8)
    np.testing.assert_allclose(measure.radii[body], 1, atol=0.01)
    np.testing.assert_allclose(measure.girths[body], 2 * np.pi, atol=0.06)
    np.testing.assert_allclose(measure.tangents, [[0, 0, 1]] * STATIONS, atol=1e-3)
    np.testing.assert_allclose(np.linalg.norm(measure.frames, axis=1), 1, atol=1e-12)
    np.testing.assert_allclose(measure.joints, [0, 4, 8], atol=0.02)
    assert measure.first_bone == 0
    assert 8 < measure.last_ring < 8.8  # on the dome, behind its apex at 9


@pytest.mark.parametrize("shift", [0.3, 0.5])
def test_off_centre_joints_give_a_centred_line(round_limb: ReferenceSurface, shift: float) -> None:
    for seed in range(4):
        turn = np.random.default_rng(seed).uniform(0, 2 * np.pi, 4)
        offset = shift * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(4)])
        measure = measured(along_z(0, 2.7, 5.4, 8, offset=offset), round_limb)
        stray = np.hypot(measure.centres[:, 0], measure.centres[:, 1])
        body = (measure.centres[:, 2] > 0.5) & (measure.centres[:, 2] < 7.5)
        assert body.sum() > 30
        assert stray[body].max() < 0.2 * shift and stray[body].mean() < 0.02  # most at the corners of a zigzag of joints
        np.testing.assert_allclose(measure.radii[body], 1, atol=0.02)


def test_a_line_of_joints_beside_the_axis_comes_back_to_it(round_limb: ReferenceSurface) -> None:
    measure = measured(along_z(0, 4, 8, offset=np.array([0.5, -0.3, 0])), round_limb)
    assert np.hypot(measure.centres[:, 0], measure.centres[:, 1]).max() < 0.01


def test_an_open_tube_ends_on_the_plans_end_planes() -> None:
    surface = ReferenceSurface(*cylinder(1.0, 10.0))
    joints = np.array([[0.0, 0, 1.0], [0.3, 0, 5], [0, 0, 9]])
    measure = measured(joints, surface, tip="open", open_root=True)
    bone = (joints[1] - joints[0]) / np.linalg.norm(joints[1] - joints[0])
    np.testing.assert_allclose(measure.tangents[0], bone, atol=1e-12)
    assert measure.last_ring == measure.lengths[-1] and measure.lengths[-1] == pytest.approx(8, abs=0.05)
    assert measure.centres[-1, 2] == pytest.approx(9, abs=0.05)


def test_a_bent_tubes_line_follows_its_bend() -> None:
    surface = ReferenceSurface(*bent_tube(1.0, 6.0, np.pi / 2, 64, 96))
    turns = np.linspace(0.05, np.pi / 2 - 0.05, 4)
    joints = 6 * np.column_stack([1 - np.cos(turns), np.zeros(4), np.sin(turns)])
    measure = measured(joints, surface, tip="open", open_root=True)
    away = np.hypot(measure.centres[:, 0] - 6, measure.centres[:, 2])
    np.testing.assert_allclose(away[4:-4], 6, atol=0.06)
    np.testing.assert_allclose(measure.centres[:, 1], 0, atol=0.02)
    np.testing.assert_allclose(measure.radii[4:-4], 1, atol=0.03)
    assert measure.lengths[-1] == pytest.approx(6 * (turns[-1] - turns[0]), rel=0.03)


def test_skin_length_runs_along_the_outer_side_of_a_bend() -> None:
    """The outer side of a torus of radii R and r is an arc of radius R + r; along it the skin curves by the mean of 1 / (R + r cos u)."""
    surface = ReferenceSurface(*bent_tube(1.0, 4.0, np.pi / 2, 96, 96))
    turns = np.radians(np.linspace(10.0, 80.0, 9))
    joints = 4.0 * np.column_stack([1 - np.cos(turns), np.zeros(9), np.sin(turns)])
    measure = measure_limb(Limb("limb", joints), surface, leaves_trunk=False, open_root=True)
    first, last = 12, 36  # clear of the ends, where the line is straightened
    length = measure.lengths[last] - measure.lengths[first]
    assert measure.skin_lengths[last] - measure.skin_lengths[first] == pytest.approx(length * 5.0 / 4.0, rel=0.02)
    assert measure.skin_curvatures.mean() == pytest.approx(1.0 / np.sqrt(4.0**2 - 1.0**2), rel=0.1)


def test_the_branches_of_a_fork_begin_where_they_leave_the_trunk() -> None:
    """Both branches' joints start at one point inside the trunk; their skins part about one unit above it."""
    surface, chains = ReferenceSurface(*fork(80)), fork_chains()
    roots = []
    for name in ("left", "right"):
        measure = measured(chains[name].joints, surface, leaves_trunk=True)
        root = measure.centres[0]
        assert 0.6 < root[2] < 1.8
        made = np.interp(np.linalg.norm(root), [0, 2.5], chains[name].radii[:2])
        assert measure.radii[0] == pytest.approx(made, rel=0.06)
        assert measure.joints[1] < np.linalg.norm(chains[name].joints[1] - chains[name].joints[0])
        roots.append(root)
    np.testing.assert_allclose(roots[0] * [-1, 1, 1], roots[1], atol=0.06)


@pytest.fixture(scope="module")
def hand_measures() -> dict[str, Measure]:
    return measure_limbs(hand_plan(), ReferenceSurface(*hand(100)))


def test_the_digits_of_a_hand_begin_outside_the_palm(hand_measures: dict[str, Measure]) -> None:
    """Knuckle joints lie inside the palm at z = 3.3; the clefts between the fingers lie at about z = 3.9."""
    chains = hand_chains()
    for name in FINGERS:
        measure = hand_measures[name]
        assert 3.6 < measure.centres[0, 2] < 4.4
        assert measure.radii.max() < 1.3 * measure.radii[5]
        made = np.interp(measure.lengths[3:12], measure.joints[:2], chains[name].radii[:2])
        np.testing.assert_allclose(measure.radii[3:12], made, rtol=0.15)
    thumb = hand_measures["thumb"]
    assert thumb.radii[0] < 0.7 and np.linalg.norm(thumb.centres[0] - chains["thumb"].joints[0]) > 0.8


def test_the_palm_runs_up_to_its_fingers_and_does_not_see_the_thumb(hand_measures: dict[str, Measure]) -> None:
    palm = hand_measures["palm"]
    roots = np.mean([hand_measures[name].centres[0] for name in FINGERS], axis=0)
    assert np.linalg.norm(palm.centres[-1] - roots) < 0.3
    assert np.abs(palm.centres[:, 0]).max() < 0.35  # the thumb at x = 2 would draw it aside


def test_up_turns_the_frame() -> None:
    surface = ReferenceSurface(*cylinder(1.0, 10.0))
    for up in (np.array([1.0, 0, 0]), np.array([0, -2.0, 0.5])):
        measure = measured(along_z(1, 9), surface, tip="open", up=up)
        across = up * [1, 1, 0] / np.linalg.norm(up[:2])
        np.testing.assert_allclose(measure.frames, np.tile(across, (STATIONS, 1)), atol=1e-3)


def test_up_along_the_limb_is_refused() -> None:
    surface = ReferenceSurface(*cylinder(1.0, 10.0))
    with pytest.raises(PlanError, match=r'\[\[limb\]\] "limb", up: it looks along the limb; choose a direction across it'):
        measured(along_z(1, 9), surface, tip="open", up=np.array([0, 0, -3.0]))


def test_an_up_that_the_plan_did_not_ask_for_gives_way() -> None:
    surface = ReferenceSurface(*cylinder(1.0, 10.0))
    measure = measure_limb(Limb("limb", along_z(1, 9)), surface, leaves_trunk=False, open_root=True, up=np.array([0.0, 0, 1]))
    np.testing.assert_allclose(np.linalg.norm(measure.frames, axis=1), 1, atol=1e-12)


def test_joints_away_from_the_target_are_refused(round_limb: ReferenceSurface) -> None:
    with pytest.raises(PlanError, match='"limb": no slice across its joints meets the target all round; move the joints inside'):
        measured(along_z(0, 4, 8, offset=np.array([5.0, 0, 0])), round_limb)


@pytest.mark.parametrize("reach", [0.3, 0.6, 0.9])
def test_a_branch_that_ends_inside_its_trunk_is_refused(round_limb: ReferenceSurface, reach: float) -> None:
    with pytest.raises(PlanError, match='"limb": nothing of it stands free of what it grows from; leave it out'):
        measured(np.array([[0, 0, 4], [reach, 0, 4.0]]), round_limb, leaves_trunk=True)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
def test_a_measure_scales_with_its_target(scale: float) -> None:
    shape = capsule(1.0, 8.0, 48, 32)
    plain = measured(along_z(0, 4, 8), ReferenceSurface(*shape))
    scaled = measured(scale * along_z(0, 4, 8), ReferenceSurface(scale * shape.positions, shape.triangles))
    for figure in ("lengths", "centres", "radii", "girths", "profiles", "joints", "skin_lengths", "last_ring"):
        np.testing.assert_allclose(getattr(scaled, figure), scale * getattr(plain, figure), rtol=1e-5, atol=1e-5 * scale)
    np.testing.assert_allclose(scaled.tangents, plain.tangents, atol=1e-5)


def test_a_limb_hides_its_whole_length_from_others(round_limb: ReferenceSurface) -> None:
    measure = measured(along_z(0, 8), round_limb)
    tube = measure.tube()
    assert tube.points.shape == (len(tube.radii), 3) and len(tube.radii) < STATIONS
    np.testing.assert_array_equal(tube.points[[0, -1]], measure.centres[[0, -1]])
    assert np.linalg.norm(np.diff(tube.points, axis=0), axis=1).max() < 1


@pytest.mark.parametrize("cells", [90, 110])
def test_the_first_ring_of_a_thumb_does_not_reach_into_the_palm(cells: int) -> None:
    """Square to the thumb's own line a slice at its root can open although the one square to its joints did not."""
    thumb = measure_limbs(hand_plan(), ReferenceSurface(*hand(cells)))["thumb"]
    assert thumb.profiles[0].max() < 2 * np.median(thumb.radii[4:12])
    np.testing.assert_allclose(thumb.radii[0], thumb.radii[4], rtol=0.25)


def two_limbs_grown_together() -> ReferenceSurface:
    """Two limbs of radius 1 side by side that a wide bridge joins at mid-height: slices there run from one into the other."""
    ends = {"own": ([[0.0, 0, 0], [0, 0, 8]], 1.0), "other": ([[3.0, 0, 0], [3, 0, 8]], 1.0), "bridge": ([[0.0, 0, 4], [3, 0, 4]], 0.9)}
    chains = {name: LimbChain(np.array(joints), np.full(2, radius)) for name, (joints, radius) in ends.items()}
    return ReferenceSurface(*surface_nets(limb_distance(chains, blend=0.2), np.array([-1.5, -1.5, -1.5]), np.array([4.5, 1.5, 9.5]), 70))


def test_a_largest_radius_keeps_a_limb_out_of_its_neighbour() -> None:
    surface = two_limbs_grown_together()
    joints = along_z(0, 4, 8)
    free = measure_limb(Limb("limb", joints, tip="closed"), surface, leaves_trunk=False, open_root=False)
    kept = measure_limb(Limb("limb", joints, tip="closed", radius=1.3), surface, leaves_trunk=False, open_root=False)
    assert free.profiles.max() > 2.0
    assert kept.profiles.max() <= 1.3
    assert np.abs(kept.centres[:, 0]).max() < 0.2 < np.abs(free.centres[:, 0]).max()


def test_a_radius_that_holds_no_skin_is_refused(round_limb: ReferenceSurface) -> None:
    with pytest.raises(PlanError, match="larger radius"):
        measure_limb(Limb("limb", along_z(0, 4, 8), radius=0.5), round_limb, leaves_trunk=False, open_root=False)
