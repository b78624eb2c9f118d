"""Which quads fill a border with prescribed counts: few poles first, then even spans, then the poles' places.

Every template (patch_templates.py) turns the question into a small integer program: spans and rows, none below zero, that add up to the
side counts. The rows follow in closed form from the spans, so the program is solved exactly by trying all spans at once.

That two to six sides always fill, and that a small integer program over few templates finds the filling: Takayama, Panozzo,
Sorkine-Hornung, "Pattern-Based Quadrangulation for N-Sided Patches", 2014. Rows around one pole in closed form: Tarini, "Closed-form
Quadrangulation of n-Sided Patches", 2021. The templates here are our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np

from .errors import MeshError
from .patch_templates import Template, pole_bound, templates
from .patch_weave import Weave, neighbour_table, pole_weight, weave
from .polymesh import FloatArray, IntArray

MOST_SPAN_CHOICES = 60_000
"""Span combinations that one template may try; beyond, the spans are tried in even steps (measured: 2 ms a template)."""
KEPT_PER_TEMPLATE = 4
KEPT_PATTERNS = 24
NUDGE_CHOICES = 64
FREE_ROW_SHARES = (0.5, 0.25, 0.75, 0.0, 1.0)
"""Where rows can be traded between opposite sides, the shares that are tried."""


@dataclass(frozen=True)
class Pattern:
    """One filling of a border.

    marks : the border
    template : the template
    spans : quads along a1, a2, b1, b2
    rows : rows along every side; one number, the closed rings, for a patch without corners
    corners : border vertices that the template's corners sit at, in order
    offset : border vertex that the template's first border vertex sits at
    woven : its quads, border vertex 0 first
    poles : sum of |4 - valence|, border included
    unevenness : sum of the squares of spans and rows over the square of the border's edges; lower is more even
    """

    marks: Marks
    template: Template
    spans: tuple[int, ...]
    rows: tuple[int, ...]
    corners: tuple[int, ...]
    offset: int
    woven: Weave
    poles: int
    unevenness: float


@dataclass(frozen=True)
class Marks:
    """A border's size and its marked vertices: corners that take one quad, inward corners that take three; all others take two."""

    loop_size: int
    corners: tuple[int, ...]
    inward: tuple[int, ...] = ()

    def regular_faces(self) -> IntArray:
        """Quads that make every border vertex regular, (loop_size,) int64."""
        faces = np.full(self.loop_size, 2)
        faces[list(self.inward)] = 3
        faces[list(self.corners)] = 1
        return faces


def fill_patterns(loop_size: int, corners: tuple[int, ...], *, inward: tuple[int, ...] = (),
                  least_rows: tuple[int, ...] | int = 0) -> list[Pattern]:
    """Patterns that fill a border, fewest poles first, then most even first.

    loop_size : edges of the border, even and at least 4
    corners : border vertices that are corners, ascending
    inward : border vertices that turn inwards sharply: three quads are regular there
    least_rows : rows that every side must have at least (one number for all, or one a side)
    Returns all patterns that were found with the fewest poles; the list is never empty unless rows were asked for.
    Raises MeshError where the count is odd or below 4.
    """
    check_count(loop_size)
    least = (least_rows,) * max(len(corners), 1) if isinstance(least_rows, int) else tuple(least_rows)
    return list(_fill_patterns(Marks(loop_size, tuple(corners), tuple(inward)), least))


def check_count(loop_size: int) -> None:
    """Raise MeshError unless that many edges admit an all-quad filling."""
    if loop_size < 4:
        raise MeshError(f"The border has {loop_size} edges, and a patch of quads needs at least 4; choose a longer border.")
    if loop_size % 2:
        raise MeshError(f"The border has {loop_size} edges, and only an even number fills with quads; "
                        f"make it {loop_size - 1} or {loop_size + 1}." if loop_size > 4 else
                        f"The border has {loop_size} edges, and only an even number fills with quads; make it {loop_size + 1}.")


