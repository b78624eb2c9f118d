"""Nudging: poles walk one way, step by step, their number and the border kept."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from ringwright.core.patch_nudge import directions, nudged
from ringwright.core.patch_shape import shape_patch
from ringwright.core.patch_solve import count_keeping_changes
from ringwright.core.patch_templates import templates
from ringwright.core.patch_topology import Pattern, fill_patterns
from ringwright.core.patch_weave import face_counts
from ringwright.core.polymesh import FloatArray
from support.borders import polygon_border, regular_corners
from support.patch_checks import Counts, assert_disc, count_poles, loop_and_corners

BORDERS = [(10, 8, 8, 8), (12, 9, 8, 9), (8, 8, 8, 8, 8, 8), (7, 6, 6, 6, 6, 7), (9, 6, 7), (6, 4, 3, 5, 4), (8, 6), (5, 5, 6, 5, 5, 5, 5)]


def first_pattern(counts: Counts) -> Pattern:
    return fill_patterns(*loop_and_corners(counts))[0]


def pole_places(pattern: Pattern, counts: Counts) -> FloatArray:
    """Places of the poles inside, 3-poles first, in a regular polygon of such sides, (poles, 3)."""
    size = pattern.marks.loop_size
    positions = shape_patch(pattern.woven, polygon_border(regular_corners(len(counts)), counts))[size:]
    counted = face_counts(pattern.woven)[size:]
    return np.concatenate([positions[counted < 4], positions[counted > 4]])


def tracked(places: list[FloatArray]) -> FloatArray:
    """Every pole's place in every pattern, (patterns, poles, 3), each followed to the nearest one in the next."""
    line = [places[0]]
    for following in places[1:]:
        apart = np.linalg.norm(line[-1][:, None] - following[None], axis=2)
        line.append(following[linear_sum_assignment(apart**2)[1]])
    return np.array(line)


@pytest.mark.parametrize("corners", [1, 2, 3, 4, 5, 6, 7])
def test_changes_keep_every_side(corners: int) -> None:
    for template in templates(corners, abs(4 - corners) + 2)[:20]:
        changes = count_keeping_changes(template)
        assert len(changes)
        for change in changes[:40]:
            spans, rows = change[:4], change[4:]
            sides = template.side_spans() @ spans + np.roll(rows, 1) + np.roll(rows, -1)
            np.testing.assert_array_equal(sides, 0)
            assert change.any() and all(active or not span for active, span in zip(template.active, spans, strict=True))


@pytest.mark.parametrize("counts", BORDERS)
def test_nudged_patterns_keep_border_and_poles(counts: Counts) -> None:
    size, corners = loop_and_corners(counts)
    pattern = first_pattern(counts)
    for along in range(-4, 5):
        for across in (-2, 0, 1):
            moved = nudged(pattern, along, across)
            assert_disc(moved.woven.quads, size)
            assert moved.poles <= pattern.poles and moved.corners == pattern.corners
            if moved.corners == corners:
                assert count_poles(moved.woven.quads, size, corners) == moved.poles


@pytest.mark.parametrize("counts", [(10, 8, 8, 8), (12, 9, 8, 9), (8, 8, 8, 8, 8, 8), (12, 10, 10, 10, 10, 12), (9, 6, 9, 7, 9)])
def test_poles_walk_one_way(counts: Counts) -> None:
    """As long as all poles lie inside, no pole ever turns back, and the two directions are two."""
    pattern = first_pattern(counts)
    walks = []
    for way in range(len(directions(pattern))):
        line = {(other.spans, other.rows): other for other in
                (nudged(pattern, step * (way == 0), step * (way == 1)) for step in range(-7, 8))}
        places = [pole_places(other, counts) for other in line.values()]
        most = max(len(each) for each in places)
        steps = np.diff(tracked([each for each in places if len(each) == most]), axis=0)
        assert len(steps) and np.linalg.norm(steps, axis=2).max() > 0.03
        turns = np.einsum("ijk,ijk->ij", steps[1:], steps[:-1])
        assert turns.min(initial=0.0) > -1e-4
        walks.append(steps.mean(axis=0).ravel())
    if len(walks) == 2 and len(walks[0]) == len(walks[1]):
        assert abs(walks[0] @ walks[1]) < 0.9 * np.linalg.norm(walks[0]) * np.linalg.norm(walks[1])


def test_the_grid_of_a_round_border_turns_and_stretches() -> None:
    pattern = fill_patterns(32, ())[0]
    assert nudged(pattern, 3, 0).offset == 3
    np.testing.assert_array_equal(nudged(pattern, 32, 0).woven.quads, pattern.woven.quads)
    assert nudged(pattern, 0, 2).spans == tuple(np.array(pattern.spans) + [2, 0, -2, 0])
    assert nudged(pattern, 0, 99).spans[2] == 1
    assert nudged(nudged(pattern, 3, 1), -3, -1).spans == pattern.spans


def test_a_pattern_without_poles_stays() -> None:
    rectangle = fill_patterns(18, (0, 5, 9, 14))[0]
    np.testing.assert_array_equal(nudged(rectangle, 2, 1).woven.quads, rectangle.woven.quads)
    ell = fill_patterns(32, (0, 8, 12, 20, 24), inward=(16,))[0]
    assert nudged(ell, 2, 1) is ell
