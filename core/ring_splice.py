"""Splice: join two open rings, equal or not, with rows of quads and step-downs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .bridge_shape import SOUND, RingSide, lay_rows, ring_normals
from .errors import MeshError
from .frames import unit
from .mesh_edit import MeshEdit, Replacement, replace_faces
from .placement import StepDownPlaces, place_step_downs, rows_for_step_downs, turn_places
from .placement_costs import POLE_DISTANCE, hidden_side_costs, pole_costs
from .polymesh import FloatArray, IntArray, PolyMesh
from .ring_curve import RingCurve, best_phase, hermite
from .ring_rows import RingRows, build_ring_rows, even_coordinates
from .rings import Rings, require_simple

TOUCHING = 1e-6
"""Gap, in radii, under which two rings lie on each other and leave no room for a row."""

MORE_ROWS = 3
"""Rows that may be added unasked where fewer would come out unsound between zigzag rings."""


@dataclass(frozen=True)
class Join:
    """One pair of rings that was joined; all numbers are the new mesh's.

    fuller, sparser : (n,) and (m,) int32, vertices of the two rings
    rows : rows of quads between them
    places : the step-downs round the fuller ring
    faces : (Q,) int32, the new faces
    three_poles, five_poles : (k,) int32, the new poles
    """

    fuller: IntArray
    sparser: IntArray
    rows: int
    places: StepDownPlaces
    faces: IntArray
    three_poles: IntArray
    five_poles: IntArray


@dataclass(frozen=True)
class Splice:
    """A mesh with pairs of rings joined.

    edit : the new mesh and where its parts come from
    joins : one for every pair, in the order asked
    """

    edit: MeshEdit
    joins: tuple[Join, ...]


@dataclass(frozen=True)
class _Bridge:
    """One pair's new parts in old vertex numbers; new vertices are numbered from V + first_new."""

    loops: tuple[IntArray, IntArray]
    rows: RingRows
    places: StepDownPlaces
    vertices: IntArray
    positions: FloatArray
    sources: IntArray
    weights: FloatArray
    source_faces: IntArray


def splice_rings(mesh: PolyMesh, adjacency: Adjacency, rings: Rings, pairs: Sequence[tuple[int, int]], *,
                 rows: int | None = None, hidden: npt.ArrayLike | None = None, vertex_cost: npt.ArrayLike | None = None,
                 pole_distance: int = POLE_DISTANCE) -> Splice:
    """Join pairs of open rings with rows of quads; existing vertices stay where they are.

    mesh, adjacency, rings : a mesh, its adjacency and its ``boundary_rings``
    pairs : indices into rings, two a pair, either order
    rows : rows of quads between the rings; left out: as many as square faces need
    hidden : (3,) float, where the side looks on which step-downs show least; left out: any side
    vertex_cost : (V,) float, further cost of step-downs below every mesh vertex of the fuller ring; left out: none
    pole_distance : edges to keep round the ring from poles that exist where there is room
    The rings are turned against each other so that the squared length of what joins them is least. With two rows
    to spare no pole lies on the joined rings.
    Raises MeshError where a pair cannot be joined, PlanError where the step-downs do not fit.
    """
    _check_pairs(rings, pairs)
    cost = pole_costs(adjacency, pole_distance) + (0.0 if vertex_cost is None else np.asarray(vertex_cost, dtype=np.float64))
    bridges: list[_Bridge] = []
    first_new = mesh.vertex_count
    for pair in pairs:
        bridge = _bridge(mesh, adjacency, _ordered(rings, pair), rows, cost, hidden, first_new)
        bridges.append(bridge)
        first_new += len(bridge.positions)
    edit = replace_faces(mesh, _together(mesh, bridges))
    return Splice(edit, _joins(mesh, edit, bridges))


def _check_pairs(rings: Rings, pairs: Sequence[tuple[int, int]]) -> None:
    named = [index for pair in pairs for index in pair]
    for index in named:
        if not 0 <= index < rings.count:
            raise MeshError(f"There is no ring {index}; the mesh has {rings.count} open rings, numbered from 0.")
        if named.count(index) > 1:
            raise MeshError(f"Ring {index} is named twice; a ring joins one other ring.")
        require_simple(rings.ring(index))
    for first, second in pairs:
        counts = sorted((int(rings.edge_counts[first]), int(rings.edge_counts[second])))
        if (counts[1] - counts[0]) % 2:
            raise MeshError(f"Rings {first} and {second} have {counts[1]} and {counts[0]} edges: an odd difference has no "
                            f"all-quad splice; make the smaller one {counts[0] + 1} or {counts[0] - 1}.")
        if np.intersect1d(rings.ring(first), rings.ring(second)).size:
            raise MeshError(f"Rings {first} and {second} share a vertex; split it before joining them.")


