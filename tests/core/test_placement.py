"""Placement: against brute force, against the built rows' poles, and the everyday cases."""

import itertools
import time

import numpy as np
import pytest

from ringwright.core.errors import PlanError
from ringwright.core.placement import place_step_downs, row_correspondence, rows_for_step_downs, share_step_downs, turn_word
from ringwright.core.stepdown import step_down_row


def build_rows(places, extra=1):
    """Quads of all rows with a plain row before and after, and the rings' vertex numbers."""
    counts = [places.ring_counts[0]] * extra + list(places.ring_counts) + [places.ring_counts[-1]] * extra
    starts = [[]] * extra + list(places.starts) + [[]] * extra
    offsets = np.concatenate(([0], np.cumsum(counts)))
    rings = [np.arange(offsets[i], offsets[i + 1]) for i in range(len(counts))]
    quads = np.concatenate([step_down_row(rings[i], rings[i + 1], starts[i]) for i in range(len(starts))])
    return rings, quads


def valences(quads, count):
    edges = np.sort(np.stack([quads, np.roll(quads, -1, 1)], -1).reshape(-1, 2), 1)
    unique, uses = np.unique(edges, axis=0, return_counts=True)
    assert uses.max() == 2
    return np.bincount(unique.ravel(), minlength=count), unique


def independent_cost(ring_count, word, columns, vertex_cost, pole_spacing):
    """Cost of columns by building the rows one after the other, or None where a rule is broken."""
    sites = len(word)
    surviving = list(range(ring_count))
    fives = set()
    for row in range(max(word) + 1):
        mine = [columns[i] for i in range(sites) if word[i] == row]
        if any(column not in surviving for column in mine):
            return None
        threes = [surviving.index(column) for column in mine]
        size = len(surviving)
        used = [(third - 2 + j) % size for third in threes for j in range(3)]
        if len(used) != len(set(used)):
            return None
        for third in threes:
            if any(min((third - five) % size, (five - third) % size) < pole_spacing for five in fives):
                return None
        gone = {surviving[(third - j) % size] for third in threes for j in range(2)}
        next_columns = [surviving[(third + 1) % size] for third in threes]
        surviving = [column for column in surviving if column not in gone]
        fives = {surviving.index(column) for column in next_columns}
    gaps = (np.roll(columns, -1) - columns) % ring_count
    gaps[gaps == 0] = ring_count
    cost = float(np.sum((sites * gaps / ring_count - 1) ** 2))
    if vertex_cost is not None:
        cost += sum(vertex_cost[row, c] + vertex_cost[row + 1, (c + 1) % ring_count] for row, c in zip(word, columns, strict=True))
    return cost


def brute_force(ring_count, share, vertex_cost, pole_spacing):
    word = turn_word(share).tolist()
    best = np.inf
    for chosen in itertools.combinations(range(ring_count), len(word)):
        for turn in range(len(word)):
            columns = np.roll(chosen, turn)
            cost = independent_cost(ring_count, word, columns, vertex_cost, pole_spacing)
            if cost is not None and cost < best:
                best = cost
    return best


