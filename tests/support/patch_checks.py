"""What every patch must be, measured independently of the code that makes it."""

from __future__ import annotations

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
    directed = [(quad[k], quad[(k + 1) % 4]) for quad in quads.tolist() for k in range(4)]
    assert all(len(set(quad)) == 4 for quad in quads.tolist())
    assert len(set(directed)) == len(directed), "two quads run along an edge the same way"
    present = set(directed)
    assert {edge for edge in directed if edge[::-1] not in present} == {(i, (i + 1) % loop_size) for i in range(loop_size)}
    graph = nx.Graph(directed)
    assert sorted(graph) == list(range(len(graph))) and nx.is_connected(graph)
    assert graph.number_of_nodes() - graph.number_of_edges() + len(quads) == 1
    assert min((graph.degree(vertex) for vertex in range(loop_size, len(graph))), default=3) >= 3
    assert all(len(fan) == 1 for fan in _fans(quads).values()), "a vertex joins two pieces by its point alone"


def _fans(quads: IntArray) -> dict[int, list[set[int]]]:
    fans: dict[int, list[set[int]]] = {}
    for quad in quads.tolist():
        for before, vertex, after in zip(quad[-1:] + quad[:-1], quad, quad[1:] + quad[:1], strict=True):
            touching = [fan for fan in fans.setdefault(vertex, []) if fan & {before, after}]
            fans[vertex] = [fan for fan in fans[vertex] if fan not in touching] + [{before, after}.union(*touching)]
    return fans


def count_poles(quads: IntArray, loop_size: int, corners: tuple[int, ...]) -> int:
    """Sum of |edges - regular edges|: 4 inside, 3 along the border, 2 at a corner."""
    degree = nx.Graph([(quad[k], quad[(k + 1) % 4]) for quad in quads.tolist() for k in range(4)]).degree
    return sum(abs(number - (4 if vertex >= loop_size else 2 if vertex in corners else 3)) for vertex, number in degree)


def balance(quads: IntArray, loop_size: int) -> int:
    """Sum of 4 - edges inside and of 3 - edges along the border; 4 on every disc of quads."""
    degree = nx.Graph([(quad[k], quad[(k + 1) % 4]) for quad in quads.tolist() for k in range(4)]).degree
    return sum((4 if vertex >= loop_size else 3) - number for vertex, number in degree)


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
