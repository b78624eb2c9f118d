"""Which of the equally cheap patterns the artist gets: the one that suits the border's shape, or the one asked for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .errors import MeshError
from .patch_corners import turning_angles
from .patch_nudge import nudged
from .patch_shape import sketch_badness
from .patch_topology import Pattern, fill_patterns, turn_border
from .patch_weave import face_counts
from .polymesh import FloatArray

SHAPED_CHOICES = 5
"""Patterns whose shape is looked at, half as many past 64 edges; the cheap measures have sorted them before."""
SKETCH_ROUNDS = 6
"""Steps of descent for such a look."""
MISFIT = 0.3
"""Weight of quads that share the border's angles badly."""
HOPELESS_ANGLE = np.radians(172.0)
"""Share of a border angle beyond which its quad is as good as folded."""
STAND_INS = 3
"""Patterns of a kind that are tried where the chosen one folds."""
COST_DIGITS = 4
"""Decimals of a cost that count, so that rounding does not choose among patterns that are each other's mirror image."""
UNEVEN = 1.5
"""Weight of uneven spans beside the energy of a quad corner."""


@dataclass(frozen=True)
class PatchOptions:
    """The artist's choices.

    rotate : border vertices by which corners move on
    pattern : which of the equally cheap patterns, 0 the best; counts round
    nudge, nudge_across : steps by which the poles move on in one direction and in another, either way (patch_nudge.py)
    padding : rows of quads that every side must have before a pole
    side_padding : rows more at single sides, from the first corner on; sides past its end have none
    """

    rotate: int = 0
    pattern: int = 0
    nudge: int = 0
    nudge_across: int = 0
    padding: int = 0
    side_padding: tuple[int, ...] = ()


@dataclass(frozen=True)
class BorderMarks:
    """Marked border vertices, ascending: corners that take one quad and inward corners that take three."""

    corners: tuple[int, ...]
    inward: tuple[int, ...]


@dataclass(frozen=True)
class PatternChoice:
    """Patterns in the order in which they are to be tried.

    patterns : the chosen one first; the others may stand in where it folds
    families : how many choices of equal cost the artist can step through
    marks : the border's corners, moved on
    least : rows that every side must have
    asked : whether the artist asked for this pattern, so that nothing may stand in
    """

    patterns: tuple[Pattern, ...]
    families: int
    marks: BorderMarks
    least: tuple[int, ...]
    asked: bool


def choose_patterns(border: FloatArray, marks: BorderMarks, normals: FloatArray | None, options: PatchOptions) -> PatternChoice:
    """The pattern for a border, with stand-ins unless the artist asked for a certain one.

    border : (n, 3) float64
    marks : its corners
    normals : (n, 3) float64 along the border, or None
    Raises MeshError where the padding leaves no room.
    """
    turned = turned_marks(marks, options.rotate, len(border))
    least = least_rows(options, marks.corners, len(border))
    families = ranked_families(border, turned, normals, least, options.rotate)
    if not families or (any(least) and families[0].corners != turned.corners):
        raise MeshError(f"No patch of this border keeps its corners with {_and(least)} rows along its sides; ask for fewer rows.")
    chosen = nudged(families[options.pattern % len(families)], options.nudge, options.nudge_across)
    asked = bool(options.pattern or options.nudge or options.nudge_across)
    return PatternChoice((chosen,) if asked else (chosen, *families[1:STAND_INS]), len(families), turned, least, asked)


def turned_marks(marks: BorderMarks, rotate: int, count: int) -> BorderMarks:
    """The corners moved on; inward corners stay unless a corner comes to lie on one."""
    corners = tuple(sorted((corner + rotate) % count for corner in marks.corners))
    return BorderMarks(corners, tuple(vertex for vertex in marks.inward if vertex not in corners))


def stand_ins(border: FloatArray, choice: PatternChoice, normals: FloatArray | None, *, corners_stay: bool) -> list[Pattern]:
    """Patterns with a row along every side: poles off the border always leave room for quads. None where the artist asked for another.

    corners_stay : whether the artist said where the corners are; else patterns without corners follow
    """
    if choice.asked:
        return []
    rowed = [(choice.marks, tuple(max(rows, 1) for rows in choice.least))]
    if choice.marks.corners and not corners_stay:
        rowed.append((BorderMarks((), choice.marks.inward), (max(1, *choice.least),)))
    return [pattern for marks, least in rowed for pattern in ranked_families(border, marks, normals, least, 0)[:STAND_INS]]


def ranked_families(border: FloatArray, marks: BorderMarks, normals: FloatArray | None, least: int | tuple[int, ...],
                    rotate: int) -> list[Pattern]:
    """The best pattern of every template with the fewest poles, the one that suits the border first."""
    found = fill_patterns(len(border), marks.corners, inward=marks.inward, least_rows=least)
    return distinct_families(rank_cornered(border, found, normals) if marks.corners else rank_round(border, found, normals, rotate))