def cases_up_to(largest):
    for ring_count in range(5, largest + 1):
        for step_downs in range(1, (ring_count - 3) // 2 + 1):
            for rows in range(1, step_downs + 1):
                yield ring_count, step_downs, rows


def compare_with_brute_force(ring_count, step_downs, rows, pole_spacing, seed):
    random = np.random.default_rng(seed)
    try:
        share = share_step_downs(ring_count, step_downs, rows, pole_spacing=pole_spacing)
    except PlanError:
        even = np.full(rows, step_downs // rows)
        even[: step_downs % rows] += 1
        assert brute_force(ring_count, even, None, pole_spacing) == np.inf
        return 0
    for cost in (None, random.random((rows + 1, ring_count))):
        places = place_step_downs(ring_count, step_downs, rows, cost, row_step_downs=share, pole_spacing=pole_spacing)
        assert places.cost == pytest.approx(brute_force(ring_count, share, cost, pole_spacing), abs=1e-9)
        assert [len(start) for start in places.starts] == share.tolist()
    return 1


@pytest.mark.parametrize("ring_count", range(5, 12))
def test_cost_equals_brute_force_on_small_rings(ring_count):
    compared = 0
    for count, step_downs, rows in cases_up_to(11):
        if count == ring_count:
            for pole_spacing in (1, 2):
                compared += compare_with_brute_force(count, step_downs, rows, pole_spacing, count * 100 + step_downs * 10 + rows)
    assert compared > 0


@pytest.mark.slow
@pytest.mark.parametrize("ring_count", range(12, 17))
def test_cost_equals_brute_force_up_to_16_edges(ring_count):
    for count, step_downs, rows in cases_up_to(16):
        if count == ring_count:
            for pole_spacing in (1, 2):
                compare_with_brute_force(count, step_downs, rows, pole_spacing, count * 100 + step_downs * 10 + rows)


@pytest.mark.parametrize(("ring_count", "step_downs", "rows"), [
    (20, 5, 1), (20, 5, 2), (20, 5, 3), (32, 6, 4), (18, 3, 3), (8, 2, 2), (64, 20, 3)])
def test_rows_hold_exactly_one_pair_of_poles_a_step_down(ring_count, step_downs, rows):
    places = place_step_downs(ring_count, step_downs, rows)
    rings, quads = build_rows(places)
    valence, _ = valences(quads, rings[-1][-1] + 1)
    inner = valence[rings[1][0] : rings[-1][0]]
    assert np.bincount(inner, minlength=6)[3:].tolist() == [step_downs, len(inner) - 2 * step_downs, step_downs]
    for row in range(rows):
        three = rings[1 + row][(places.starts[row] + 2) % places.ring_counts[row]]
        assert np.all(valence[three] == 3)


def test_single_row_is_as_even_as_it_gets():
    places = place_step_downs(20, 5, 1)
    assert np.diff(np.sort(places.columns[0])).tolist() == [4, 4, 4, 4]
    assert places.cost == pytest.approx(0.0)


def test_rows_take_turns():
    places = place_step_downs(24, 4, 2)
    order = np.argsort(np.concatenate(places.columns))
    assert np.repeat([0, 1], 2)[order].tolist() in ([0, 1, 0, 1], [1, 0, 1, 0])


def test_hidden_side_draws_step_downs():
    angle = np.arange(24) * 2 * np.pi / 24
    places = place_step_downs(24, 2, 1, 50.0 * (1 + np.cos(angle)))
    assert np.all(np.abs(places.columns[0] - 12) <= 4)


def test_forbidden_columns_stay_free():
    cost = np.zeros(20)
    cost[:11] = np.inf
    places = place_step_downs(20, 2, 1, cost)
    assert np.all(places.columns[0] >= 11)
    with pytest.raises(PlanError, match="No place is left"):
        place_step_downs(20, 5, 1, cost)


def test_uneven_fractions_are_evened_by_angle():
    fractions = np.concatenate([np.linspace(0, 0.5, 6, endpoint=False), np.linspace(0.5, 1, 18, endpoint=False)])
    places = place_step_downs(24, 2, 1, fractions=fractions)
    gap = abs(float(np.diff(fractions[places.columns[0]])[0]))
    assert gap == pytest.approx(0.5, abs=0.03)


def test_too_few_rows_names_how_many_fit():
    with pytest.raises(PlanError, match=r"use [0-9] rows"):
        share_step_downs(14, 5, 1)
    with pytest.raises(PlanError, match="at most 2 step-downs"):
        share_step_downs(8, 3, 2)


@pytest.mark.parametrize(("ring_count", "step_downs", "rows"), [(20, 5, 2), (32, 8, 2), (32, 8, 3), (32, 9, 4), (28, 7, 2)])
def test_typical_placement_is_fast(ring_count, step_downs, rows):
    cost = np.random.default_rng(3).random(ring_count)
    best = np.inf
    for _ in range(3):
        begin = time.perf_counter()
        place_step_downs(ring_count, step_downs, rows, cost)
        best = min(best, time.perf_counter() - begin)
    assert best < 0.1


@pytest.mark.parametrize("ring_count", range(5, 65))
def test_every_reduction_finds_rows_and_places(ring_count):
    for step_downs in range(1, (ring_count - 4) // 2 + 1):
        rows = rows_for_step_downs(ring_count, step_downs)
        share = share_step_downs(ring_count, step_downs, rows)
        assert share.sum() == step_downs
    places = place_step_downs(ring_count, 1, 1)
    assert places.ring_counts.tolist() == [ring_count, ring_count - 2]


def test_as_few_rows_as_leave_a_plain_column_beside_each_step_down():
    """A step-down takes three edges of its upper ring; with the plain one beside it a row holds a quarter of its ring's."""
    for ring_count, step_downs in itertools.product(range(12, 41, 2), range(1, 5)):
        if ring_count - 2 * step_downs < 6:
            continue
        fewest = next(rows for rows in range(1, step_downs + 1) if _has_room(ring_count, step_downs, rows))
        assert rows_for_step_downs(ring_count, step_downs) == fewest


def _shares(step_downs, rows):
    """As many in every row, the first ones one more."""
    return [step_downs // rows + (row < step_downs % rows) for row in range(rows)]


def _has_room(ring_count, step_downs, rows):
    upper = ring_count
    for share in _shares(step_downs, rows):
        if share > 1 and 4 * share > upper:
            return False
        upper -= 2 * share
    return True


def test_row_correspondence_wraps():
    assert row_correspondence(6, [5]).tolist() == [2, 3, 4, 5]
    assert row_correspondence(6, [0]).tolist() == [0, 3, 4, 5]
    assert row_correspondence(4, []).tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize("seed", range(30))
def test_what_is_left_out_of_a_large_search_never_held_the_best(seed, monkeypatch):
    random = np.random.default_rng(seed)
    count = int(random.integers(17, 60))
    step_downs = int(random.integers(2, count // 4 + 1))
    rows = rows_for_step_downs(count, step_downs) + int(random.integers(0, 3))
    cost = random.random((rows + 1, count)) * random.choice([0.2, 3.0, 30.0])
    cost[random.random(cost.shape) < 0.15] = np.inf
    fractions = np.sort(random.random(count)) * 0.999

    def least():
        try:
            return place_step_downs(count, step_downs, rows, cost, fractions=fractions).cost
        except PlanError:
            return None

    narrowed = least()
    monkeypatch.setattr("ringwright.core.placement._narrowed", lambda problem, word: problem)
    whole = least()
    assert narrowed == (whole if whole is None else pytest.approx(whole))


def test_rings_of_more_than_256_edges():
    cost = np.random.default_rng(1).random(400)
    places = place_step_downs(400, 40, 2, cost)
    assert sum(len(row) for row in places.starts) == 40 and places.ring_counts[-1] == 320
