"""Patches without poles inside any border that is a walk on a grid: rows are peeled off until a rectangle is left.

A border vertex takes one quad at a corner, two along a side, three at an inward corner. A side between two corners gives up a row of
quads: its neighbours get shorter, an inward corner at the end of one becomes a side vertex. Short sides go first, so that the arms of a
branched border vanish before its middle. Where the rows get stuck, the border is no such walk.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .patch_weave import Weave, is_simple_disc
from .polymesh import IntArray

VERTEX_FACES = 4


@dataclass
class _Front:
    """The border of what is still open, and the quads laid so far.

    vertices, wanted : vertex numbers in order, and the quads that each still takes
    """

    vertices: list[int]
    wanted: list[int]
    count: int
    quads: list[tuple[int, int, int, int]] = field(default_factory=list)


def peel(regular_faces: IntArray) -> Weave | None:
    """The patch without poles inside a border, or None where peeling rows does not find one.

    regular_faces : (loop_size,) int, quads that every border vertex takes: 1, 2 or 3
    """
    size = len(regular_faces)
    if int(np.sum(2 - regular_faces)) != VERTEX_FACES:
        return None
    front = _Front(list(range(size)), [int(faces) for faces in regular_faces], size)
    while not _close_rectangle(front):
        side = _shortest_side(front)
        if side is None:
            return None
        _peel_row(front, *side)
    woven = Weave(np.asarray(front.quads, dtype=np.int32), size, front.count)
    return woven if is_simple_disc(woven) else None


def _sides(front: _Front) -> list[tuple[int, int]]:
    """Start and edge count of every side between two corners without an inward corner."""
    bends = [place for place, wanted in enumerate(front.wanted) if wanted != 2]
    size = len(front.vertices)
    return [(first, (second - first) % size) for first, second in zip(bends, bends[1:] + bends[:1], strict=True)
            if front.wanted[first] == front.wanted[second] == 1]


def _shortest_side(front: _Front) -> tuple[int, int] | None:
    size = len(front.vertices)
    free = [(edges, start) for start, edges in _sides(front)
            if front.wanted[start - 1] > 1 and front.wanted[(start + edges + 1) % size] > 1 and edges + 3 < size]
    return (min(free)[1], min(free)[0]) if free else None


def _peel_row(front: _Front, start: int, edges: int) -> None:
    turned, wanted = front.vertices[start:] + front.vertices[:start], front.wanted[start:] + front.wanted[:start]
    before, after = turned[-1], turned[edges + 1]
    fresh = list(range(front.count, front.count + edges - 1))
    front.count += edges - 1
    line = [before, *fresh, after]
    front.quads += [(turned[k], turned[k + 1], line[k + 1], line[k]) for k in range(edges)]
    front.vertices = [*line, *turned[edges + 2:-1]]
    front.wanted = [wanted[-1] - 1, *([2] * len(fresh)), wanted[edges + 1] - 1, *wanted[edges + 2:-1]]


def _close_rectangle(front: _Front) -> bool:
    """Fill the rest where it is a rectangle with equal opposite sides."""
    sides = _sides(front)
    if len(sides) != 4 or any(wanted > 2 for wanted in front.wanted) or [side[1] for side in sides[:2]] != [side[1] for side in sides[2:]]:
        return False
    start, across = sides[0]
    up = sides[1][1]
    loop = front.vertices[start:] + front.vertices[:start]
    grid = np.empty((up + 1, across + 1), dtype=np.int64)
    grid[0], grid[:, -1] = loop[:across + 1], loop[across:across + up + 1]
    grid[-1, ::-1], grid[::-1, 0] = loop[across + up:2 * across + up + 1], [*loop[2 * across + up:], loop[0]]
    inner = (up - 1) * (across - 1)
    grid[1:-1, 1:-1] = np.arange(front.count, front.count + inner).reshape(up - 1, across - 1)
    front.count += inner
    cells = np.stack([grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]], axis=-1).reshape(-1, 4)
    front.quads += [(first, second, third, fourth) for first, second, third, fourth in cells.tolist()]
    return True
