"""The small integer program of a patch: spans and rows of a template, none below zero, that add up to the side counts.

The rows follow in closed form from the spans (for a single pole: Tarini, "Closed-form Quadrangulation of n-Sided Patches", 2021), so the
program is solved exactly by trying all spans of all templates at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from .patch_templates import Template, TemplateGroup
from .polymesh import FloatArray, IntArray

MOST_SPAN_CHOICES = 20_000
LEAST_SPAN_CHOICES = 400
MOST_TRIES = 1_000_000
"""Span combinations that one template, and that a group of templates, may try; beyond, the longest spans are tried in steps of two, then
four (only split sides on long borders come there; measured: a group takes 0.2 s at most)."""
MOST_AT_ONCE = 200_000
"""Span combinations times templates that are tried in one sweep, to bound memory."""
FREE_ROW_SHARES = (0.5, 0.25, 0.75, 0.0, 1.0)
"""Where rows can be traded between opposite sides, the shares that are tried."""
BARE_SIDE = 0.02
"""Charge for sides without a row of their own, where a pole may lie on the border."""


@dataclass(frozen=True)
class FillTask:
    """What a template is solved for.

    counts : edges of every side
    corner_count : 0 for a border without corners (then one count), else the number of sides
    least : rows that every side must have at least
    inward : for every side, the steps from its first corner at which a 5-pole on the border is welcome
    """

    counts: tuple[int, ...]
    corner_count: int
    least: tuple[int, ...]
    inward: tuple[frozenset[int], ...] = ()


@dataclass(frozen=True)
class Solution:
    """A template with its numbers.

    spans : quads along a1, a2, b1, b2
    rows : rows along every side
    unevenness : sum of their squares over the square of the border's edges, with charges; lower is more even
    """

    template: Template
    spans: tuple[int, ...]
    rows: tuple[int, ...]
    unevenness: float


def solve_templates(groups: tuple[TemplateGroup, ...], task: FillTask, keep: int) -> list[Solution]:
    """Solutions of templates of one corner count, most even first, at most ``keep`` for each."""
    solutions: list[Solution] = []
    for group in groups:
        choices = _span_choices(group.active, group.tables, task.counts)
        size = max(1, MOST_AT_ONCE // len(choices))
        for first in range(0, len(group.members), size):
            solutions += _solve_alike(group.members[first:first + size], group.tables[first:first + size], choices, task, keep)
    return sorted(solutions, key=lambda solution: solution.unevenness)


def _solve_alike(members: tuple[Template, ...], tables: IntArray, choices: IntArray, task: FillTask, keep: int) -> list[Solution]:
    tags, rest = _rest_of_sides(tables, choices, task.counts)
    tags, rows = _ring_rows(tags, rest, task) if task.corner_count == 0 else _side_rows(tags, rest)
    fine = np.all(rows >= np.asarray(task.least), axis=1)
    tags, rows = tags[fine], rows[fine]
    score = unevenness(tags[:, 1:], rows, sum(task.counts)) - _welcome_poles(members, tags[:, 0], rows, task.inward)
    order = np.lexsort([score, tags[:, 0]])
    whose = tags[order, 0]
    rank = np.arange(len(order)) - np.searchsorted(whose, whose)
    chosen = order[rank < (keep if task.corner_count else len(order))]
    return [Solution(members[tag[0]], tuple(tag[1:]), tuple(row), value)
            for tag, row, value in zip(tags[chosen].tolist(), rows[chosen].tolist(), score[chosen].tolist(), strict=True)]


def _rest_of_sides(tables: IntArray, choices: IntArray, counts: tuple[int, ...]) -> tuple[IntArray, IntArray]:
    """What the spans leave of every side for its neighbours' rows, (M, sides), for the templates and spans (M, 5) that leave enough."""
    members, sides, _ = tables.shape
    # floats are exact here, and multiply many times as fast
    taken = (tables.reshape(-1, 4).astype(np.float64) @ choices.T.astype(np.float64)).reshape(members, sides, -1)
    fits = np.ones((members, len(choices)), dtype=np.bool_)
    for side, count in enumerate(counts):
        fits &= taken[:, side] <= count
    whose, which = np.nonzero(fits)
    rest = np.asarray(counts, dtype=np.int32) - taken[whose, :, which].astype(np.int32)
    return np.column_stack([whose.astype(np.int32), choices[which]]), rest


