"""What a mesh falls into along cuts, counted by corners that hang together."""

from __future__ import annotations

import numpy as np

from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.polymesh import IntArray, PolyMesh


def cut_open(mesh: PolyMesh, seams: IntArray) -> tuple[list[int], list[int]]:
    """Euler number and number of boundary loops of every part after cutting, by corners that hang together."""
    adjacency = build_adjacency(mesh)
    kept = np.ones(adjacency.edge_count, dtype=bool)
    kept[seams] = False
    order = np.argsort(adjacency.corner_edges, kind="stable")
    edges, corners = adjacency.corner_edges[order], order
    inner = (edges[1:] == edges[:-1]) & kept[edges[1:]]
    first, second = corners[:-1][inner], corners[1:][inner]
    same = np.column_stack([np.concatenate([first, adjacency.corner_next[first]]),
                            np.concatenate([adjacency.corner_next[second], second])])
    vertices = components(len(mesh.corner_verts), same.astype(np.int32))
    faces = components(mesh.face_count, np.column_stack([adjacency.corner_faces[first], adjacency.corner_faces[second]]))
    ends = np.sort(np.column_stack([vertices, vertices[adjacency.corner_next]]), axis=1)
    own, uses = np.unique(ends, axis=0, return_counts=True)
    part_of_vertex = np.zeros(int(vertices.max()) + 1, dtype=int)
    part_of_vertex[vertices] = faces[adjacency.corner_faces]
    eulers, loops = [], []
    for part in range(int(faces.max()) + 1):
        rim = own[(uses == 1) & (part_of_vertex[own[:, 0]] == part)]
        eulers.append(int((part_of_vertex == part).sum() - (part_of_vertex[own[:, 0]] == part).sum() + (faces == part).sum()))
        labels = components(int(vertices.max()) + 1, rim.astype(np.int32))
        loops.append(len(np.unique(labels[rim])) if len(rim) else 0)
    return eulers, loops