@lru_cache(maxsize=64)
def _fill_patterns(marks: Marks, least: tuple[int, ...]) -> tuple[Pattern, ...]:
    corners = marks.corners
    for total in range(pole_bound(len(corners)), len(corners) + pole_bound(0) + 1):
        for kept, split in product(_corner_choices(len(corners), total), (False, True)):
            poles = total - len(corners) + len(kept)
            kept_least = _merged_least(least, kept, len(corners))
            best: dict[bytes, Pattern] = {}
            for pattern in _patterns(marks, tuple(corners[i] for i in kept), poles, kept_least, split):
                best.setdefault(connection_code(pattern.woven), pattern)
            if best:
                fewest = min(pattern.poles for pattern in best.values())
                return tuple(sorted((each for each in best.values() if each.poles == fewest), key=lambda each: each.unevenness))
    return ()


def _corner_choices(corner_count: int, total: int) -> list[tuple[int, ...]]:
    """Sets of corners to keep so that the bound and one pole for every corner given up stay within the total, most corners first."""
    choices: list[tuple[int, ...]] = []
    for dropped in range(min(corner_count, total) + 1):
        left = total - dropped - pole_bound(corner_count - dropped)
        if left >= 0 and left % 2 == 0:
            choices += combinations(range(corner_count), corner_count - dropped)
    return choices


def _merged_least(least: tuple[int, ...], kept: tuple[int, ...], corner_count: int) -> tuple[int, ...]:
    if len(kept) == corner_count:
        return least
    if not kept:
        return (max(least),)
    bounds = [*kept, kept[0] + corner_count]
    return tuple(max(least[i % corner_count] for i in range(bounds[k], bounds[k + 1])) for k in range(len(kept)))


def _patterns(marks: Marks, kept: tuple[int, ...], poles: int, least: tuple[int, ...], split: bool) -> list[Pattern]:
    """Patterns of the templates whose rectangle has split sides, or of those whose rectangle has none."""
    counts = side_counts(marks.loop_size, kept)
    found: list[tuple[float, Template, tuple[int, ...], tuple[int, ...]]] = []
    for template in (each for each in templates(len(kept), poles) if each.splits == split):
        found += [(score, template, spans, rows) for score, spans, rows in solve_template(template, counts, len(kept), least,
                                                                                          inward_from_corners(marks, kept))]
    patterns = []
    for score, template, spans, rows in sorted(found, key=lambda item: item[0]):
        pattern = _realise(marks, kept, template, spans, rows, score)
        if pattern is not None:
            patterns.append(pattern)
        if len(patterns) == KEPT_PATTERNS:
            break
    return patterns


def inward_from_corners(marks: Marks, kept: tuple[int, ...]) -> tuple[frozenset[int], ...]:
    """For every side, the steps from its first corner to the inward corners."""
    return tuple(frozenset((vertex - corner) % marks.loop_size for vertex in marks.inward) for corner in kept)


def _realise(marks: Marks, kept: tuple[int, ...], template: Template, spans: tuple[int, ...], rows: tuple[int, ...],
             score: float) -> Pattern | None:
    woven = weave(template, spans, rows, ring=not kept)
    if woven is None:
        return None
    offset = kept[0] if kept else 0
    turned = turn_border(woven, offset)
    return Pattern(marks, template, spans, rows, kept, offset, turned, pole_weight(turned, marks.regular_faces()), score)


def turn_border(woven: Weave, offset: int) -> Weave:
    """Number the border so that its vertex 0 becomes vertex ``offset``."""
    number = np.arange(woven.vertex_count, dtype=np.int32)
    number[: woven.loop_size] = (number[: woven.loop_size] + offset) % woven.loop_size
    return Weave(number[woven.quads], woven.loop_size, woven.vertex_count)


def side_counts(loop_size: int, corners: tuple[int, ...]) -> tuple[int, ...]:
    """Edges from every corner to the next; the whole border where there is no corner or one."""
    if len(corners) < 2:
        return (loop_size,)
    return tuple((corners[(i + 1) % len(corners)] - corner) % loop_size for i, corner in enumerate(corners))


