"""Subdivision as weights: every point of a subdivided mesh, and of its limit surface, as a mean of cage vertices.

Source of the rules: Catmull, Clark, "Recursively generated B-spline surfaces on arbitrary topological meshes",
1978; boundaries as cubic splines: DeRose, Kass, Truong, "Subdivision surfaces in character animation", 1998;
limit points: Halstead, Kass, DeRose, "Efficient, fair interpolation using Catmull-Clark surfaces", 1993 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency, build_adjacency
from .polymesh import FloatArray, IntArray, PolyMesh

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Stencils:
    """Rows of weights over columns; a sparse matrix, entries in order of rows and, within one, of columns.

    columns : (k,) int64
    weights : (k,) float64
    starts : (n + 1,) int64, row i owns the entries starts[i] to starts[i + 1]; no row is empty
    width : number of columns
    """

    columns: Indices
    weights: FloatArray
    starts: Indices
    width: int

    @property
    def height(self) -> int:
        """Number of rows."""
        return len(self.starts) - 1

    def spread(self, values: FloatArray) -> FloatArray:
        """Points of all rows from values of all columns, (width, 3) to (height, 3) float64."""
        return np.asarray(np.add.reduceat(self.weights[:, None] * values[self.columns], self.starts[:-1], axis=0), dtype=np.float64)

    def gathered(self, values: FloatArray) -> FloatArray:
        """The transposed: sums of all columns from values of all rows, (height, 3) to (width, 3) float64."""
        rows = np.repeat(values, np.diff(self.starts), axis=0) * self.weights[:, None]
        return np.column_stack([np.bincount(self.columns, rows[:, axis], self.width) for axis in range(3)])


@dataclass(frozen=True)
class Subdivided:
    """A cage subdivided some rounds.

    quads : (f, 4) int32, over the rows; quad q of the cage becomes the quads 4**rounds * q and following
    stencils : every point from the cage's vertices; the first rows are the cage's vertices, in their order
    """

    quads: IntArray
    stencils: Stencils


def subdivide(mesh: PolyMesh, rounds: int) -> Subdivided:
    """Subdivide an all-quad mesh.

    Raises MeshError where a face is not a quad.
    """
    quads, stencils = mesh.quads(), _identity(mesh.vertex_count)
    for _ in range(rounds):
        level, quads = _once(quads, stencils.height)
        stencils = _product(level, stencils)
    return Subdivided(quads, stencils)


def limit_stencils(subdivided: Subdivided) -> Stencils:
    """Where every point of a subdivided mesh lies on the limit surface, from the cage's vertices."""
    count = subdivided.stencils.height
    mesh = _topology(subdivided.quads, count)
    adjacency = build_adjacency(mesh)
    ends = np.concatenate([adjacency.edge_verts, adjacency.edge_verts[:, ::-1]]).astype(np.int64)
    rim_edge = np.tile(adjacency.edge_face_count == 1, 2)
    inner = ~adjacency.boundary_vertex & (adjacency.valence > 0)
    valence = np.maximum(adjacency.valence, 1).astype(np.float64)
    whole = valence * (valence + 5.0)
    own = np.where(inner, valence**2 / whole, np.where(adjacency.valence > 0, 4.0 / 6.0, 1.0))
    at_inner, at_rim = ends[inner[ends[:, 0]]], ends[rim_edge]
    corners = subdivided.quads.astype(np.int64)
    across = np.column_stack([corners.ravel(), np.roll(corners, 2, axis=1).ravel()])
    across = across[inner[across[:, 0]]]
    every = np.arange(count)
    limit = _stencils(np.concatenate([every, at_inner[:, 0], at_rim[:, 0], across[:, 0]]),
                      np.concatenate([every, at_inner[:, 1], at_rim[:, 1], across[:, 1]]),
                      np.concatenate([own, 4.0 / whole[at_inner[:, 0]], np.full(len(at_rim), 1.0 / 6.0), 1.0 / whole[across[:, 0]]]),
                      count, count)
    return _product(limit, subdivided.stencils)


