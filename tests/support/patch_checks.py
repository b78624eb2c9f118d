"""What every patch must be, measured independently of the code that makes it."""

from __future__ import annotations

from collections import Counter
from itertools import product

import networkx as nx
import numpy as np

from ringwright.core.polymesh import FloatArray, IntArray

Counts = tuple[int, ...]


def loop_and_corners(counts: Counts) -> tuple[int, tuple[int, ...]]:
    """Edges of a border with such sides, and the vertex at which every side starts."""
    return sum(counts), tuple(int(start) for start in np.cumsum((0, *counts[:-1])))


def assert_disc(quads: IntArray, loop_size: int) -> None:
    """All quads, one disc, its border exactly 0, 1, ... in order, every edge between two different vertices once, no vertex unused."""
    assert quads.ndim == 2 and quads.shape[1] == 4
    rows = quads.tolist()
    assert all(len(set(quad)) == 4 for quad in rows)
    directed = [(quad[k], quad[k - 3]) for quad in rows for k in range(4)]
    present = set(directed)
    assert len(present) == len(directed), "two quads run along an edge the same way"
    assert {edge for edge in directed if edge[::-1] not in present} == {(i, (i + 1) % loop_size) for i in range(loop_size)}
    degree = degrees(quads)
    assert sorted(degree) == list(range(len(degree)))
    assert len(degree) - (len(directed) + loop_size) // 2 + len(quads) == 1
    assert min((degree[vertex] for vertex in range(loop_size, len(degree))), default=3) >= 3
    following = {(quad[k], quad[k - 3]): quad[k - 1] for quad in rows for k in range(4)}
    sizes = Counter(vertex for quad in rows for vertex in quad)
    first = {quad[k]: quad[k - 3] for quad in rows for k in range(4)} | {vertex: (vertex + 1) % loop_size for vertex in range(loop_size)}
    assert all(_fan(following, vertex, first[vertex]) == size for vertex, size in sizes.items()), "two fans at a vertex"
    assert nx.is_connected(nx.Graph(directed))


def _fan(following: dict[tuple[int, int], int], vertex: int, start: int) -> int:
    """Quads round a vertex that hang together by edges, from the edge to ``start`` on counter-clockwise."""
    spoke, count = start, 0
    while (vertex, spoke) in following:
        spoke, count = following[vertex, spoke], count + 1
        if spoke == start:
            break
    return count


def degrees(quads: IntArray) -> Counter[int]:
    """Edges at every vertex."""
    edges = {(quad[k], quad[k - 1]) for quad in quads.tolist() for k in range(4)}
    return Counter(start for start, end in edges | {(end, start) for start, end in edges})


def count_poles(quads: IntArray, loop_size: int, corners: tuple[int, ...]) -> int:
    """Sum of |edges - regular edges|: 4 inside, 3 along the border, 2 at a corner."""
    return sum(abs(number - (4 if vertex >= loop_size else 2 if vertex in corners else 3)) for vertex, number in degrees(quads).items())


def balance(quads: IntArray, loop_size: int) -> int:
    """Sum of 4 - edges inside and of 3 - edges along the border; 4 on every disc of quads."""
    return sum((4 if vertex >= loop_size else 3) - number for vertex, number in degrees(quads).items())


def count_vectors(sides: int, most: int) -> list[Counts]:
    """Every even count vector with sides of 1 to ``most`` edges and 4 edges in all at least, one of each kind up to turns and mirrors."""
    if sides == 1:
        return [(count,) for count in range(4, most + 1, 2)]
    found = []
    for counts in product(range(1, most + 1), repeat=sides):
        if sum(counts) % 2 or sum(counts) < 4 or counts[0] != max(counts):
            continue
        mirrored = counts[::-1]
        if all(counts >= turned for i in range(sides) for turned in (counts[i:] + counts[:i], mirrored[i:] + mirrored[:i])):
            found.append(counts)
    return found


def least_neighbour_cosine(positions: FloatArray, quads: IntArray) -> float:
    """Least cosine between the normals of quads that share an edge; below 0 where the patch turns sharply or folds over."""
    corners = positions[quads]
    normals = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    quad_at = {(quad[k], quad[(k + 1) % 4]): number for number, quad in enumerate(quads.tolist()) for k in range(4)}
    pairs = [(number, quad_at[end, start]) for (start, end), number in quad_at.items() if (end, start) in quad_at]
    return min((float(normals[first] @ normals[second]) for first, second in pairs), default=1.0)
