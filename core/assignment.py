"""Least-cost assignment and least-cost pairing of small sets, exact."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt

from .polymesh import FloatArray

Index = npt.NDArray[np.int64]


def assign(cost: FloatArray) -> Index:
    """Column of every row in the assignment of least total cost, (n,) int64.

    cost : (n, n) float, finite
    Source: the Hungarian method with potentials (Kuhn 1955; Jonker and Volgenant 1987), O(n^3).
    """
    count = len(cost)
    row_price, column_price = np.zeros(count + 1), np.zeros(count + 1)
    row_of = np.zeros(count + 1, dtype=np.int64)
    padded = np.zeros((count + 1, count + 1))
    padded[1:, 1:] = cost
    for row in range(1, count + 1):
        _augment(padded, row, row_of, row_price, column_price)
    columns = np.empty(count, dtype=np.int64)
    columns[row_of[1:] - 1] = np.arange(count)
    return columns


def _augment(padded: FloatArray, row: int, row_of: Index, row_price: FloatArray, column_price: FloatArray) -> None:
    """Bring one more row into the assignment along the cheapest alternating path; column 0 is the path's root."""
    count = len(padded) - 1
    row_of[0] = row
    column = 0
    slack = np.full(count + 1, np.inf)
    came_from = np.zeros(count + 1, dtype=np.int64)
    visited = np.zeros(count + 1, dtype=np.bool_)
    while row_of[column]:
        visited[column] = True
        here = row_of[column]
        reduced = padded[here] - row_price[here] - column_price
        better = ~visited & (reduced < slack)
        better[0] = False
        slack[better] = reduced[better]
        came_from[better] = column
        open_slack = np.where(visited, np.inf, slack)
        open_slack[0] = np.inf
        following = int(np.argmin(open_slack))
        step = open_slack[following]
        row_price[row_of[visited]] += step
        column_price[visited] -= step
        slack[~visited] -= step
        column = following
    while column:
        row_of[column] = row_of[came_from[column]]
        column = int(came_from[column])


def pair_up(cost: FloatArray, alone: float) -> Index:
    """Partner of every member in the pairing of least total cost, (n,) int64; -1 for those left alone.

    cost : (n, n) float, symmetric; cost[i, j] of pairing i with j; infinite forbids
    alone : cost of leaving one member alone; a pair is worth having where it costs less than two of these
    Method: branch and bound over pairs; the bound is the assignment on the doubled set, whose symmetric optimum
        is the answer.
    """
    count = len(cost)
    worthless = 4.0 * alone * (count + 1)
    start = np.where(np.isfinite(cost), cost, worthless) / 2.0
    np.fill_diagonal(start, alone)
    queue: list[tuple[float, int, FloatArray, Index]] = []
    serial = 0

    def push(matrix: FloatArray) -> None:
        nonlocal serial
        columns = assign(matrix)
        heapq.heappush(queue, (float(matrix[np.arange(count), columns].sum()), serial, matrix, columns))
        serial += 1

    push(start)
    while True:
        _, _, matrix, columns = heapq.heappop(queue)
        astray = np.flatnonzero(columns[columns] != np.arange(count))
        if len(astray) == 0:
            alone_or_forbidden = (columns == np.arange(count)) | (matrix[np.arange(count), columns] >= worthless / 2.0)
            return np.where(alone_or_forbidden, -1, columns)
        first, second = int(astray[0]), int(columns[astray[0]])
        without, within = matrix.copy(), matrix.copy()
        without[[first, second], [second, first]] = worthless
        for member, other in ((first, second), (second, first)):
            kept = within[member, other]
            within[member], within[:, member] = worthless, worthless
            within[member, other] = kept
        within[first, second] = within[second, first] = matrix[first, second]
        push(without)
        push(within)