def _ordered(rings: Rings, pair: tuple[int, int]) -> tuple[IntArray, IntArray]:
    """The fuller loop in its own direction and the sparser one against its own, so that both run alike."""
    first, second = rings.ring(pair[0]), rings.ring(pair[1])
    fuller, sparser = (first, second) if len(first) >= len(second) else (second, first)
    return fuller, sparser[::-1].copy()


def _bridge(mesh: PolyMesh, adjacency: Adjacency, loops: tuple[IntArray, IntArray], rows: int | None,
            vertex_cost: FloatArray, hidden: npt.ArrayLike | None, first_new: int) -> _Bridge:
    upper = RingCurve.through(mesh.positions[loops[0]])
    lower = RingCurve.through(mesh.positions[loops[1]])
    lower = lower.shifted(best_phase(upper, lower))
    cost = vertex_cost[loops[0]] + (0.0 if hidden is None else hidden_side_costs(upper.points, hidden))
    row_count, step_rows = _row_counts(upper, lower, rows)
    places, turn, lower = _place(upper, lower, step_rows, cost if np.any(cost != 0) else None)
    turned = (loops[0], np.roll(loops[1], -turn))
    sides = (_side(mesh, adjacency, turned[0]), _side(mesh, adjacency, turned[1]))
    laid = _laid((upper, lower), sides, places, range(row_count, row_count + (1 if rows is not None else 1 + MORE_ROWS)))
    columns, depths = laid.columns[laid.inner], laid.depths[laid.inner]
    sources, weights = _sources(turned, (upper, lower), columns, depths)
    middle = laid.columns[laid.rows.quads[:, 0]], laid.depths[laid.rows.quads].mean(axis=1)
    return _Bridge(turned, laid.rows, places, _number(laid.rows, *turned, first_new), laid.positions[laid.inner], sources, weights,
                   _source_faces(mesh, adjacency, turned, (upper, lower), *middle))


@dataclass(frozen=True)
class _Laid:
    """Rows between two rings, told by all their local vertices, the rings' own among them.

    columns, depths : (n,) float64, how far round, in turns, and how far from the fuller ring to the sparser one
    positions : (n, 3) float64
    inner : the vertices between the rings
    soundness : see ``LaidRows``
    """

    rows: RingRows
    columns: FloatArray
    depths: FloatArray
    positions: FloatArray
    inner: slice
    soundness: float


def _laid(curves: tuple[RingCurve, RingCurve], sides: tuple[RingSide, RingSide], places: StepDownPlaces, counts: range) -> _Laid:
    """The fewest rows of some counts that come out sound; where none do, those that come closest."""
    best: _Laid | None = None
    for count in counts:
        spare = count - places.rows
        rows = build_ring_rows(places, spare - spare // 2, spare // 2)
        even = even_coordinates(rows, curves[0].fractions, curves[1].fractions, 1.0)
        inner = slice(len(curves[0].points), len(even.columns) - len(curves[1].points))
        columns, depths = even.columns, even.depths / count
        between = _between(sides, curves, columns[inner], depths[inner])
        laid = lay_rows(rows, np.concatenate([curves[0].points, between, curves[1].points]),
                        _normals_between(sides, curves, columns, depths), *sides)
        if best is None or laid.soundness > best.soundness:
            best = _Laid(rows, columns, depths, laid.positions, inner, laid.soundness)
        if best.soundness >= SOUND:
            break
    if best is None:
        raise ValueError("there is no count of rows to try")
    return best


def _side(mesh: PolyMesh, adjacency: Adjacency, loop: IntArray) -> RingSide:
    return RingSide(mesh.positions[loop], ring_normals(mesh, adjacency, loop), _arrivals(mesh, adjacency, loop))


def _row_counts(upper: RingCurve, lower: RingCurve, rows: int | None) -> tuple[int, int]:
    """Rows in all, and rows that hold step-downs."""
    step_downs = (len(upper.points) - len(lower.points)) // 2
    step_rows = rows_for_step_downs(len(upper.points), step_downs)
    columns = np.arange(64) / 64
    gap = float(np.mean(np.linalg.norm(upper.at(columns) - lower.at(columns), axis=1)))
    girths = [_girth(curve.points) for curve in (upper, lower)]
    if gap < TOUCHING * max(girths):
        raise MeshError("The two rings lie on each other and leave no room for a row; move one or merge their vertices.")
    if rows is None:
        edge = (girths[0] / len(upper.points) + girths[1] / len(lower.points)) / 2.0
        return max(round(gap / edge), step_rows + 2 if step_rows else 1), step_rows
    if rows < 1:
        raise MeshError(f"A splice needs at least one row, not {rows}.")
    return rows, min(step_rows, rows)


def _girth(points: FloatArray) -> float:
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())


