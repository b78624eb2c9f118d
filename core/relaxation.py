"""Where a cage's quads ask their corners to go, and the tables to work it out at once for all of them.

Every quad asks for the rectangle that is most like it. A row of rectangles of any proportions lies still, so
rings that are gathered at a joint stay gathered. Where a vertex is free, near poles, quads ask for squares and
the vertex for the middle of its neighbours. Vectors are kept in rows (``core/rows.py``).

Source of the local step: Bouaziz, Deuss, Schwartzburg, Weise, Pauly, "Shape-Up: Shaping Discrete Geometry
with Projections", CGF 31(5), 2012.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .rows import crosses, dots, lengths, rows_of, unit_rows

Indices = npt.NDArray[np.intp]

KEEP_PROPORTIONS = 0.25
EVEN_OUT = 0.45
"""Share of the pull that places a vertex between its neighbours, away from poles and at them; the rest squares the faces up."""
BENT = 0.1
"""A quad whose sides meet at a smaller sine than this, or the wrong way round, asks for a rectangle along its first side."""
FAIR_STEPS = 12


@dataclass(frozen=True)
class Stencil:
    """Tables that do not change while the cage moves.

    quads : (F, 4) int32
    corners : (4, F) vertices of the quads
    vertex_corners : (most, V) numbers k F + f of the corners at every vertex, padded with 4 F
    vertex_faces : (most, V) quads at every vertex, padded with F
    corner_share : (V,) float64, one over the number of corners
    neighbours, weights : (most, V) and (most, V) float64, columns adding up to 1; padded with weight 0
    mean_edges : (V,) float64, mean length of a vertex's edges as the cage was laid
    squareness : (F,) float64, 0 keeps the proportion of a quad's sides, 1 brings them halfway to equal lengths
    between : (V,) float64, share of the pull toward the neighbours' mean
    lone, alone : (V,) bool, vertices without a quad and without a neighbour
    """

    quads: IntArray
    corners: Indices
    vertex_corners: Indices
    vertex_faces: Indices
    corner_share: FloatArray
    neighbours: Indices
    weights: FloatArray
    mean_edges: FloatArray
    squareness: FloatArray
    between: FloatArray
    lone: BoolArray
    alone: BoolArray


def build_stencil(mesh: PolyMesh, adjacency: Adjacency, freedom: FloatArray) -> Stencil:
    """The tables of a mesh; faces that are no quads take no part.

    freedom : (V,) float64 in 0..1, how far proportions may change
    """
    _, quads = mesh.faces_of_size(4)
    count, faces = mesh.vertex_count, len(quads)
    corners = np.ascontiguousarray(quads.T).astype(np.intp)
    at_vertex = _padded(corners.ravel(), np.arange(corners.size), count, corners.size)
    ends = np.concatenate([adjacency.edge_verts, adjacency.edge_verts[:, ::-1]]).astype(np.intp)
    border_edge = np.tile(adjacency.edge_face_count == 1, 2)
    ends = ends[~adjacency.boundary_vertex[ends[:, 0]] | border_edge]
    neighbours = _padded(ends[:, 0], ends[:, 1], count, -1)
    known = neighbours >= 0
    neighbours = np.where(known, neighbours, 0)
    rows = rows_of(mesh.positions)
    reach = np.where(known, lengths(rows[:, neighbours] - rows[:, None]), 0.0)
    return Stencil(quads, corners, at_vertex, np.where(at_vertex == corners.size, faces, at_vertex % max(faces, 1)),
                   1.0 / np.maximum((at_vertex < corners.size).sum(axis=0), 1), neighbours, _weights(reach, known, freedom),
                   reach.sum(axis=0) / np.maximum(known.sum(axis=0), 1), freedom[quads].mean(axis=1),
                   KEEP_PROPORTIONS + (EVEN_OUT - KEEP_PROPORTIONS) * freedom, at_vertex[0] == corners.size, ~known[0])


def _weights(reach: FloatArray, known: BoolArray, freedom: FloatArray) -> FloatArray:
    """Weights of the neighbours whose mean is the vertex's place in its row and column, as the rows were laid.

    A weight of one over the distance keeps a vertex between two neighbours where it was; where a vertex is free,
    all weights are alike and it moves to the middle.
    """
    floor = np.maximum(1e-12 * reach.max(axis=1, keepdims=True, initial=0.0), 1e-300)
    weights = np.where(known, np.maximum(reach, floor) ** (freedom - 1.0), 0.0)
    total = weights.sum(axis=0)
    return np.asarray(weights / np.where(total > 0, total, 1.0), dtype=np.float64)


def _padded(keys: Indices, values: Indices, count: int, filler: int) -> Indices:
    """Values grouped by key as a table (most, count), one column a key."""
    order = np.argsort(keys, kind="stable")
    sizes = np.bincount(keys, minlength=count)
    rank = np.arange(len(keys)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    table = np.full((max(int(sizes.max(initial=0)), 1), count), filler, dtype=np.intp)
    table[rank, keys[order]] = values[order]
    return table


def _gathered(values: FloatArray, table: Indices) -> FloatArray:
    """Sums by a table whose filler names one value past the last, (3, n) to (3, count) float64."""
    padded = np.empty((3, values.shape[1] + 1))
    padded[:, :-1], padded[:, -1] = values, 0.0
    total = padded.take(table[0], axis=1)
    for row in table[1:]:
        total += padded.take(row, axis=1)
    return total


@dataclass(frozen=True)
class QuadShapes:
    """What the quads look like at some positions.

    corners : (3, 4, F) float64
    first, second : (3, F) float64, the way across the quad along its first and second pair of sides, twice
    areas : (3, F) float64, area vectors, twice
    """

    corners: FloatArray
    first: FloatArray
    second: FloatArray
    areas: FloatArray


def quad_shapes(positions: FloatArray, corners: Indices) -> QuadShapes:
    """The shapes of quads with vertices in rows, (3, V) float64 and (4, F)."""
    placed = positions.take(corners, axis=1)
    one, other = placed[:, 2] - placed[:, 0], placed[:, 3] - placed[:, 1]
    return QuadShapes(placed, np.subtract(one, other), np.add(one, other), crosses(one, other))


def corner_normals(normals: FloatArray, corners: Indices) -> FloatArray:
    """Sums of the vertex normals at every quad's corners, (3, F) float64."""
    return _sums_of_four(normals.take(corners, axis=1))


