"""Where step-downs go: an exact optimisation round the ring and over the rows.

A row of quads runs from an upper ring of n edges to a lower ring of n - 2k. A step-down that starts at upper
vertex t takes the edges (t, t+1), (t+1, t+2), (t+2, t+3) to one lower edge: upper vertex t + 2 becomes a 3-pole,
the lower vertex under t + 3 a 5-pole. All places are told in columns, the vertex numbers of the first ring,
which every later ring inherits from the vertices above it.

The step-downs' order round the ring is a fixed word in which the rows take turns; every rule then reads "this
3-pole lies at least so many columns after that one", and the search is over columns alone.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .errors import PlanError
from .polymesh import FloatArray, IntArray

STEP_DOWN_WIDTH = 3
"""Upper edges that one step-down takes."""

POLE_SPACING = 2
"""Edges kept between a row's 5-poles and the next row's 3-poles on the ring they share; 1 would let them touch."""

COMFORTABLE_SHARE = 0.25
"""Step-downs a row takes by choice, per edge of its upper ring: one plain column beside each (common practice)."""


@dataclass(frozen=True)
class StepDownPlaces:
    """Step-downs placed in consecutive rows.

    ring_counts : (rows + 1,) int32, edges of every ring from the first to the last
    starts : for every row (k_r,) int32, the upper vertex at which each step-down starts, in that row's own numbers
    columns : for every row (k_r,) int32, column of each step-down's 3-pole in the first ring's numbers
    cost : the objective's value, spacing plus poles
    """

    ring_counts: IntArray
    starts: tuple[IntArray, ...]
    columns: tuple[IntArray, ...]
    cost: float

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.starts)


def row_correspondence(upper_count: int, starts: npt.ArrayLike) -> IntArray:
    """Upper vertex above every lower vertex of a row, (upper_count - 2 k,) int32, increasing.

    upper_count : edges of the upper ring
    starts : (k,) int, upper vertices at which step-downs start
    """
    kept = np.ones(upper_count, dtype=np.bool_)
    first = np.asarray(starts, dtype=np.int64)
    kept[(first + 1) % upper_count] = False
    kept[(first + 2) % upper_count] = False
    return np.flatnonzero(kept).astype(np.int32)


def share_step_downs(ring_count: int, step_downs: int, rows: int, *, pole_spacing: int = POLE_SPACING) -> IntArray:
    """Share step-downs out over rows as evenly as the shrinking rings allow, (rows,) int32.

    The same number for every row where that fits, else in proportion to the rings, else with plain rows between.
    Raises PlanError where nothing fits; the sentence names the fewest rows that do.
    """
    _check_request(ring_count, step_downs, rows)
    share = _fitting_share(ring_count, step_downs, rows, pole_spacing)
    if share is not None:
        return share
    fewest = _fewest_rows(ring_count, step_downs, pole_spacing)
    advice = f"use {fewest} rows" if fewest else "end at a larger ring"
    raise PlanError(f"{step_downs} step-downs from a ring of {ring_count} edges do not fit into {rows} rows; {advice}.")


def rows_for_step_downs(ring_count: int, step_downs: int, *, pole_spacing: int = POLE_SPACING) -> int:
    """Fewest rows that take the step-downs, with a plain column beside each where that is possible; 0 for none."""
    if step_downs == 0:
        return 0
    _check_request(ring_count, step_downs, 1)
    for rows in range(1, step_downs + 1):
        share = _even_share(step_downs, rows)
        upper = _ring_counts(ring_count, share)[:-1]
        if np.all(share <= np.maximum(COMFORTABLE_SHARE * upper, 1)) and _fits(ring_count, share, pole_spacing):
            return rows
    fewest = _fewest_rows(ring_count, step_downs, pole_spacing)
    if fewest is None:
        raise PlanError(f"{step_downs} step-downs do not fit below a ring of {ring_count} edges; end at a larger ring.")
    return fewest


def place_step_downs(ring_count: int, step_downs: int, rows: int, vertex_cost: npt.ArrayLike | None = None, *,
                     row_step_downs: Sequence[int] | IntArray | None = None, fractions: npt.ArrayLike | None = None,
                     pole_spacing: int = POLE_SPACING) -> StepDownPlaces:
    """Place step-downs at least cost: evenly round the ring, in rows that take turns, on cheap vertices.

    ring_count : edges of the first, fullest ring
    step_downs : step-downs over all rows; each takes two edges
    rows : consecutive rows that may hold them
    vertex_cost : cost of a pole, (ring_count,) by column, or (rows + 1, ring_count) by ring and column; infinite
        forbids; a step-down with its 3-pole at column c of ring r pays for column c of ring r and column c + 1 of
        ring r + 1; 1 weighs as much as one gap between neighbours that is off by its own length; left out: none
    row_step_downs : step-downs of every row; left out: shared out as evenly as they fit
    fractions : (ring_count,) increasing in [0, 1), where the columns lie round the ring; left out: evenly
    pole_spacing : edges kept between 5-poles and 3-poles that meet on one ring, at least 1
    Returns the places of least cost, sum over neighbours of (step_downs * gap - 1)^2 plus the poles' costs,
    among all that follow the rows' turns; ties fall to the lowest columns.
    Raises PlanError where they do not fit.
    Method: A* search (Hart, Nilsson, Raphael 1968) with the exact cost of the problem without the rules between
    sites that are no neighbours as its bound.
    """
    share = (share_step_downs(ring_count, step_downs, rows, pole_spacing=pole_spacing) if row_step_downs is None
             else np.asarray(row_step_downs, dtype=np.int32))
    if len(share) != rows or int(share.sum()) != step_downs:
        raise ValueError(f"row_step_downs must be {rows} numbers that add up to {step_downs}, got {share.tolist()}")
    counts = _ring_counts(ring_count, share)
    if step_downs == 0:
        nothing = tuple(np.zeros(0, dtype=np.int32) for _ in range(rows))
        return StepDownPlaces(counts, nothing, nothing, 0.0)
    word = turn_word(share)
    rules = spacing_rules(word, pole_spacing)
    if not _rules_hold_round(ring_count, rules, len(word)) or counts[-1] < 3:
        raise PlanError(f"Rows of {share.tolist()} step-downs do not fit below a ring of {ring_count} edges; use more rows.")
    poles = _pole_costs(ring_count, rows, vertex_cost)
    site_cost = poles[word] + np.roll(poles, -1, axis=1)[word + 1]
    # Where every column is alike a turn of the whole changes nothing, so one first column is enough.
    alike = fractions is None and bool(np.all(site_cost == site_cost[:, :1]))
    problem = _Problem(ring_count, _least_differences(ring_count, rules, step_downs),
                       _gap_costs(ring_count, step_downs, fractions), site_cost, np.arange(1 if alike else ring_count), ring_count)
    columns, cost = _search(_narrowed(problem, word))
    return _places(counts, word, columns, cost)


def turn_places(places: StepDownPlaces, by: int) -> StepDownPlaces:
    """The same places moved on by some columns of the first ring; the cost is the one before the turn."""
    moved = [(columns + by) % places.ring_counts[0] for columns in places.columns]
    rows = np.repeat(np.arange(places.rows), [len(columns) for columns in moved])
    return _places(places.ring_counts, rows.astype(np.int32), np.concatenate([np.zeros(0, dtype=np.int64), *moved]), places.cost)


def turn_word(share: npt.ArrayLike) -> IntArray:
    """Rows in the order in which their step-downs follow one another round the ring, (step_downs,) int32.

    share : (rows,) int, step-downs of every row; the word starts with the first row that has any
    """
    counts = np.asarray(share, dtype=np.int64)
    row = np.repeat(np.arange(len(counts)), counts)
    turn = np.concatenate([np.arange(count) for count in counts]) if len(counts) else np.zeros(0)
    place = (turn + 0.5) / np.maximum(counts[row], 1)
    word = row[np.lexsort((row, place))].astype(np.int32)
    return np.roll(word, -int(np.argmin(word))) if len(word) else word


@dataclass(frozen=True)
class SpacingRule:
    """Site ``later`` (cyclic) lies at least ``columns`` columns after site ``earlier``."""

    earlier: int
    later: int
    columns: int


def spacing_rules(word: npt.ArrayLike, pole_spacing: int = POLE_SPACING) -> list[SpacingRule]:
    """All rules between the sites of a word; ``later`` may exceed the word's length by one turn.

    Between two 3-poles lie as many edges of a row's ring as there are columns, less two for every step-down of an
    earlier row in between. One row's step-downs stay three edges apart; a 3-pole of a later row must survive the
    earlier row's step-down beside it; 5-poles keep pole_spacing edges from the next row's 3-poles.
    """
    rows = [int(row) for row in np.asarray(word)]
    count = len(rows)
    rules = []
    for later in range(count, 2 * count):
        row, seen, swallowed = rows[later - count], set(), 0
        for earlier in range(later - 1, later - count - 1, -1):
            other = rows[earlier % count]
            if other not in seen:
                seen.add(other)
                needed = _edges_between(other, row, pole_spacing)
                rules.append(SpacingRule(earlier % count, later - (count if earlier >= count else 0), needed + 2 * swallowed))
            swallowed += other < row
    return rules


def _edges_between(earlier_row: int, later_row: int, pole_spacing: int) -> int:
    """Edges of the later site's ring from the earlier site's 3-pole to the later one's, at least."""
    if earlier_row == later_row:
        return STEP_DOWN_WIDTH
    if abs(earlier_row - later_row) == 1:
        return pole_spacing + 1
    return 1 if earlier_row < later_row else 2


