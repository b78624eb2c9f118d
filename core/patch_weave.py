"""From a template with its counts to quads: coarse blocks, each split into its own grid, blocks of no width folded away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .adjacency import components
from .patch_templates import PLACES, RIM_SPANS, Template
from .polymesh import IntArray

CORE_COORDINATES = ((0, 0), (1, 0), (2, 0), (2, 1), (2, 2), (1, 2), (0, 2), (0, 1))


@dataclass(frozen=True)
class Block:
    """A coarse quad: four corner names counter-clockwise, ``across`` quads along the first edge, ``up`` along the second."""

    corners: tuple[int, int, int, int]
    across: int
    up: int


@dataclass(frozen=True)
class Weave:
    """An all-quad disc.

    quads : (F, 4) int32, counter-clockwise; vertices 0 to loop_size - 1 are the border in order, the inner ones follow
    loop_size : edges of the border
    vertex_count : all vertices
    """

    quads: IntArray
    loop_size: int
    vertex_count: int


def weave(template: Template, spans: tuple[int, ...], rows: tuple[int, ...], *, ring: bool = False) -> Weave | None:
    """Weave the quads of a template.

    template : places of the corners
    spans : quads along a1, a2, b1, b2
    rows : rows of quads along every side; one number for a patch without corners
    ring : the patch has no corners; its rows are closed rings
    Returns None where the counts pinch the patch, so that it is no disc.
    """
    names: dict[object, int] = {}
    blocks = _core_blocks(names, spans)
    rim_blocks, border = _ring_rim(names, spans, rows) if ring else _sided_rim(names, template, spans, rows)
    woven = _split(blocks + rim_blocks, border, len(names))
    return woven if woven is not None and is_simple_disc(woven) else None


def _name(names: dict[object, int], key: object) -> int:
    return names.setdefault(key, len(names))


def _core_blocks(names: dict[object, int], spans: tuple[int, ...]) -> list[Block]:
    blocks = []
    for column in (0, 1):
        for row in (0, 1):
            corners = [_name(names, (column + x, row + y)) for x, y in ((0, 0), (1, 0), (1, 1), (0, 1))]
            blocks.append(Block((corners[0], corners[1], corners[2], corners[3]), spans[column], spans[2 + row]))
    return blocks


def _ring_rim(names: dict[object, int], spans: tuple[int, ...], rows: tuple[int, ...]) -> tuple[list[Block], list[tuple[int, int, int]]]:
    blocks, border = [], []
    for place in range(PLACES):
        following = (place + 1) % PLACES
        width = spans[RIM_SPANS[place]]
        outer, outer_next = _name(names, ("rim", place)), _name(names, ("rim", following))
        inner, inner_next = _name(names, CORE_COORDINATES[place]), _name(names, CORE_COORDINATES[following])
        blocks.append(Block((outer, outer_next, inner_next, inner), width, rows[0]))
        border.append((outer, outer_next, width))
    return blocks, border


def _sided_rim(names: dict[object, int], template: Template, spans: tuple[int, ...],
               rows: tuple[int, ...]) -> tuple[list[Block], list[tuple[int, int, int]]]:
    sides = len(template.starts)
    blocks: list[Block] = []
    border: list[tuple[int, int, int]] = []
    for side in range(sides):
        before, after = (side - 1) % sides, (side + 1) % sides
        start, steps = template.starts[side], template.steps[side]
        corner, corner_after = _name(names, ("corner", side)), _name(names, ("corner", after))
        line = [_name(names, ("side", side, step)) for step in range(steps + 1)]
        border.append((corner, line[0], rows[before]))
        for step in range(steps):
            width = spans[RIM_SPANS[(start + step) % PLACES]]
            inner, inner_next = (_name(names, CORE_COORDINATES[(start + step + more) % PLACES]) for more in (0, 1))
            blocks.append(Block((line[step], line[step + 1], inner_next, inner), width, rows[side]))
            border.append((line[step], line[step + 1], width))
        border.append((line[-1], corner_after, rows[after]))
        last_before = _name(names, ("side", before, template.steps[before]))
        inner = _name(names, CORE_COORDINATES[start % PLACES])
        blocks.append(Block((corner, line[0], inner, last_before), rows[before], rows[side]))
    return blocks, border


class _EdgePoints:
    """Fine vertices along every coarse edge, handed out on first use."""

    def __init__(self, coarse_count: int) -> None:
        self.count = coarse_count
        self._lines: dict[tuple[int, int], IntArray] = {}

    def line(self, start: int, end: int, parts: int) -> IntArray:
        low, high = min(start, end), max(start, end)
        if (low, high) not in self._lines:
            inner = np.arange(self.count, self.count + max(parts - 1, 0), dtype=np.int32)
            self.count += len(inner)
            self._lines[low, high] = np.concatenate(([low], inner, [high])).astype(np.int32)
        line = self._lines[low, high]
        return line if start == low else line[::-1]


def _split(blocks: list[Block], border: list[tuple[int, int, int]], coarse_count: int) -> Weave | None:
    points = _EdgePoints(coarse_count)
    outlines = [_outline(points, block) for block in blocks]
    loop_lines = [points.line(start, end, parts) for start, end, parts in border]
    label = components(points.count, _merged_pairs(blocks, outlines))
    loop = np.concatenate([label[line[:-1]] for line, (_, _, parts) in zip(loop_lines, border, strict=True) if parts > 0])
    if len(np.unique(loop)) != len(loop):
        return None
    grids, count = [], int(label.max()) + 1
    for block, outline in zip(blocks, outlines, strict=True):
        if block.across and block.up:
            grid = np.empty((block.up + 1, block.across + 1), dtype=np.int64)
            inner = (block.up - 1) * (block.across - 1)
            grid[1:-1, 1:-1] = np.arange(count, count + inner).reshape(block.up - 1, block.across - 1)
            count += inner
            grid[0], grid[:, -1], grid[-1], grid[:, 0] = (label[line] for line in outline)
            grids.append(np.stack([grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]], axis=-1).reshape(-1, 4))
    return _renumber(np.concatenate(grids), loop, count) if grids else None


def _outline(points: _EdgePoints, block: Block) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    first, second, third, fourth = block.corners
    return (points.line(first, second, block.across), points.line(second, third, block.up),
            points.line(fourth, third, block.across), points.line(first, fourth, block.up))


def _merged_pairs(blocks: list[Block], outlines: list[tuple[IntArray, IntArray, IntArray, IntArray]]) -> IntArray:
    pairs = []
    for block, (low, right, high, left) in zip(blocks, outlines, strict=True):
        if block.across == 0:
            pairs += [low[[0, -1]][None], high[[0, -1]][None], np.column_stack([left, right])]
        if block.up == 0:
            pairs += [left[[0, -1]][None], right[[0, -1]][None], np.column_stack([low, high])]
    return np.concatenate(pairs).astype(np.int32) if pairs else np.empty((0, 2), dtype=np.int32)


def _renumber(quads: IntArray, loop: IntArray, count: int) -> Weave:
    number = np.full(count, -1, dtype=np.int64)
    number[loop] = np.arange(len(loop))
    used = np.zeros(count, dtype=np.bool_)
    used[quads] = True
    inner = np.flatnonzero(used & (number < 0))
    number[inner] = np.arange(len(loop), len(loop) + len(inner))
    return Weave(number[quads].astype(np.int32), len(loop), len(loop) + len(inner))


def is_simple_disc(woven: Weave) -> bool:
    """Whether the quads make one disc with exactly the border loop, no two quads sharing two edges."""
    quads, size, count = woven.quads, woven.loop_size, woven.vertex_count
    start, end = quads.ravel().astype(np.int64), np.roll(quads, -1, axis=1).ravel()
    forward = np.unique(start * count + end)
    if len(forward) != len(start) or np.any(np.diff(np.sort(quads, axis=1), axis=1) == 0):
        return False
    alone = forward[~np.isin(forward, end.astype(np.int64) * count + start)]
    border = np.arange(size, dtype=np.int64)
    edges = (len(start) + size) // 2
    return (np.array_equal(alone, np.sort(border * count + (border + 1) % size)) and count - edges + len(quads) == 1
            and not _repeats_a_row(np.sort(quads, axis=1))
            and bool(np.all(np.bincount(start, minlength=count)[size:] >= 3)))


def _repeats_a_row(rows: IntArray) -> bool:
    ordered = rows[np.lexsort(rows.T)]
    return bool(np.any(np.all(ordered[1:] == ordered[:-1], axis=1)))


def face_counts(woven: Weave) -> IntArray:
    """Quads at every vertex, (V,) int32; for an inner vertex its valence, for a border vertex its valence less one."""
    return np.bincount(woven.quads.ravel(), minlength=woven.vertex_count).astype(np.int32)


def pole_weight(woven: Weave, regular_faces: IntArray) -> int:
    """Sum of |quads - regular quads| over all vertices: 4 inside, and along the border as given.

    regular_faces : (loop_size,) int
    """
    regular = np.full(woven.vertex_count, 4)
    regular[: woven.loop_size] = regular_faces
    return int(np.abs(face_counts(woven) - regular).sum())


def neighbour_table(woven: Weave) -> IntArray:
    """Neighbours of every vertex, (V, most) int32, padded with V."""
    start = woven.quads.ravel()
    end = np.roll(woven.quads, -1, axis=1).ravel()
    keys = np.unique(np.concatenate([start * np.int64(woven.vertex_count) + end, end * np.int64(woven.vertex_count) + start]))
    pairs = np.stack(np.divmod(keys, woven.vertex_count), axis=1)
    valence = np.bincount(pairs[:, 0], minlength=woven.vertex_count)
    place = np.arange(len(pairs)) - np.repeat(np.cumsum(valence) - valence, valence)
    table = np.full((woven.vertex_count, int(valence.max())), woven.vertex_count, dtype=np.int32)
    table[pairs[:, 0], place] = pairs[:, 1]
    return table
