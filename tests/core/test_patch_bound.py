"""Fewest poles that counts allow; test_patch_topology.py holds the bound against the exhaustive search and against what fills."""

from __future__ import annotations

import pytest

from ringwright.core.patch_bound import has_overlong_side, least_poles, pole_bound
from support.patch_checks import Counts


@pytest.mark.parametrize(("corners", "poles"), [(0, 4), (1, 3), (2, 2), (3, 1), (4, 0), (5, 1), (6, 2), (8, 4)])
def test_the_plain_bound_is_the_balance(corners: int, poles: int) -> None:
    assert pole_bound(corners) == poles


@pytest.mark.parametrize(("counts", "poles"), [
    ((8,), 3), ((5, 3), 2), ((7, 1), 2), ((4, 2, 2), 1), ((5, 2, 1), 3), ((4, 3, 4, 3), 0), ((4, 3, 3, 2), 2), ((7, 2, 2, 1), 4),
    ((3, 3, 2, 2, 2), 1), ((9, 2, 2, 2, 1), 5), ((9, 1, 1, 1, 1, 1), 6),
])
def test_an_overlong_side_costs_as_many_poles_as_there_are_corners(counts: Counts, poles: int) -> None:
    assert least_poles(counts, len(counts)) == poles


def test_a_side_as_long_as_all_others_together_is_not_overlong() -> None:
    assert not has_overlong_side((4, 2, 2)) and has_overlong_side((5, 2, 2))