def _once(quads: IntArray, count: int) -> tuple[Stencils, IntArray]:
    """One round: the new points from the old ones, and the new quads."""
    mesh = _topology(quads, count)
    adjacency = build_adjacency(mesh)
    edges, faces = adjacency.edge_count, len(quads)
    corner_faces = adjacency.corner_faces.astype(np.int64)
    corners = quads.astype(np.int64)
    inner_edge = adjacency.edge_face_count == 2
    along = adjacency.edge_verts.astype(np.int64)
    beside = np.flatnonzero(inner_edge[adjacency.corner_edges])
    rows = [np.repeat(np.arange(edges), 2), np.repeat(adjacency.corner_edges[beside].astype(np.int64), 4)]
    columns = [along.ravel(), corners[corner_faces[beside]].ravel()]
    weights = [np.repeat(np.where(inner_edge, 0.25, 0.5), 2), np.full(4 * len(beside), 1.0 / 16.0)]
    edge_part = (np.concatenate(rows) + count, np.concatenate(columns), np.concatenate(weights))
    face_part = (np.repeat(np.arange(faces), 4) + count + edges, corners.ravel(), np.full(4 * faces, 0.25))
    parts = [_vertex_rows(corners, adjacency, count), edge_part, face_part]
    joined = [np.concatenate(column) for column in zip(*parts, strict=True)]
    following = np.column_stack([mesh.corner_verts, count + adjacency.corner_edges, count + edges + adjacency.corner_faces,
                                 count + adjacency.corner_edges[adjacency.corner_previous]]).astype(np.int32)
    return _stencils(joined[0], joined[1], joined[2], count + edges + faces, count), following


def _vertex_rows(corners: Indices, adjacency: Adjacency, count: int) -> tuple[Indices, Indices, FloatArray]:
    """Rows, columns and weights of the moved vertices; a vertex without a face stays."""
    valence = np.maximum(adjacency.valence, 1).astype(np.float64)
    inner = ~adjacency.boundary_vertex & (adjacency.valence > 0)
    ends = np.concatenate([adjacency.edge_verts, adjacency.edge_verts[:, ::-1]]).astype(np.int64)
    rim_edge = np.tile(adjacency.edge_face_count == 1, 2)
    at_inner, at_rim = ends[inner[ends[:, 0]]], ends[rim_edge]
    # an inner vertex: mean of face points, twice that of edge middles, and itself, over the valence
    own = np.where(inner, (valence - 2.0) / valence, np.where(adjacency.valence > 0, 0.75, 1.0))
    flat = corners.ravel()
    around = np.flatnonzero(inner[flat])
    faces_at = np.maximum(adjacency.face_valence, 1).astype(np.float64)
    face_rows = np.repeat(flat[around], 4)
    every = np.arange(count)
    return (np.concatenate([every, at_inner[:, 0], at_rim[:, 0], face_rows]),
            np.concatenate([every, at_inner[:, 1], at_rim[:, 1], corners[around // 4].ravel()]),
            np.concatenate([own, 1.0 / valence[at_inner[:, 0]] ** 2, np.full(len(at_rim), 0.125),
                            0.25 / (valence[face_rows] * faces_at[face_rows])]))


def _topology(quads: IntArray, count: int) -> PolyMesh:
    return PolyMesh(np.zeros((count, 3)), np.ascontiguousarray(quads.ravel()), np.arange(0, quads.size + 1, 4, dtype=np.int32))


def _identity(count: int) -> Stencils:
    every = np.arange(count)
    return Stencils(every, np.ones(count, dtype=np.float64), np.arange(count + 1), count)


def _stencils(rows: Indices, columns: Indices, weights: FloatArray, height: int, width: int) -> Stencils:
    """Entries in any order, those at one place added up."""
    keys, place = np.unique(rows * width + columns, return_inverse=True)
    rows, columns = keys // width, keys % width
    starts = np.searchsorted(rows, np.arange(height + 1))
    return Stencils(columns, np.bincount(place.ravel(), weights, len(keys)).astype(np.float64), starts, width)


def _product(second: Stencils, first: Stencils) -> Stencils:
    """The stencils that apply first, then second."""
    sizes = np.diff(first.starts)[second.columns]
    offset = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    entry = np.repeat(first.starts[second.columns], sizes) + offset
    rows = np.repeat(np.repeat(np.arange(second.height), np.diff(second.starts)), sizes)
    return _stencils(rows, first.columns[entry], np.repeat(second.weights, sizes) * first.weights[entry], second.height, first.width)