def _place(upper: RingCurve, lower: RingCurve, step_rows: int, cost: FloatArray | None) -> tuple[StepDownPlaces, int, RingCurve]:
    """Step-downs, the turn of the sparser ring's vertices that fits them best, and its curve in that order."""
    count, sparse = len(upper.points), len(lower.points)
    places = place_step_downs(count, (count - sparse) // 2, step_rows, cost, fractions=upper.fractions)
    # Where nothing else decides, the whole pattern may turn: take the turn that meets the sparser ring's vertices best.
    turns = range(count) if cost is None and step_rows else range(1)
    candidates = [turn_places(places, by) for by in turns]
    fits = [_best_turn(upper, lower, candidate) for candidate in candidates]
    uneven = [_unevenness(upper, candidate) for candidate in candidates]
    best = int(np.argmin(np.round([fit[0] * sparse + spread for fit, spread in zip(fits, uneven, strict=True)], 9)))
    turn, fractions = fits[best][1], fits[best][2]
    return candidates[best], turn, RingCurve(np.roll(lower.points, -turn, axis=0), fractions)


def _unevenness(upper: RingCurve, places: StepDownPlaces) -> float:
    where = np.sort(upper.fractions[np.concatenate([np.zeros(0, dtype=np.int32), *places.columns])])
    if len(where) == 0:
        return 0.0
    gaps = np.diff(np.append(where, where[0] + 1.0))
    return float(np.sum((len(where) * gaps - 1.0) ** 2))


def _best_turn(upper: RingCurve, lower: RingCurve, places: StepDownPlaces) -> tuple[float, int, FloatArray]:
    """Least squared shift in the sparser ring's edges, its turn and its vertices' fractions in that order."""
    last = build_ring_rows(places, 0, 0).columns[-1] if places.rows else np.arange(len(upper.points))
    above = upper.fractions[last]
    best: tuple[float, int, FloatArray] | None = None
    for turn in range(len(lower.points)):
        fractions = np.concatenate([lower.fractions[turn:], lower.fractions[:turn] + 1.0])
        fractions = fractions - np.round(np.mean(fractions - above))
        misfit = float(np.sum((fractions - above) ** 2)) * len(above)
        if best is None or misfit < best[0] - 1e-12:
            best = (misfit, turn, fractions)
    if best is None:
        raise MeshError("A ring without edges cannot be joined.")
    return best


def _number(rows: RingRows, upper: IntArray, lower: IntArray, first_new: int) -> IntArray:
    """Mesh vertex of every local vertex."""
    inner = int(rows.counts[1:-1].sum())
    return np.concatenate([upper, np.arange(first_new, first_new + inner), lower]).astype(np.int32)


def _between(sides: tuple[RingSide, RingSide], curves: tuple[RingCurve, RingCurve], columns: FloatArray, depths: FloatArray) -> FloatArray:
    """Points between two rings that leave both in the direction in which the faces beside them arrive."""
    start, end = curves[0].at(columns), curves[1].at(columns)
    reach = np.linalg.norm(end - start, axis=1, keepdims=True)
    leave = unit(curves[0].values_at(sides[0].arrivals, columns))
    arrive = unit(curves[1].values_at(sides[1].arrivals, columns))
    return hermite(start, leave * reach, end, -arrive * reach, depths)


def _normals_between(sides: tuple[RingSide, RingSide], curves: tuple[RingCurve, RingCurve], columns: FloatArray,
                     depths: FloatArray) -> FloatArray:
    """Outward unit normals of the surface between two rings, (k, 3)."""
    first, last = (curve.values_at(side.normals, columns) for curve, side in zip(curves, sides, strict=True))
    return unit(np.asarray(first * (1.0 - depths)[:, None] + last * depths[:, None]))


def _arrivals(mesh: PolyMesh, adjacency: Adjacency, loop: IntArray) -> FloatArray:
    """Unit direction in which the faces run out at every vertex of an open ring, across the ring, (n, 3)."""
    faces = boundary_faces(mesh, adjacency, loop)
    centroids = np.array([mesh.positions[mesh.face(int(face))].mean(axis=0) for face in faces])
    following = np.roll(loop, -1)
    # From a face's middle to the middle of its edge, so that a facet of a round tube runs straight out.
    run = unit((mesh.positions[loop] + mesh.positions[following]) / 2.0 - centroids)
    total = run + np.roll(run, 1, axis=0)
    along = unit(mesh.positions[following] - mesh.positions[np.roll(loop, 1)])
    return unit(total - np.einsum("ij,ij->i", total, along)[:, None] * along)


def _sources(loops: tuple[IntArray, IntArray], curves: tuple[RingCurve, RingCurve], columns: FloatArray,
             depths: FloatArray) -> tuple[IntArray, FloatArray]:
    """The two ring vertices on either side that every new vertex lies between, (k, 4), and their shares."""
    sources, weights = [], []
    for loop, curve, share in zip(loops, curves, (1.0 - depths, depths), strict=True):
        edge, along = curve.locate(columns)
        sources += [loop[edge], loop[(edge + 1) % len(loop)]]
        weights += [share * (1.0 - along), share * along]
    return np.column_stack(sources).astype(np.int32), np.column_stack(weights)


def _source_faces(mesh: PolyMesh, adjacency: Adjacency, loops: tuple[IntArray, IntArray], curves: tuple[RingCurve, RingCurve],
                  columns: FloatArray, depths: FloatArray) -> IntArray:
    """The face beside the nearer ring that every new face takes its attributes from, (Q,) int32."""
    found = []
    for loop, curve in zip(loops, curves, strict=True):
        edge, _ = curve.locate(columns + 1e-9)
        found.append(boundary_faces(mesh, adjacency, loop)[edge])
    return np.where(depths < 0.5, found[0], found[1]).astype(np.int32)


def boundary_faces(mesh: PolyMesh, adjacency: Adjacency, loop: IntArray) -> IntArray:
    """Face beside every edge (loop[i], loop[i + 1]) of an open ring, (n,) int32."""
    corners = np.flatnonzero(adjacency.edge_face_count[adjacency.corner_edges] == 1)
    verts = adjacency.edge_verts[adjacency.corner_edges[corners]].astype(np.int64)
    wanted = np.sort(np.column_stack([loop, np.roll(loop, -1)]), axis=1).astype(np.int64)
    keys = verts[:, 0] * mesh.vertex_count + verts[:, 1]
    order = np.argsort(keys)
    place = np.searchsorted(keys[order], wanted[:, 0] * mesh.vertex_count + wanted[:, 1])
    return adjacency.corner_faces[corners[order[place]]]


def _together(mesh: PolyMesh, bridges: list[_Bridge]) -> Replacement:
    faces = [face for bridge in bridges for face in bridge.vertices[bridge.rows.quads].tolist()]
    return Replacement(np.zeros(mesh.face_count, dtype=np.bool_),
                       np.concatenate([np.zeros((0, 3)), *(bridge.positions for bridge in bridges)]),
                       np.concatenate([np.zeros((0, 4), dtype=np.int32), *(bridge.sources for bridge in bridges)]),
                       np.concatenate([np.zeros((0, 4)), *(bridge.weights for bridge in bridges)]), faces,
                       np.concatenate([np.zeros(0, dtype=np.int32), *(bridge.source_faces for bridge in bridges)]))


def _joins(mesh: PolyMesh, edit: MeshEdit, bridges: list[_Bridge]) -> tuple[Join, ...]:
    joins, first_face = [], mesh.face_count
    for bridge in bridges:
        number = edit.new_vertex_of[bridge.vertices]
        faces = np.arange(first_face, first_face + len(bridge.rows.quads), dtype=np.int32)
        joins.append(Join(edit.new_vertex_of[bridge.loops[0]], edit.new_vertex_of[bridge.loops[1]], len(bridge.rows.starts),
                          bridge.places, faces, number[bridge.rows.three_poles], number[bridge.rows.five_poles]))
        first_face += len(faces)
    return tuple(joins)