def unevenness(spans: IntArray, rows: IntArray, loop_size: int) -> FloatArray:
    """Sum of squares of spans and rows over the border's square, plus a charge for sides without a row of their own."""
    bare = (rows == 0).sum(axis=1) / max(rows.shape[1], 1)
    return ((spans.astype(np.float64) ** 2).sum(axis=1) + (rows.astype(np.float64) ** 2).sum(axis=1)) / loop_size**2 + BARE_SIDE * bare


def _welcome_poles(members: tuple[Template, ...], whose: IntArray, rows: IntArray, inward: tuple[frozenset[int], ...]) -> FloatArray:
    """How many 5-poles of every solution lie on the border at an inward corner: those between two corners at one place, without a row."""
    welcome = np.zeros(len(rows))
    for side, steps in enumerate(inward):
        if steps:
            narrow = np.array([template.steps[side] == 0 for template in members], dtype=np.bool_)
            welcome += narrow[whose] & (rows[:, side] == 0) & np.isin(rows[:, side - 1], list(steps))
    return welcome


def _span_choices(active: tuple[bool, ...], tables: IntArray, counts: tuple[int, ...]) -> IntArray:
    """All span combinations that could fit one of the templates, (K, 4)."""
    most = np.where(tables > 0, np.asarray(counts)[:, None] // np.maximum(tables, 1), max(counts)).min(axis=1).max(axis=0)
    tops = tuple(int(top) if free else 0 for top, free in zip(most, active, strict=True))
    return _span_grid(tops, min(max(MOST_TRIES // len(tables), LEAST_SPAN_CHOICES), MOST_SPAN_CHOICES))


@lru_cache(maxsize=64)
def _span_grid(tops: tuple[int, ...], most: int) -> IntArray:
    """All combinations of four spans from 0 to their tops, (K, 4) int32; the longest in wider steps until they are ``most`` at most."""
    ranges = [np.arange(top + 1) for top in tops]
    while np.prod([len(values) for values in ranges]) > most:
        longest = max(range(4), key=lambda span: len(ranges[span]))
        ranges[longest] = np.concatenate([ranges[longest][:4], ranges[longest][4::2]])
    grid = np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 4).astype(np.int32)
    grid.setflags(write=False)  # shared by all who ask
    return grid


def _ring_rows(tags: IntArray, rest: IntArray, task: FillTask) -> tuple[IntArray, IntArray]:
    # a turn swaps the two spans, so the longer comes first
    fits = tags[(rest[:, 0] == 0) & (tags[:, 1] >= tags[:, 3]) & (tags[:, 3] > 0)]
    return fits, np.full((len(fits), 1), max(task.least[0], ring_rows(task.counts[0])))


def ring_rows(loop_size: int) -> int:
    """Closed rings of quads before the grid of a patch without corners: none on a small border, where the grid's corners stay open.

    From 12 edges on a corner of the grid that lay on a round border would be wider than 150 degrees. Beyond, the rings grow so that the
    quads come out alike: a disc of radius r holds pi r^2 quads, the grid (pi r / 2)^2 of them.
    """
    return 0 if loop_size < 12 else max(1, round(loop_size * (1 / (4 * np.pi) - 1 / 16)))


def _side_rows(tags: IntArray, rest: IntArray) -> tuple[IntArray, IntArray]:
    """Rows with rows[i - 1] + rows[i + 1] = rest[i] for every choice; several where opposite sides can trade. Some may be negative."""
    sides = rest.shape[1]
    fits = np.ones(len(rest), dtype=np.bool_)
    for cycle in _row_cycles(sides):
        alternate = rest[:, [(i + 1) % sides for i in cycle]] @ _signs(len(cycle))
        fits &= (alternate % 2 == 0) if len(cycle) % 2 else (alternate == 0)
    tags, rest = tags[fits], rest[fits]
    rows = np.zeros_like(rest)
    free: list[tuple[list[int], IntArray, IntArray, IntArray]] = []
    for cycle in _row_cycles(sides):
        sign = _signs(len(cycle))
        sums = rest[:, [(i + 1) % sides for i in cycle]]
        if len(cycle) % 2:
            rows[:, cycle] = _follow((sums @ sign) // 2, sums)
        else:
            shift = _follow(np.zeros(len(rest), dtype=sums.dtype), sums)
            lowest = np.max(np.where(sign > 0, -shift, np.iinfo(shift.dtype).min), axis=1)
            highest = np.min(np.where(sign < 0, shift, np.iinfo(shift.dtype).max), axis=1)
            free.append((cycle, lowest, highest, sums))
    return _with_free_rows(tags, rows, free)


def count_keeping_changes(template: Template) -> IntArray:
    """Small changes of spans and rows that leave every side its count, (K, 4 + sides), the smallest first.

    Of a change and its opposite only that whose first changed row, else span, grows; spans change by 2 at most.
    """
    sides, table = len(template.starts), template.side_spans()
    steps = [np.arange(-2, 3) if active else np.zeros(1, dtype=np.int64) for active in template.active]
    spans = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 4).astype(np.int32)
    changes = np.hstack([spans, np.zeros((len(spans), sides), dtype=np.int32)])
    for cycle in _row_cycles(sides):
        sums = -(changes[:, :4] @ table.T)[:, [(side + 1) % sides for side in cycle]]
        alternate = sums @ _signs(len(cycle))
        odd = len(cycle) % 2 == 1
        fits = alternate % 2 == 0 if odd else alternate == 0
        firsts = [alternate[fits] // 2] if odd else [np.full(np.count_nonzero(fits), first, dtype=np.int32) for first in (-1, 0, 1)]
        changes = np.concatenate([changes[fits]] * len(firsts))
        changes[:, [4 + side for side in cycle]] = np.concatenate([_follow(first, sums[fits]) for first in firsts])
    order = np.hstack([changes[:, 4:], changes[:, :4]])
    leading = np.take_along_axis(order, np.argmax(order != 0, axis=1)[:, None], axis=1)[:, 0]
    order, changes = order[leading > 0], changes[leading > 0]
    return np.asarray(changes[np.lexsort([*-order.T[::-1], np.abs(changes).sum(axis=1)])])


def _row_cycles(sides: int) -> list[list[int]]:
    """Sides whose rows depend on one another, each two further than the one before."""
    if sides % 2:
        return [[(2 * k) % sides for k in range(sides)]]
    return [list(range(first, sides, 2)) for first in (0, 1)]


def _signs(count: int) -> IntArray:
    return ((-1) ** np.arange(count)).astype(np.int32)


def _follow(first: IntArray, sums: IntArray) -> IntArray:
    """The numbers that start with ``first`` and whose neighbours sum to ``sums``."""
    values = [first]
    for k in range(sums.shape[1] - 1):
        values.append(sums[:, k] - values[-1])
    return np.stack(values, axis=1)


def _with_free_rows(tags: IntArray, rows: IntArray,
                    free: list[tuple[list[int], IntArray, IntArray, IntArray]]) -> tuple[IntArray, IntArray]:
    room = np.ones(len(rows), dtype=np.bool_)
    for _, lowest, highest, _ in free:
        room &= highest >= lowest
    if not free or not room.any():
        return tags[room], rows[room]
    all_rows = []
    for shares in product(FREE_ROW_SHARES, repeat=len(free)):
        chosen = rows[room]
        for share, (cycle, lowest, highest, sums) in zip(shares, free, strict=True):
            first = lowest[room] + np.floor(share * (highest - lowest)[room] + 0.25).astype(rows.dtype)
            chosen[:, cycle] = _follow(first, sums[room])
        all_rows.append(chosen)
    pairs = np.unique(np.hstack([np.tile(tags[room], (len(all_rows), 1)), np.concatenate(all_rows)]), axis=0)
    return pairs[:, :tags.shape[1]], pairs[:, tags.shape[1]:]
