"""Facing rings: who is paired with whom, and what a splice would take."""

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.mismatches import pair_rings, ring_fractions
from ringwright.core.polymesh import PolyMesh
from ringwright.core.ring_report import count_rings
from ringwright.core.rings import boundary_rings
from support.tubes import join, tube


def pairs_of(mesh):
    return pair_rings(mesh, boundary_rings(mesh, build_adjacency(mesh)))


def test_hand_of_20_meets_arm_of_10():
    mesh = join(tube(10, 5), tube(20, 5, base=(0, 0, 4.0)))
    report = count_rings(mesh)
    assert len(report.pairs.mismatches) == 1
    pair = report.pairs.mismatches[0]
    assert pair.counts == (20, 10)
    assert pair.step_downs == 5
    assert sum(len(start) for start in pair.places.starts) == 5
    assert pair.sentence() == "A ring of 20 edges faces one of 10: a splice takes 5 step-downs."
    assert len(report.pairs.ends) == 2
    assert set(report.pairs.ends.tolist()) | {pair.fuller, pair.sparser} == {0, 1, 2, 3}


def test_odd_difference_is_said_to_have_no_splice():
    pair = pairs_of(join(tube(9, 3), tube(12, 3, base=(0, 0, 3.0)))).pairs[0]
    assert pair.step_downs is None and pair.places is None
    assert "odd difference" in pair.sentence() and "make the smaller one 10 or 8" in pair.sentence()


def test_pairs_of_odd_difference_hold_no_other_pair_up():
    pairs = pairs_of(join(tube(9, 3), tube(12, 3, base=(0, 0, 3.0)), tube(8, 3, base=(6, 0, 0)), tube(6, 3, base=(6, 0, 3.0))))
    assert [pair.counts for pair in pairs.pairs] == [(12, 9), (8, 6)]
    assert [pair.counts for pair in pairs.joinable] == [(8, 6)] and [pair.counts for pair in pairs.odd] == [(12, 9)]


def test_single_tube_has_two_ends():
    pairs = pairs_of(tube(8, 4))
    assert pairs.pairs == () and pairs.ends.tolist() == [0, 1]


def test_rings_that_lie_on_each_other_pair():
    pair = pairs_of(join(tube(8, 3, spacing=1.0), tube(12, 3, base=(0, 0, 2.0)))).pairs[0]
    assert pair.gap == pytest.approx(0.0) and pair.counts == (12, 8)


def flat_ring(count, radii):
    """A flat piece of quads between circles, its outside up."""
    angle = 2 * np.pi * np.arange(count) / count
    points = [np.column_stack([radius * np.cos(angle), radius * np.sin(angle), 0 * angle]) for radius in radii]
    following = (np.arange(count) + 1) % count
    rows = [np.column_stack([row * count + np.arange(count), (row + 1) * count + np.arange(count), (row + 1) * count + following,
                             row * count + following]) for row in range(len(radii) - 1)]
    return PolyMesh.from_quads(np.concatenate(points), np.concatenate(rows))


def test_rim_and_hole_of_one_flat_piece_do_not_face_each_other():
    assert pairs_of(flat_ring(12, (1.0, 1.5, 2.0))).pairs == ()


def test_a_flat_piece_faces_the_hole_round_it():
    pairs = pairs_of(join(flat_ring(12, (0.5, 1.0)), flat_ring(16, (1.5, 2.0))))
    assert [pair.counts for pair in pairs.pairs] == [(16, 12)] and len(pairs.ends) == 2


def test_neighbouring_fingers_do_not_pair_with_each_other():
    fingers = [tube(6, 3, radius=0.4, base=(x, 0, 3.0)) for x in (0.0, 1.0, 2.0)]
    stumps = [tube(8, 3, radius=0.45, base=(x, 0, 0.0)) for x in (0.0, 1.0, 2.0)]
    pairs = pairs_of(join(*fingers, *stumps))
    assert len(pairs.pairs) == 3
    assert [pair.counts for pair in pairs.pairs] == [(8, 6)] * 3
    assert all(pair.gap == pytest.approx(pairs.pairs[0].gap) for pair in pairs.pairs)


def test_assignment_is_global():
    # Nearest first would pair the two rings in the middle and leave the outer ones to each other.
    mesh = join(tube(8, 3, base=(0, 0, 0.0), spacing=0.5), tube(8, 3, base=(1.1, 0, 2.0), spacing=0.5),
                tube(8, 3, base=(1.9, 0, 0.0), spacing=0.5), tube(8, 3, base=(3.0, 0, 2.0), spacing=0.5))
    rings = boundary_rings(mesh, build_adjacency(mesh))
    pairs = pair_rings(mesh, rings)
    across = [sorted(rings.centres[[pair.fuller, pair.sparser], 0].round(3)) for pair in pairs.pairs]
    assert across == [[0.0, 1.1], [1.9, 3.0]]


def test_no_rings():
    assert count_rings(PolyMesh.from_faces(np.zeros((0, 3)), [])).pairs.pairs == ()


def test_fractions_follow_arc_length():
    assert ring_fractions([[0, 0, 0], [1, 0, 0], [1, 3, 0], [0, 3, 0]]) == pytest.approx([0, 0.125, 0.5, 0.625])
    assert ring_fractions(np.zeros((4, 3))) == pytest.approx([0, 0.25, 0.5, 0.75])
