"""Rows of quads from a fuller to a sparser ring, and where their vertices lie evenly.

Local vertices are numbered ring by ring from the fuller ring, row 0 below it. Each vertex has a column (how far
round, a real number with a period) and a depth (how far from the fuller ring, in rows).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .placement import StepDownPlaces, row_correspondence
from .polymesh import BoolArray, FloatArray, IntArray, offsets_of
from .stepdown import step_down_row


@dataclass(frozen=True)
class RingRows:
    """The topology of rows between two rings.

    counts : (R + 1,) int32, edges of every ring
    starts : for every row (k_r,) int32, upper vertices at which its step-downs start
    columns : for every ring (n_r,) int32, vertex of the fuller ring above each vertex
    quads : (Q, 4) int32 local vertices; seen from outside where the fuller ring is the one toward the tip
    quad_rows : (Q,) int32, row of every quad
    edges : (E, 2) int32 local vertices
    turns : (E,) int32, how many whole turns to add to the second vertex's column along the edge
    """

    counts: IntArray
    starts: tuple[IntArray, ...]
    columns: tuple[IntArray, ...]
    quads: IntArray
    quad_rows: IntArray
    edges: IntArray
    turns: IntArray

    @property
    def offsets(self) -> IntArray:
        """First local vertex of every ring, (R + 2,) int32."""
        return offsets_of(self.counts)

    def ring(self, index: int) -> IntArray:
        """Local vertices of one ring."""
        return np.arange(self.offsets[index], self.offsets[index + 1], dtype=np.int32)

    @property
    def ring_of_vertex(self) -> IntArray:
        """Ring of every local vertex, (sum of counts,) int32."""
        return np.repeat(np.arange(len(self.counts), dtype=np.int32), self.counts)

    @property
    def three_poles(self) -> IntArray:
        """Local vertices that become 3-poles, (k,) int32."""
        return np.concatenate([np.zeros(0, dtype=np.int32), *(
            self.offsets[row] + (start + 2) % self.counts[row] for row, start in enumerate(self.starts))]).astype(np.int32)

    @property
    def five_poles(self) -> IntArray:
        """Local vertices that become 5-poles, (k,) int32."""
        poles = [np.zeros(0, dtype=np.int32)]
        for row, start in enumerate(self.starts):
            above = row_correspondence(int(self.counts[row]), start)
            poles.append(self.offsets[row + 1] + np.searchsorted(above, (start + 3) % self.counts[row]))
        return np.concatenate(poles).astype(np.int32)


def build_ring_rows(places: StepDownPlaces, plain_before: int, plain_after: int) -> RingRows:
    """Rows with the step-downs of ``places``, plain rows before them (at the fuller ring) and after them."""
    none = np.zeros(0, dtype=np.int32)
    starts = (none,) * plain_before + places.starts + (none,) * plain_after
    counts = np.concatenate([np.repeat(places.ring_counts[:1], plain_before), places.ring_counts,
                             np.repeat(places.ring_counts[-1:], plain_after)]).astype(np.int32)
    offsets = np.concatenate(([0], np.cumsum(counts)))
    rings = [np.arange(offsets[i], offsets[i + 1], dtype=np.int32) for i in range(len(counts))]
    columns = [np.arange(counts[0], dtype=np.int32)]
    quads, edges, turns = [], [_ring_edges(rings[0])], [_last_is_one(counts[0])]
    for row, start in enumerate(starts):
        above = row_correspondence(int(counts[row]), start)
        columns.append(columns[-1][above])
        quads.append(step_down_row(rings[row], rings[row + 1], start))
        second, fourth = (start + 1) % counts[row], (start + 3) % counts[row]
        edges += [_ring_edges(rings[row + 1]), np.column_stack([rings[row][above], rings[row + 1]]),
                  np.column_stack([rings[row][second], rings[row + 1][np.searchsorted(above, fourth)]])]
        turns += [_last_is_one(counts[row + 1]), np.zeros(len(above), dtype=np.int32), (fourth < second).astype(np.int32)]
    quad_rows = np.repeat(np.arange(len(starts)), [len(row) for row in quads])
    return RingRows(counts, starts, tuple(columns), np.concatenate(quads), quad_rows.astype(np.int32),
                    np.concatenate(edges).astype(np.int32), np.concatenate(turns).astype(np.int32))


def _ring_edges(ring: IntArray) -> IntArray:
    return np.column_stack([ring, np.roll(ring, -1)])


def _last_is_one(count: int) -> IntArray:
    turns = np.zeros(count, dtype=np.int32)
    turns[-1] = 1
    return turns


@dataclass(frozen=True)
class RowCoordinates:
    """Where local vertices lie.

    columns : (n,) float64, in periods
    depths : (n,) float64, in rows from the fuller ring
    """

    columns: FloatArray
    depths: FloatArray


def even_coordinates(rows: RingRows, first_columns: npt.ArrayLike | None, last_columns: npt.ArrayLike | None,
                     period: float) -> RowCoordinates:
    """Spread the vertices of rows evenly between two rings: each lies at the mean of its neighbours.

    first_columns : (n_0,) float, columns of the fuller ring, or None to leave them free to slide along it
    last_columns : (n_R,) float, columns of the sparser ring, or None to leave them free to slide along it
    period : columns of one whole turn
    Method: the uniform graph Laplacian with both rings pinned (Tutte 1963), solved directly.
    """
    count = int(rows.counts.sum())
    ring = rows.ring_of_vertex
    ends = (ring == 0) | (ring == len(rows.counts) - 1)
    columns, pinned = np.zeros(count), np.zeros(count, dtype=np.bool_)
    for index, given in ((0, first_columns), (len(rows.counts) - 1, last_columns)):
        if given is not None:
            columns[rows.ring(index)] = given
            pinned[rows.ring(index)] = True
    laplacian, turn_force = _laplacian(rows, count, period)
    depths = _solve_pinned(laplacian, np.zeros(count), np.where(ends, ring, 0.0).astype(np.float64), ends)
    return RowCoordinates(_solve_pinned(laplacian, turn_force, columns, pinned), depths)


def _laplacian(rows: RingRows, count: int, period: float) -> tuple[FloatArray, FloatArray]:
    first, second = rows.edges[:, 0], rows.edges[:, 1]
    laplacian, force = np.zeros((count, count)), np.zeros(count)
    np.add.at(laplacian, (first, first), 1.0)
    np.add.at(laplacian, (second, second), 1.0)
    np.add.at(laplacian, (first, second), -1.0)
    np.add.at(laplacian, (second, first), -1.0)
    np.add.at(force, first, rows.turns * period)
    np.add.at(force, second, -rows.turns * period)
    return laplacian, force


def _solve_pinned(laplacian: FloatArray, force: FloatArray, values: FloatArray, pinned: BoolArray) -> FloatArray:
    free = ~pinned
    solved = values.copy()
    if free.any():
        right = force[free] - laplacian[np.ix_(free, pinned)] @ values[pinned]
        solved[free] = np.linalg.solve(laplacian[np.ix_(free, free)], right)
    return solved