def _check_request(ring_count: int, step_downs: int, rows: int) -> None:
    if step_downs < 0 or rows < 0 or (step_downs and not rows):
        raise PlanError(f"{step_downs} step-downs need at least one row, not {rows}.")
    if step_downs and ring_count - 2 * step_downs < 3:
        raise PlanError(f"A ring of {ring_count} edges cannot lose {2 * step_downs}; at most {max((ring_count - 3) // 2, 0)} "
                        "step-downs leave a ring.")


def _ring_counts(ring_count: int, share: IntArray) -> IntArray:
    return (ring_count - 2 * np.concatenate(([0], np.cumsum(share)))).astype(np.int32)


def _even_share(step_downs: int, rows: int) -> IntArray:
    share = np.full(rows, step_downs // max(rows, 1), dtype=np.int32)
    share[: step_downs % max(rows, 1)] += 1
    return share


def _proportional_share(ring_count: int, step_downs: int, rows: int) -> IntArray:
    """Shares in proportion to the rings: every row shrinks its ring by about the same factor."""
    factor = (1.0 - 2.0 * step_downs / ring_count) ** (1.0 / max(rows, 1))
    done = np.rint(ring_count * (1.0 - factor ** np.arange(rows + 1)) / 2.0)
    done[-1] = step_downs
    return np.diff(done).astype(np.int32)


def _fitting_share(ring_count: int, step_downs: int, rows: int, pole_spacing: int) -> IntArray | None:
    spread = np.zeros(rows, dtype=np.int32)
    spread[::2] = _proportional_share(ring_count, step_downs, (rows + 1) // 2)
    candidates = (_even_share(step_downs, rows), _proportional_share(ring_count, step_downs, rows), spread)
    return next((share for share in candidates if _fits(ring_count, share, pole_spacing)), None)


def _fewest_rows(ring_count: int, step_downs: int, pole_spacing: int) -> int | None:
    return next((rows for rows in range(1, 2 * step_downs + 1)
                 if _fitting_share(ring_count, step_downs, rows, pole_spacing) is not None), None)


def _fits(ring_count: int, share: IntArray, pole_spacing: int) -> bool:
    counts = _ring_counts(ring_count, share)
    if np.any(STEP_DOWN_WIDTH * share > counts[:-1]) or counts[-1] < 3:
        return False
    word = turn_word(share)
    return _rules_hold_round(ring_count, spacing_rules(word, pole_spacing), len(word))


def _rules_hold_round(ring_count: int, rules: list[SpacingRule], sites: int) -> bool:
    """Whether any columns obey the rules: no cycle of rules asks for more than the turns it goes round."""
    return bool(np.all(np.diag(_least_differences(ring_count, rules, sites)) <= 0))


def _least_differences(ring_count: int, rules: list[SpacingRule], sites: int) -> npt.NDArray[np.int64]:
    """Least column difference that the rules imply from every site to every other (longest paths).

    Source: Floyd 1962, Warshall 1962.
    """
    least = np.full((sites, sites), -(10**6), dtype=np.int64)
    np.fill_diagonal(least, 0)
    for rule in rules:
        turns, later = divmod(rule.later, sites)
        least[rule.earlier, later] = max(least[rule.earlier, later], rule.columns - turns * ring_count)
    for middle in range(sites):
        np.maximum(least, least[:, middle, None] + least[None, middle], out=least)
    return least


def _gap_costs(ring_count: int, step_downs: int, fractions: npt.ArrayLike | None) -> FloatArray:
    """Cost of a gap of g columns that begins at column c, (ring_count, ring_count + 1)."""
    place = np.arange(ring_count) / ring_count if fractions is None else np.asarray(fractions, dtype=np.float64)
    if place.shape != (ring_count,) or np.any(np.diff(place) < 0) or place[-1] - place[0] >= 1:
        raise ValueError(f"fractions must be {ring_count} increasing numbers that span less than 1")
    unrolled = np.concatenate([place, place + 1.0, place[:1] + 2.0])
    column = np.arange(ring_count)[:, None]
    gap = unrolled[column + np.arange(ring_count + 1)] - place[:, None]
    return np.asarray((step_downs * gap - 1.0) ** 2)


def _pole_costs(ring_count: int, rows: int, vertex_cost: npt.ArrayLike | None) -> FloatArray:
    cost = np.zeros((rows + 1, ring_count)) if vertex_cost is None else np.asarray(vertex_cost, dtype=np.float64)
    if cost.shape not in ((ring_count,), (rows + 1, ring_count)):
        raise ValueError(f"vertex_cost must have shape ({ring_count},) or ({rows + 1}, {ring_count}), got {cost.shape}")
    return np.asarray(np.broadcast_to(cost, (rows + 1, ring_count)))


@dataclass(frozen=True)
class _Problem:
    """Sites in a fixed order round a ring of columns.

    least : (K, K) int64, least column difference from site to site, closed under chaining
    gap_cost : (n, n + 1) float64, by first column and length
    site_cost : (K, n) float64, by site and column
    first_columns : (s,) int64, columns at which the first site may lie
    longest : greatest gap between neighbours that is looked at
    """

    ring_count: int
    least: npt.NDArray[np.int64]
    gap_cost: FloatArray
    site_cost: FloatArray
    first_columns: npt.NDArray[np.int64]
    longest: int

    @property
    def sites(self) -> int:
        return len(self.least)


def _cost_to_go(problem: _Problem) -> FloatArray:
    """Least cost after site i at offset d from the first, rules between neighbours alone: (K, starts, n).

    One dynamic programme per first column, backwards round the ring.
    """
    count, sites = problem.ring_count, problem.sites
    first = problem.first_columns[:, None]
    offset = np.arange(count)
    column = (first + offset) % count
    remaining = np.empty((sites, len(first), count))
    low, high = _gap_window(problem, sites - 1)
    closing = count - offset
    remaining[-1] = np.where((closing >= low) & (closing <= high), problem.gap_cost[column, closing], np.inf)
    for site in range(sites - 2, -1, -1):
        low, high = _gap_window(problem, site)
        after = remaining[site + 1] + problem.site_cost[site + 1][column]
        least = np.full((len(first), count), np.inf)
        for gap in range(low, min(high, count - 1) + 1):
            reached = least[:, : count - gap]
            np.minimum(reached, problem.gap_cost[:, gap][column[:, : count - gap]] + after[:, gap:], out=reached)
        remaining[site] = least
    return remaining


def _narrowed(problem: _Problem, word: IntArray) -> _Problem:
    """The same problem without gaps that cost more by themselves than some placement does in all, nor first columns beyond them.

    A word that repeats may be told from any repetition: one of them begins within as many gaps as it has sites.
    """
    if len(problem.first_columns) == 1:
        return problem
    start = problem.first_columns[[int(np.argmin(problem.site_cost[0]))]]
    try:
        _, cost = _search(replace(problem, first_columns=start))
    except PlanError:
        return problem
    budget = cost - float(problem.site_cost.min(axis=1).sum()) + 1e-6
    longest = int(np.flatnonzero((problem.gap_cost <= budget).any(axis=0))[-1])
    sites = len(word)
    period = next(size for size in range(1, sites + 1) if sites % size == 0 and np.array_equal(word, np.roll(word, size)))
    return replace(problem, first_columns=problem.first_columns[: period * longest], longest=longest)


def _gap_window(problem: _Problem, site: int) -> tuple[int, int]:
    """Least and greatest gap from a site to the next one round the ring."""
    following = (site + 1) % problem.sites
    turn = problem.ring_count if following <= site else 0
    low = max(int(problem.least[site, following]) + turn, 1)
    return low, min(turn - int(problem.least[following, site]), problem.longest) if problem.sites > 1 else problem.ring_count


def _search(problem: _Problem) -> tuple[npt.NDArray[np.int64], float]:
    """Columns of all sites at least cost, (K,) int64, and that cost.

    The rules are closed under chaining, so every partial placement that obeys them can be completed.
    """
    remaining = _cost_to_go(problem)
    queue: list[tuple[float, int, int, tuple[int, ...], float]] = []
    for start, column in enumerate(problem.first_columns):
        spent = float(problem.site_cost[0, column])
        bound = spent + remaining[0, start, 0]
        if np.isfinite(bound):
            queue.append((round(bound, 9), 0, start, (0,), spent))
    heapq.heapify(queue)
    seen: set[tuple[int, int, bytes]] = set()
    while queue:
        _, _, start, offsets, spent = heapq.heappop(queue)
        placed = len(offsets)
        column = int(problem.first_columns[start])
        if placed == problem.sites:
            closing = problem.gap_cost[(column + offsets[-1]) % problem.ring_count, problem.ring_count - offsets[-1]]
            return (column + np.array(offsets)) % problem.ring_count, spent + float(closing)
        lower, upper = _bounds(problem, offsets)
        key = (start, offsets[-1], lower.tobytes() + upper.tobytes())
        if key in seen:
            continue
        seen.add(key)
        for offset in range(int(lower[0]), min(int(upper[0]), problem.ring_count - 1) + 1):
            gap = offset - offsets[-1]
            now = (spent + float(problem.gap_cost[(column + offsets[-1]) % problem.ring_count, gap])
                   + float(problem.site_cost[placed, (column + offset) % problem.ring_count]))
            bound = now + remaining[placed, start, offset]
            if np.isfinite(bound):
                heapq.heappush(queue, (round(bound, 9), -placed, start, (*offsets, offset), now))
    raise PlanError(f"No place is left for {problem.sites} step-downs round a ring of {problem.ring_count} edges: "
                    "allow more vertices or more rows.")


def _bounds(problem: _Problem, offsets: tuple[int, ...]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Least and greatest offset of every site that is not yet placed."""
    placed = len(offsets)
    here = np.array(offsets)[:, None]
    lower = np.max(here + problem.least[:placed, placed:], axis=0)
    upper = np.min(here - problem.least[placed:, :placed].T, axis=0)
    return lower, upper


def _places(counts: IntArray, word: IntArray, columns: npt.NDArray[np.int64], cost: float) -> StepDownPlaces:
    """Turn columns into every row's own vertex numbers."""
    surviving: npt.NDArray[np.int64] = np.arange(counts[0])
    starts, by_row = [], []
    for row in range(len(counts) - 1):
        mine = np.sort(columns[word == row])
        third = np.searchsorted(surviving, mine)
        first = (third - 2) % len(surviving)
        order = np.argsort(first)
        starts.append(first[order].astype(np.int32))
        by_row.append(mine[order].astype(np.int32))
        surviving = surviving[row_correspondence(len(surviving), first)]
    return StepDownPlaces(counts, tuple(starts), tuple(by_row), cost)
