"""Move a pattern's poles along, quad by quad, the border and the poles' number kept.

A template's spans and rows may change together so that every side keeps its count. Each such change is a direction in which the poles
move; a nudge repeats one and the same change, so that the poles walk on the way that they began, and stop where a span or a row runs out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from .patch_solve import count_keeping_changes
from .patch_topology import PEELED, Pattern, connection_code, realise, turn_border
from .polymesh import IntArray

MOST_TRIED = 60
"""Changes that are tried for a direction in which the poles can move."""


def nudged(pattern: Pattern, along: int, across: int) -> Pattern:
    """The pattern with its poles moved on; it stops at the last place.

    along, across : steps in the first direction, away from the first side whose rows can change, and in a second one. On a border without
        corners: steps round the border, and quads that the grid in the middle gets longer and narrower
    """
    if pattern.template == PEELED:
        return pattern
    if not pattern.corners:
        return _nudged_grid(pattern, along, across)
    ways = directions(pattern) if along or across else []
    for steps, way in zip((along, across), ways, strict=False):
        pattern = _walked(pattern, way if steps > 0 else -way, abs(steps))
    return pattern


def directions(pattern: Pattern) -> list[IntArray]:
    """Up to two changes of a cornered pattern's spans and rows, (4 + sides,), by which its poles move different ways, the smallest first.

    The first number of rows that changes grows. There is none where the counts alone say where the poles lie, as with a single pole.
    """
    ways: list[IntArray] = []
    reached = {connection_code(pattern.woven)}
    for change in count_keeping_changes(pattern.template)[:MOST_TRIED]:
        moved = {connection_code(other.woven) for other in _changed_both_ways(pattern, change)}
        if moved and not moved & reached:  # else it says the same in other numbers
            ways.append(change)
            reached |= moved | {connection_code(other.woven) for other in _changed_both_ways(pattern, 2 * change)}
        if len(ways) == 2:
            break
    return ways


def _changed_both_ways(pattern: Pattern, change: IntArray) -> list[Pattern]:
    return [other for other in (_changed(pattern, change), _changed(pattern, -change)) if other is not None]


def _walked(pattern: Pattern, change: IntArray, steps: int) -> Pattern:
    """The pattern after so many of the same change, or after as many as there is room for."""
    for _ in range(steps):
        further = _changed(pattern, change)
        if further is None:
            break
        pattern = further
    return pattern


def _changed(pattern: Pattern, change: IntArray) -> Pattern | None:
    """The pattern with its spans and rows changed, or None where one runs out, the patch pinches or poles are added."""
    numbers = np.concatenate([pattern.spans, pattern.rows]) + change
    if np.any(numbers < 0):
        return None
    moved = realise(pattern.marks, pattern.corners, pattern.template, tuple(numbers[:4].tolist()), tuple(numbers[4:].tolist()))
    return moved if moved is not None and moved.poles <= pattern.poles else None


def _nudged_grid(pattern: Pattern, along: int, across: int) -> Pattern:
    longer, offset = pattern, (pattern.offset + along) % pattern.marks.loop_size
    for further in _longer_grids(pattern, across):
        longer = further
    return replace(longer, woven=turn_border(longer.woven, (offset - longer.offset) % pattern.marks.loop_size), offset=offset)


def _longer_grids(pattern: Pattern, across: int) -> Iterator[Pattern]:
    step = int(np.sign(across)) * np.array([1, 0, -1, 0])
    for number in range(1, abs(across) + 1):
        spans = np.array(pattern.spans) + number * step
        if min(spans[0], spans[2]) < 1:
            break
        longer = realise(pattern.marks, (), pattern.template, tuple(spans.tolist()), pattern.rows)
        if longer is None or longer.poles > pattern.poles:
            break
        yield longer
