"""The Laplacian of a patch's inner vertices, factored once and then solved exactly.

Valence times value less the neighbours' sum, the border at zero. Inner vertices are ordered in layers by their distance from one of them,
so that only neighbouring layers meet: the matrix is block tridiagonal, and its factors are small dense blocks (George, Liu, "Computer
Solution of Large Sparse Positive Definite Systems", 1981, one-way dissection by level sets).
"""

from __future__ import annotations

import numpy as np

from .patch_weave import Weave, neighbour_table
from .polymesh import FloatArray, IntArray

LEAST_BLOCK = 48
"""Inner vertices from which a block stands alone; smaller ones take longer to reach for than to multiply (measured: 32 to 64 are alike)."""

MOST_AT_ONCE = 48
"""Rows of a matrix that is inverted at once: for more, libraries start threads, which on a busy machine take far longer than the
inverting (measured: 16 ms instead of 0.05)."""


class PatchLaplacian:
    """A patch's neighbours and the factored Laplacian of its inner vertices.

    neighbours : (V, most) int32, padded with V
    valence : (V, 1) float64
    """

    def __init__(self, woven: Weave) -> None:
        self.size, self.count = woven.loop_size, woven.vertex_count
        self.neighbours = neighbour_table(woven)
        self.valence = (self.neighbours < self.count).sum(axis=1).astype(np.float64)[:, None]
        around = self.neighbours[self.size:]
        inner = np.where((around >= self.size) & (around < self.count), around - self.size, -1)
        self._layers = _layers(inner)
        self._inverses, self._steps = _factors(inner, self.valence[self.size:, 0], self._layers)

    def neighbour_sum(self, values: FloatArray) -> FloatArray:
        """Sum of the neighbours' (V, k) values at every vertex."""
        padded = np.vstack([values, np.zeros((1, values.shape[1]))])
        total = padded[self.neighbours[:, 0]]
        for column in range(1, self.neighbours.shape[1]):
            total += padded[self.neighbours[:, column]]
        return total

    def solve(self, right: FloatArray) -> FloatArray:
        """Values at the inner vertices whose Laplacian is given, both (inner, k) float64."""
        solved = np.empty_like(right)
        reduced: list[FloatArray] = []
        for number, layer in enumerate(self._layers):
            reduced.append(right[layer] + self._steps[number - 1] @ reduced[-1] if number else right[layer])
        following = np.zeros((0, right.shape[1]))
        for number in range(len(self._layers) - 1, -1, -1):
            values = self._inverses[number] @ reduced[number]
            if number < len(self._steps):
                values += self._steps[number].T @ following
            solved[self._layers[number]] = following = values
        return solved

    def apply(self, values: FloatArray) -> FloatArray:
        """The Laplacian of values at the inner vertices, both (inner, k) float64."""
        whole = np.zeros((self.count, values.shape[1]))
        whole[self.size:] = values
        return np.asarray(self.valence[self.size:] * values - self.neighbour_sum(whole)[self.size:])

    def harmonic(self, border: FloatArray) -> FloatArray:
        """Values at all vertices, (V, k), every inner one the mean of its neighbours; ``border`` (loop_size, k) float64 stays."""
        values = np.zeros((self.count, border.shape[1]))
        values[: self.size] = border
        values[self.size:] = self.solve(self.neighbour_sum(values)[self.size:])
        return values


def _layers(inner: IntArray) -> list[IntArray]:
    """Inner vertices by their distance from one at an end of every piece, thin layers put together.

    inner : (inner, most) int, inner neighbours, -1 for none
    """
    distance = np.full(len(inner), -1, dtype=np.int32)
    while True:
        left = np.flatnonzero(distance < 0)
        if not len(left):
            break
        there = _distances(inner, int(left[0]))
        farthest = _distances(inner, int(np.argmax(there)))
        distance = np.where(there >= 0, farthest, distance)
    blocks: list[IntArray] = []
    for layer in _split_by(distance):
        if blocks and len(blocks[-1]) < LEAST_BLOCK:
            blocks[-1] = np.concatenate([blocks[-1], layer])
        else:
            blocks.append(layer)
    return blocks


def _split_by(distance: IntArray) -> list[IntArray]:
    order = np.argsort(distance, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(distance[order])) + 1) if len(order) else []


def _distances(inner: IntArray, start: int) -> IntArray:
    """Edges from a vertex to every other, -1 where no way leads."""
    distance = np.full(len(inner) + 1, -1, dtype=np.int32)
    distance[-1] = 0  # where the table says -1
    front, steps = np.array([start]), 0
    while len(front):
        distance[front] = steps
        reached = inner[front].ravel()
        front, steps = np.unique(reached[distance[reached] < 0]), steps + 1
    return distance[:-1]


def _factors(inner: IntArray, valence: FloatArray, layers: list[IntArray]) -> tuple[list[FloatArray], list[FloatArray]]:
    """For every layer the inverse of its block once the layers before are gone, and, but for the first, what the layer before passes on.

    The blocks between layers hold a few -1 only, so products with them are sums of rows.
    """
    place: IntArray = np.full(len(inner) + 1, -1, dtype=np.int32)
    level: IntArray = np.full(len(inner) + 1, -1, dtype=np.int32)
    for number, layer in enumerate(layers):
        place[layer], level[layer] = np.arange(len(layer)), number
    inverses: list[FloatArray] = []
    steps: list[FloatArray] = []
    for number, layer in enumerate(layers):
        around = inner[layer]
        block: FloatArray = np.diag(valence[layer])
        rows, columns = np.nonzero(level[around] == number)
        block[rows, place[around[rows, columns]]] = -1.0
        if number:
            steps.append(_sum_rows(inverses[-1], around, level, place, number - 1))
            block = block - _sum_rows(np.ascontiguousarray(steps[-1].T), around, level, place, number - 1)
        inverses.append(_inverse(block))
    return inverses, steps


def _sum_rows(values: FloatArray, around: IntArray, level: IntArray, place: IntArray, number: int) -> FloatArray:
    """For every vertex of a layer the sum of the rows of its neighbours in another layer."""
    total = np.zeros((len(around), values.shape[1]))
    for neighbours in around.T:
        there = np.flatnonzero(level[neighbours] == number)
        total[there] += values[place[neighbours[there]]]
    return total


def _inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of a symmetric positive definite matrix with nothing above zero off the diagonal.

    Large ones by halves (Schur complement). Small ones by Cholesky's factor L = (I - N) D with a strictly lower N >= 0:
    (I - N)^-1 = (I + N) (I + N^2) (I + N^4) ..., a sum without cancellation that ends, in a few products.
    """
    count = len(matrix)
    half = count // 2
    if count > MOST_AT_ONCE:
        first = _inverse(matrix[:half, :half])
        across = first @ matrix[:half, half:]
        second = _inverse(matrix[half:, half:] - matrix[half:, :half] @ across)
        mixed = across @ second
        return np.block([[first + mixed @ across.T, -mixed], [-mixed.T, second]])
    factor = np.linalg.cholesky(matrix)
    diagonal = np.diagonal(factor)
    power = np.eye(count) - factor / diagonal
    total = np.eye(count) + power
    for _ in range(1, (count - 1).bit_length()):
        power = power @ power
        total += total @ power
    lower = total / diagonal[:, None]
    return np.asarray(lower.T @ lower)