def solve_template(template: Template, counts: tuple[int, ...], corner_count: int,
                   least: tuple[int, ...], inward: tuple[frozenset[int], ...] = (), *,
                   most: int = KEPT_PER_TEMPLATE) -> list[tuple[float, tuple[int, ...], tuple[int, ...]]]:
    """The most even spans and rows of a template that give the side counts.

    template : the template
    counts : edges of every side
    corner_count : 0 for a ring, else the number of sides
    least : rows that every side must have at least
    inward : for every side, the steps from its first corner at which a 5-pole on the border is welcome
    most : solutions to keep
    Returns (unevenness, spans, rows) of the most even solutions, most even first.
    """
    table = template.side_spans()
    spans = _span_choices(template, table, counts)
    rest = np.asarray(counts) - spans @ table.T
    spans, rows = _ring_rows(spans, rest, counts[0], least[0]) if corner_count == 0 else _side_rows(spans, rest)
    fine = np.all(rows >= np.asarray(least), axis=1) if len(rows) else np.zeros(0, dtype=np.bool_)
    spans, rows = spans[fine], rows[fine]
    score = unevenness(spans, rows, sum(counts)) - _welcome_poles(template, rows, inward)
    order = np.argsort(score, kind="stable")[: most if corner_count else None]
    return [(float(score[i]), tuple(int(x) for x in spans[i]), tuple(int(x) for x in rows[i])) for i in order]


def unevenness(spans: IntArray, rows: IntArray, loop_size: int) -> FloatArray:
    """Sum of squares of spans and rows over the border's square, plus a charge for sides without a row of their own."""
    bare = (rows == 0).sum(axis=1) / max(rows.shape[1], 1)
    return ((spans.astype(np.float64) ** 2).sum(axis=1) + (rows.astype(np.float64) ** 2).sum(axis=1)) / loop_size**2 + 0.02 * bare


def _welcome_poles(template: Template, rows: IntArray, inward: tuple[frozenset[int], ...]) -> FloatArray:
    """How many 5-poles of every choice lie on the border at an inward corner: those between two corners at one place, without a row."""
    welcome = np.zeros(len(rows))
    for side, steps in enumerate(inward):
        if steps and template.steps[side] == 0:
            welcome += (rows[:, side] == 0) & np.isin(rows[:, side - 1], list(steps))
    return welcome


