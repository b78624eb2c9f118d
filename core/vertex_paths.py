"""Put loose points or a chain of edges in order."""

from __future__ import annotations

import numpy as np

from .polymesh import FloatArray, IntArray


def vertex_paths(vertex_count: int, edges: IntArray) -> list[list[int]]:
    """Open chains of edges, each in order from its end of lower number.

    edges : (k, 2) int, edges among 0 .. vertex_count - 1
    Returns nothing unless every vertex with an edge lies on an open chain and no vertex is alone.
    """
    neighbours: list[list[int]] = [[] for _ in range(vertex_count)]
    for first, second in edges.tolist():
        neighbours[first].append(second)
        neighbours[second].append(first)
    if any(not 1 <= len(near) <= 2 for near in neighbours):
        return []
    paths, seen = [], np.zeros(vertex_count, dtype=np.bool_)
    for start in (index for index, near in enumerate(neighbours) if len(near) == 1):
        if seen[start]:
            continue
        path = [start]
        seen[start] = True
        while following := [near for near in neighbours[path[-1]] if not seen[near]]:
            path.append(following[0])
            seen[path[-1]] = True
        paths.append(path)
    return paths if seen.all() else []


def order_path(points: FloatArray) -> list[int]:
    """Loose points in order along the direction in which they spread most.

    points : (n, 3) float64
    """
    flat = points - points.mean(axis=0)
    along = np.linalg.svd(flat, full_matrices=False)[2][0]
    return [int(index) for index in np.argsort(flat @ along, kind="stable")]
