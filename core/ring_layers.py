"""The clean rows of quads beside an open ring, and what ends them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .polymesh import IntArray, PolyMesh


@dataclass(frozen=True)
class RingLayers:
    """Closed rows of quads, one under the other, beginning at an open ring.

    vertices : (L + 1, n) int32, ring by ring from the open one; column by column
    faces : (L, n) int32, quad between columns j and j + 1 under ring i
    obstacle : why the rows end: one clause that names the vertex, face or ring in the way
    """

    vertices: IntArray
    faces: IntArray
    obstacle: str

    @property
    def rows(self) -> int:
        """Number of clean rows."""
        return len(self.faces)


def ring_layers(mesh: PolyMesh, adjacency: Adjacency, loop: npt.ArrayLike, most: int) -> RingLayers:
    """Follow closed rows of quads from an open ring into the mesh.

    loop : (n,) int, an open ring as ``boundary_loops`` tells it
    most : rows to follow at most
    """
    ring = np.asarray(loop, dtype=np.int32)
    corners = _corners_along(mesh, adjacency, ring)
    vertices: list[IntArray] = [ring]
    faces: list[IntArray] = []
    seen_vertices: set[int] = set(ring.tolist())
    seen_faces: set[int] = set()
    obstacle = f"the {most} rows that may be used end there"
    while len(faces) < most:
        problem = _row_problem(mesh, adjacency, vertices[-1], corners) or _hanging(adjacency, vertices[-1], 2 if len(vertices) == 1 else 4)
        if problem:
            obstacle = problem
            break
        across = adjacency.corner_next[adjacency.corner_next[corners]]
        inner = mesh.corner_verts[adjacency.corner_previous[corners]]
        row = adjacency.corner_faces[corners]
        if len(set(inner.tolist()) - seen_vertices) < len(inner) or len(set(row.tolist()) - seen_faces) < len(row):
            obstacle = f"the rows run into themselves at vertex {int(inner[0])}"
            break
        vertices.append(inner)
        faces.append(row)
        seen_vertices.update(inner.tolist())
        seen_faces.update(row.tolist())
        edges = adjacency.corner_edges[across]
        if np.any(adjacency.edge_face_count[edges] == 1):
            obstacle = f"the next open ring begins at vertex {int(inner[0])}"
            break
        if np.any(adjacency.edge_face_count[edges] > 2):
            one, other = adjacency.edge_verts[edges[np.argmax(adjacency.edge_face_count[edges])]].tolist()
            obstacle = f"the edge between vertices {one} and {other} has {int(adjacency.edge_face_count[edges].max())} faces"
            break
        corners = _other_corner(adjacency, edges, across)
    return RingLayers(np.array(vertices, dtype=np.int32), np.array(faces, dtype=np.int32).reshape(len(faces), len(ring)), obstacle)


def _corners_along(mesh: PolyMesh, adjacency: Adjacency, ring: IntArray) -> IntArray:
    """Face corner that starts every edge of an open ring."""
    corners = np.flatnonzero(adjacency.edge_face_count[adjacency.corner_edges] == 1)
    keys = mesh.corner_verts[corners].astype(np.int64) * mesh.vertex_count + mesh.corner_verts[adjacency.corner_next[corners]]
    order = np.argsort(keys)
    wanted = ring.astype(np.int64) * mesh.vertex_count + np.roll(ring, -1)
    place = np.minimum(np.searchsorted(keys[order], wanted), len(keys) - 1)
    found = corners[order[place]]
    return np.where(keys[order[place]] == wanted, found, -1).astype(np.int32)


def _row_problem(mesh: PolyMesh, adjacency: Adjacency, ring: IntArray, corners: IntArray) -> str:
    """What keeps the faces at the given corners from being one closed row of quads; empty where nothing does."""
    if np.any(corners < 0):
        vertex = int(ring[np.argmax(corners < 0)])
        return f"faces beside vertex {vertex} do not agree on outside"
    sizes = mesh.face_sizes[adjacency.corner_faces[corners]]
    if np.any(sizes != 4):
        face = int(adjacency.corner_faces[corners[np.argmax(sizes != 4)]])
        return f"face {face} with {int(mesh.face_sizes[face])} corners lies in the way"
    if np.any(mesh.corner_verts[corners] != ring):
        return f"faces beside vertex {int(ring[np.argmax(mesh.corner_verts[corners] != ring)])} do not agree on outside"
    far_left = mesh.corner_verts[adjacency.corner_previous[corners]]
    far_right = mesh.corner_verts[adjacency.corner_next[adjacency.corner_next[corners]]]
    apart = far_right != np.roll(far_left, -1)
    if np.any(apart):
        vertex = int(ring[(int(np.argmax(apart)) + 1) % len(ring)])
        return f"vertex {vertex} with {int(adjacency.valence[vertex])} edges lies in the way"
    return ""


def _hanging(adjacency: Adjacency, ring: IntArray, own: int) -> str:
    """What else than the rows' own faces hangs on a ring and would be torn along; empty where nothing does.

    own : faces of the rows at every vertex
    """
    more = adjacency.face_valence[ring] > own
    return f"vertex {int(ring[np.argmax(more)])}, on which other faces hang, lies in the way" if np.any(more) else ""


def _other_corner(adjacency: Adjacency, edges: IntArray, corners: IntArray) -> IntArray:
    """The other face's corner on every two-sided edge; -1 where there is not exactly one."""
    slot = np.full(adjacency.edge_count, -1, dtype=np.int32)
    slot[edges] = np.arange(len(edges), dtype=np.int32)
    candidates = np.flatnonzero(slot[adjacency.corner_edges] >= 0)
    index = slot[adjacency.corner_edges[candidates]]
    other = candidates != corners[index]
    found = np.full(len(edges), -1, dtype=np.int32)
    found[index[other]] = candidates[other]
    found[adjacency.edge_face_count[edges] != 2] = -1
    return found