def least_rows(options: PatchOptions, corners: tuple[int, ...], count: int) -> tuple[int, ...]:
    """Rows that every side must have, from the lowest corner on once the corners have moved; for a border without corners its rings.

    Raises MeshError where a number is below zero or belongs to a side that the border does not have.
    """
    sides, extra = max(len(corners), 1), options.side_padding
    if min((options.padding, *extra)) < 0:
        raise MeshError(f"Padding is rows of quads, none below zero; got {_and((options.padding, *extra))}.")
    if any(extra[sides:]):
        raise MeshError(f"The border has {sides} {'sides' if sides > 1 else 'side'}, and padding is asked for at side {len(extra)}; "
                        f"keep it to sides 1 to {sides}.")
    rows = [options.padding + more for more in (*extra[:sides], *[0] * (sides - len(extra)))]
    past_end = sum((corner + options.rotate) // count > (corners[0] + options.rotate) // count for corner in corners)
    return tuple(rows[sides - past_end:] + rows[: sides - past_end])


def _and(numbers: tuple[int, ...]) -> str:
    return ", ".join(str(number) for number in numbers)


def border_misfit(border: FloatArray, pattern: Pattern, normals: FloatArray | None) -> float:
    """How badly the quads at the border share its angles: per vertex 0 where they are square, 1 where flat, 10 more where
    no convex quad fits; summed."""
    angles = np.pi - turning_angles(border, 1, normals)
    share = angles / face_counts(pattern.woven)[: len(border)]
    hopeless = share > HOPELESS_ANGLE
    return float(np.sum(1 - np.sin(np.clip(share, 0.0, 1.5 * np.pi))) + 10 * np.count_nonzero(hopeless))


def shape_cost(border: FloatArray, pattern: Pattern, normals: FloatArray | None) -> float:
    """Mean energy of a quad corner after a short descent, and the pattern's unevenness."""
    return sketch_badness(pattern.woven, border, normals, SKETCH_ROUNDS) + UNEVEN * pattern.unevenness


def rank_by_shape(border: FloatArray, sorted_patterns: list[Pattern], normals: FloatArray | None) -> list[Pattern]:
    """Look at the first few patterns' shapes and sort these."""
    most = SHAPED_CHOICES if len(border) <= 64 else SHAPED_CHOICES // 2
    few = sorted_patterns[:most] if len(sorted_patterns) > 1 else []
    costs = {id(pattern): round(shape_cost(border, pattern, normals), COST_DIGITS) for pattern in few}
    return sorted(few, key=lambda pattern: costs[id(pattern)]) + sorted_patterns[len(few):]


def rank_cornered(border: FloatArray, found: list[Pattern], normals: FloatArray | None) -> list[Pattern]:
    """Patterns of a border with corners, the one that suits its shape first."""
    costs = {id(pattern): round(MISFIT * border_misfit(border, pattern, normals) + UNEVEN * pattern.unevenness, COST_DIGITS)
             for pattern in found}
    return rank_by_shape(border, sorted(found, key=lambda pattern: costs[id(pattern)]), normals)


def rank_round(border: FloatArray, found: list[Pattern], normals: FloatArray | None, rotate: int) -> list[Pattern]:
    """Grids for a border without corners, each turned to where its four corners suit the border best."""
    turned = []
    for pattern in found:
        costs = grid_costs(border, pattern.spans[0], pattern.spans[2], normals).round(6)
        offset = (int(np.argmin(costs)) + rotate) % len(border)
        turned.append((float(costs.min()), replace(pattern, woven=turn_border(pattern.woven, offset), offset=offset)))
    return rank_by_shape(border, [pattern for _, pattern in sorted(turned, key=lambda item: item[0])], normals)


def grid_costs(border: FloatArray, across: int, up: int, normals: FloatArray | None) -> FloatArray:
    """How badly a grid's corners suit a round border, for every border vertex that its first corner may sit at, (n,).

    Good corners sit where the border turns, and the chords between them are as long as their counts say.
    """
    count = len(border)
    turns = np.clip(turning_angles(border, max(1, count // 8), normals), -np.pi / 2, np.pi / 2)
    places = [(np.arange(count) + shift) % count for shift in (0, across, across + up, 2 * across + up)]
    chords = [np.linalg.norm(border[places[(k + 1) % 4]] - border[places[k]], axis=1) / (across, up)[k % 2] for k in range(4)]
    stretched = np.log(np.maximum(np.stack(chords), 1e-12))
    return np.asarray(stretched.std(axis=0) - sum(turns[place] for place in places) / (2 * np.pi))


def distinct_families(ranked: list[Pattern]) -> list[Pattern]:
    """The best pattern of every template, in rank order."""
    seen: dict[object, Pattern] = {}
    for pattern in ranked:
        key = (pattern.template, pattern.corners) if pattern.corners else pattern.spans
        seen.setdefault(key, pattern)
    return list(seen.values())