def _sums_of_four(values: FloatArray) -> FloatArray:
    """(3, 4, F) to (3, F) float64."""
    total = values[:, 0] + values[:, 1]
    total += values[:, 2]
    total += values[:, 3]
    return np.asarray(total)


def sound_quads(shapes: QuadShapes, normals: FloatArray) -> BoolArray:
    """Quads that neither dent nor look against the normals at their corners, (F,) bool.

    The areas at two opposite corners add up to that of the quad, so that two of the four say all.
    """
    placed, areas = shapes.corners, shapes.areas
    onward, back = placed[:, 1] - placed[:, 0], placed[:, 3] - placed[:, 0]
    at_first, at_second = dots(crosses(onward, back), areas), dots(crosses(onward, placed[:, 2] - placed[:, 1]), areas)
    whole = dots(areas, areas)
    low, high = np.minimum(at_first, at_second), np.maximum(at_first, at_second)
    return np.asarray((low > 0.0) & (high < whole) & (dots(areas, normals) > 0.0), dtype=np.bool_)


def vertex_normals_of(areas: FloatArray, stencil: Stencil) -> FloatArray:
    """Unit vertex normals from the quads' area vectors, (3, V) float64."""
    return unit_rows(_gathered(areas, stencil.vertex_faces))


def relaxed(positions: FloatArray, normals: FloatArray, stencil: Stencil) -> FloatArray:
    """Where every vertex would like to be, (3, V) float64.

    positions : (3, V) float64
    normals : (3, F) float64, the side from which every quad must be seen counter-clockwise
    """
    shapes = quad_shapes(positions, stencil.corners)
    one, other = _rectangle_diagonals(shapes, normals, stencil.squareness)
    middle = 0.25 * _sums_of_four(shapes.corners)
    targets = np.concatenate([middle - one, middle + other, middle + one, middle - other], axis=1)
    asked = _gathered(targets, stencil.vertex_corners)
    asked *= stencil.corner_share * (1.0 - stencil.between)
    between = neighbour_middle(positions, stencil)
    asked += stencil.between * between
    if stencil.lone.any():
        share = np.where(stencil.lone, 1.0 - stencil.between, 0.0)
        asked += share * positions
    return asked