def _span_choices(template: Template, table: IntArray, counts: tuple[int, ...]) -> IntArray:
    ranges = []
    for span in range(4):
        on_sides = table[:, span] > 0
        most = int(min(np.asarray(counts)[on_sides] // table[on_sides, span])) if template.active[span] else 0
        ranges.append(np.arange(most + 1))
    while np.prod([len(values) for values in ranges]) > MOST_SPAN_CHOICES:
        longest = max(range(4), key=lambda span: len(ranges[span]))
        values = ranges[longest]
        ranges[longest] = np.concatenate([values[:8], values[8::2]])
    return np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 4)


def _ring_rows(spans: IntArray, rest: IntArray, loop_size: int, least: int) -> tuple[IntArray, IntArray]:
    fits = spans[(rest[:, 0] == 0) & (spans[:, 0] >= spans[:, 2]) & (spans[:, 2] > 0)]  # a turn swaps the two
    rings = max(least, ring_rows(loop_size))
    return fits, np.full((len(fits), 1), rings)


def ring_rows(loop_size: int) -> int:
    """Closed rings of quads before the grid of a patch without corners: none on a small border, where the grid's corners stay open.

    From 12 edges on a corner of the grid that lay on a round border would be wider than 150 degrees. Beyond, the rings grow so that the
    quads come out alike: a disc of radius r holds pi r^2 quads, the grid (pi r / 2)^2 of them.
    """
    return 0 if loop_size < 12 else max(1, round(loop_size * (1 / (4 * np.pi) - 1 / 16)))


def _side_rows(spans: IntArray, rest: IntArray) -> tuple[IntArray, IntArray]:
    """Rows with rows[i - 1] + rows[i + 1] = rest[i] for every choice of spans; several where opposite sides can trade."""
    sides = rest.shape[1]
    fits = np.all(rest >= 0, axis=1)
    spans, rest = spans[fits], rest[fits]
    rows = np.zeros_like(rest)
    free: list[tuple[list[int], IntArray, IntArray, IntArray]] = []
    good = np.ones(len(rest), dtype=np.bool_)
    for cycle in _row_cycles(sides):
        sign = (-1) ** np.arange(len(cycle))
        sums = rest[:, [(i + 1) % sides for i in cycle]]
        if len(cycle) % 2:
            twice = sums @ sign
            good &= twice % 2 == 0
            rows[:, cycle] = _follow(twice // 2, sums)
        else:
            good &= sums @ sign == 0
            shift = _follow(np.zeros(len(rest), dtype=sums.dtype), sums)
            lowest = np.max(np.where(sign > 0, -shift, -(10**6)), axis=1)
            highest = np.min(np.where(sign < 0, shift, 10**6), axis=1)
            good &= highest >= lowest
            free.append((cycle, lowest, highest, sums))
    return _with_free_rows(spans[good], rows[good], [(cycle, low[good], high[good], sums[good]) for cycle, low, high, sums in free])


def _row_cycles(sides: int) -> list[list[int]]:
    if sides % 2:
        return [[(2 * k) % sides for k in range(sides)]]
    return [list(range(first, sides, 2)) for first in (0, 1)]


def _follow(first: IntArray, sums: IntArray) -> IntArray:
    values = [first]
    for k in range(sums.shape[1] - 1):
        values.append(sums[:, k] - values[-1])
    return np.stack(values, axis=1)


def _with_free_rows(spans: IntArray, rows: IntArray, free: list[tuple[list[int], IntArray, IntArray, IntArray]]) -> tuple[IntArray, IntArray]:
    if not free or not len(rows):
        return spans, rows
    all_rows = []
    for shares in product(FREE_ROW_SHARES, repeat=len(free)):
        chosen = rows.copy()
        for share, (cycle, lowest, highest, sums) in zip(shares, free, strict=True):
            chosen[:, cycle] = _follow(lowest + np.floor(share * (highest - lowest) + 0.25).astype(rows.dtype), sums)
        all_rows.append(chosen)
    pairs = np.unique(np.hstack([np.tile(spans, (len(all_rows), 1)), np.concatenate(all_rows)]), axis=0)
    return pairs[:, :4], pairs[:, 4:]


def connection_code(woven: Weave) -> bytes:
    """A code that two weaves over the same border share when they are the same up to the inner vertices' numbers.

    Colours spread from the numbered border over the edges until they have crossed the patch (Weisfeiler and Leman's refinement, 1968).
    """
    table = neighbour_table(woven)
    colours = np.zeros(woven.vertex_count + 1, dtype=np.uint64)
    colours[: woven.loop_size] = np.arange(1, woven.loop_size + 1)
    for _ in range(int(np.sqrt(woven.vertex_count)) + 2):
        mixed = (colours ^ (colours >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= mixed >> np.uint64(32)
        mixed[-1] = 0
        colours[:-1] = colours[:-1] * np.uint64(3) + mixed[table].sum(axis=1, dtype=np.uint64)
    return np.sort(colours).tobytes()


def template_line(pattern: Pattern) -> list[Pattern]:
    """All fillings of the pattern's template that have as few poles, their spans and rows rising: the line along which poles are nudged."""
    counts = side_counts(pattern.marks.loop_size, pattern.corners)
    solved = solve_template(pattern.template, counts, len(pattern.corners), (0,) * len(counts), most=NUDGE_CHOICES)
    line = []
    for score, spans, rows in sorted(solved, key=lambda item: (item[2], item[1])):
        filled = _realise(pattern.marks, pattern.corners, pattern.template, spans, rows, score)
        if filled is not None and filled.poles <= pattern.poles:
            line.append(filled)
    return line
