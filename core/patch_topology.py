"""Which quads fill a border with prescribed counts: few poles first, then even spans, then the poles' places.

Templates of more and more poles (patch_templates.py) are solved for the side counts (patch_solve.py) until one fills. Where all corners
cannot be kept, some are given up at the price of a pole each.

That two to six sides always fill, and that a small integer program over few templates finds the filling: Takayama, Panozzo,
Sorkine-Hornung, "Pattern-Based Quadrangulation for N-Sided Patches", 2014. The templates here are our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np

from .errors import MeshError
from .patch_bound import least_poles, pole_bound
from .patch_peel import peel
from .patch_solve import FillTask, solve_templates
from .patch_templates import TIERS, Template, template_groups
from .patch_weave import Weave, face_counts, neighbour_table, pole_weight, weave
from .polymesh import IntArray

KEPT_PER_TEMPLATE = 4
KEPT_VERTICES = 1536
"""Border vertices of all patterns that are kept together, so that large borders keep fewer (8 to 24) and stay quick."""
PAST_FIVE = 0.1
"""Charge for a pole of valence 6, twice for 7: it costs no more poles than two 5-poles, but shades and bends worse."""

PEELED = Template((), (), (False, False, False, False))
"""Stands for the filling without poles that peeling rows finds (patch_peel.py)."""


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
    unevenness : sum of the squares of spans and rows over the square of the border's edges, sides without rows and poles past
        valence 5 charged extra; lower is more even
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
                  least_rows: tuple[int, ...] | int = 0, most: int | None = None) -> list[Pattern]:
    """Patterns that fill a border, fewest poles first, then most even first.

    loop_size : edges of the border, even and at least 4
    corners : border vertices that are corners, ascending
    inward : border vertices that turn inwards sharply: three quads are regular there
    least_rows : rows that every side must have at least (one number for all, or one a side)
    most : patterns to look for; None: as many as the border's size makes quick, 8 to 24
    Returns the patterns that were found with the fewest poles; the list is never empty unless rows were asked for.
    Raises MeshError where the count is odd or below 4.
    """
    check_count(loop_size)
    least = (least_rows,) * max(len(corners), 1) if isinstance(least_rows, int) else tuple(least_rows)
    most = min(max(KEPT_VERTICES // loop_size, 8), 24) if most is None else most
    return list(_fill_patterns(Marks(loop_size, tuple(corners), tuple(inward)), least, most))


def check_count(loop_size: int) -> None:
    """Raise MeshError unless that many edges admit an all-quad filling."""
    if loop_size < 4:
        raise MeshError(f"The border has {loop_size} edges, and a patch of quads needs at least 4; choose a longer border.")
    if loop_size % 2:
        raise MeshError(f"The border has {loop_size} edges, and only an even number fills with quads; "
                        f"make it {loop_size - 1} or {loop_size + 1}." if loop_size > 4 else
                        f"The border has {loop_size} edges, and only an even number fills with quads; make it {loop_size + 1}.")


@lru_cache(maxsize=64)
def _fill_patterns(marks: Marks, least: tuple[int, ...], most: int) -> tuple[Pattern, ...]:
    corners = marks.corners
    plain = peel(marks.regular_faces()) if marks.inward else None
    if plain is not None:
        return (Pattern(marks, PEELED, (), (), corners, 0, plain, 0, 0.0),)
    for total in range(pole_bound(len(corners)), len(corners) + pole_bound(0) + 1):
        for (kept, poles), tier in product(_corner_choices(marks, total), TIERS):
            kept_least = _merged_least(least, kept, len(corners))
            best: dict[bytes, Pattern] = {}
            for pattern in _patterns(marks, tuple(corners[i] for i in kept), poles, kept_least, tier, most):
                best.setdefault(connection_code(pattern.woven), pattern)
            if best:
                fewest = min(pattern.poles for pattern in best.values())
                return tuple(sorted((each for each in best.values() if each.poles == fewest), key=lambda each: each.unevenness))
    return ()


def _corner_choices(marks: Marks, total: int) -> list[tuple[tuple[int, ...], int]]:
    """Corners to keep, and the poles that a template may then have, so that these and one for every corner given up make the total.

    Most corners come first; sets whose sides need more poles (patch_bound.py) are left out.
    """
    choices = []
    count = len(marks.corners)
    for given_up in range(min(count, total) + 1):
        poles = total - given_up
        if (poles - pole_bound(count - given_up)) % 2 == 0:
            choices += [(kept, poles) for kept in combinations(range(count), count - given_up)
                        if poles >= least_poles(side_counts(marks.loop_size, tuple(marks.corners[i] for i in kept)), len(kept))]
    return choices


def _merged_least(least: tuple[int, ...], kept: tuple[int, ...], corner_count: int) -> tuple[int, ...]:
    if len(kept) == corner_count:
        return least
    if not kept:
        return (max(least),)
    bounds = [*kept, kept[0] + corner_count]
    return tuple(max(least[i % corner_count] for i in range(bounds[k], bounds[k + 1])) for k in range(len(kept)))


def _patterns(marks: Marks, kept: tuple[int, ...], poles: int, least: tuple[int, ...], tier: int, most: int) -> list[Pattern]:
    """Patterns of the templates of a tier, most even first."""
    task = FillTask(side_counts(marks.loop_size, kept), len(kept), least if poles else (0,) * len(least), inward_from_corners(marks, kept))
    patterns = []
    for solution in solve_templates(template_groups(len(kept), poles, tier), task, KEPT_PER_TEMPLATE):
        pattern = realise(marks, kept, solution.template, solution.spans, solution.rows, solution.unevenness)
        if pattern is not None:
            patterns.append(pattern)
        if len(patterns) == most:
            break
    return patterns


def inward_from_corners(marks: Marks, kept: tuple[int, ...]) -> tuple[frozenset[int], ...]:
    """For every side, the steps from its first corner to the inward corners."""
    return tuple(frozenset((vertex - corner) % marks.loop_size for vertex in marks.inward) for corner in kept)


def realise(marks: Marks, kept: tuple[int, ...], template: Template, spans: tuple[int, ...], rows: tuple[int, ...],
            uneven: float = 0.0) -> Pattern | None:
    """The pattern of a template with its numbers, or None where the patch pinches.

    marks : the border
    kept : border vertices that the template's corners sit at
    template, spans, rows : as in Pattern
    uneven : its unevenness but for the charge for poles past valence 5
    """
    woven = weave(template, spans, rows, ring=not kept)
    if woven is None:
        return None
    offset = kept[0] if kept else 0
    turned = turn_border(woven, offset)
    past_five = int(np.maximum(face_counts(turned)[marks.loop_size:] - 5, 0).sum())
    return Pattern(marks, template, spans, rows, kept, offset, turned, pole_weight(turned, marks.regular_faces()),
                   uneven + PAST_FIVE * past_five)


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