def neighbour_middle(positions: FloatArray, stencil: Stencil) -> FloatArray:
    """The neighbours' weighted mean, (3, V) float64; a vertex without neighbours stays."""
    total = stencil.weights[0] * positions.take(stencil.neighbours[0], axis=1)
    for row, weight in zip(stencil.neighbours[1:], stencil.weights[1:], strict=True):
        total += weight * positions.take(row, axis=1)
    if stencil.alone.any():
        total[:, stencil.alone] = positions[:, stencil.alone]
    return np.asarray(total, dtype=np.float64)


def faired(positions: FloatArray, stencil: Stencil, region: BoolArray) -> FloatArray:
    """Stretch a membrane over a region, free of the surface, so that its folds come out, (3, V) float64."""
    for _ in range(FAIR_STEPS):
        positions = np.where(region, neighbour_middle(positions, stencil), positions)
    return positions


def rectangle_targets(corners: FloatArray, normals: FloatArray, squareness: FloatArray) -> FloatArray:
    """The rectangle most like each quad.

    corners : (F, 4, 3) float64
    normals : (F, 3) float64, the side from which the quad must be seen counter-clockwise
    squareness : (F,) float64, 0 keeps the sides' proportion, 1 brings them halfway to equal lengths
    Returns (F, 4, 3) float64.
    """
    every = np.arange(len(corners) * 4).reshape(-1, 4).T
    one, other = _rectangle_diagonals(quad_shapes(rows_of(corners.reshape(-1, 3)), every), rows_of(normals), squareness)
    return np.asarray(corners.mean(axis=1, keepdims=True) + np.stack([-one.T, other.T, one.T, -other.T], axis=1))


def _rectangle_diagonals(shapes: QuadShapes, normals: FloatArray, squareness: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Half diagonals of the rectangle most like each quad, to its third and its second corner, (3, F) and (3, F) float64.

    Its sides lie evenly to both sides of the ways across the quad: for unit ways u and v at the cosine c, u + v and
    u - v are square to each other and of the lengths sqrt(2 + 2 c) and sqrt(2 - 2 c).
    """
    first, second = shapes.first, _unfolded(shapes, normals)
    width, height = np.maximum(lengths(first), 1e-150), np.maximum(lengths(second), 1e-150)  # their product must not be 0
    cosine = np.clip(dots(first, second) / (width * height), -1.0 + 1e-12, 1.0 - 1e-12)
    sum_share, gap_share = 0.5 / np.sqrt(1.0 + cosine), 0.5 / np.sqrt(1.0 - cosine)
    own, other = sum_share + gap_share, sum_share - gap_share
    even = np.sqrt(width * height)
    wide, high = width + 0.5 * squareness * (even - width), height + 0.5 * squareness * (even - height)
    along_first, along_second = 0.25 * own / width, 0.25 * other / height
    across_first, across_second = 0.25 * other / width, 0.25 * own / height
    one = (wide * along_first + high * across_first) * first + (wide * along_second + high * across_second) * second
    two = (wide * along_first - high * across_first) * first + (wide * along_second - high * across_second) * second
    return one, two


def _unfolded(shapes: QuadShapes, normals: FloatArray) -> FloatArray:
    """The second way across every quad, turned square to the first where the quad is folded, (3, F) float64."""
    sine = dots(shapes.areas, normals)
    limit = BENT * BENT * dots(shapes.first, shapes.first) * dots(shapes.second, shapes.second) * dots(normals, normals)
    folded = np.flatnonzero((sine <= 0.0) | (4.0 * sine * sine < limit))
    if not len(folded):
        return shapes.second
    second = shapes.second.copy()
    square = unit_rows(crosses(normals[:, folded], unit_rows(shapes.first[:, folded])))
    second[:, folded] = square * lengths(shapes.second[:, folded])
    return second
