"""Change the count of one open ring of an existing mesh, in the rows of quads beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .errors import MeshError, PlanError
from .mesh_edit import MeshEdit, MovedVertices, Replacement, replace_faces, unchanged
from .mismatches import ring_fractions
from .placement import StepDownPlaces, place_step_downs, rows_for_step_downs, share_step_downs
from .placement_costs import POLE_DISTANCE, hidden_side_costs, pole_costs
from .polymesh import FloatArray, IntArray, PolyMesh
from .ring_layers import RingLayers, ring_layers
from .ring_rows import RingRows, build_ring_rows, even_coordinates
from .rings import require_simple

MOST_ROWS = 64
"""Rows looked at where the caller names no number."""


@dataclass(frozen=True)
class RingChange:
    """A mesh with one open ring brought to another count.

    edit : the new mesh and where its parts come from
    ring : (m,) int32, the open ring's vertices in the new mesh, in the direction of ``boundary_loops``
    rows : rows of quads that were rebuilt
    places : the step-downs, round the fuller of the two rings
    three_poles, five_poles : (k,) int32, the vertices whose valence they change, in the new mesh
    """

    edit: MeshEdit
    ring: IntArray
    rows: int
    places: StepDownPlaces
    three_poles: IntArray
    five_poles: IntArray


def step_ring(mesh: PolyMesh, adjacency: Adjacency, loop: npt.ArrayLike, count: int, *, rows: int | None = None,
              hidden: npt.ArrayLike | None = None, bending_cost: npt.ArrayLike | None = None,
              pole_distance: int = POLE_DISTANCE) -> RingChange:
    """Bring an open ring to ``count`` edges in the quads beside it: down by ending columns, up by beginning them.

    loop : (n,) int, an open ring as ``boundary_loops`` tells it
    count : edges that it shall have
    rows : rows of quads that may change; left out: as few as keep the ring itself and the last row free of poles
    hidden : (3,) float, where the side looks on which step-downs show least; left out: any side
    bending_cost : (V,) float, cost of poles at every vertex (see ``bending_costs``); left out: none
    pole_distance : edges to keep from existing poles where there is room
    Nothing outside the rows changes; inside, vertices slide along the surface that the quads span.
    Raises MeshError where parity, a pole or a face in the way forbids it; the sentence names the reachable counts.
    """
    ring = np.asarray(loop, dtype=np.int32)
    require_simple(ring)
    places_needed = _step_downs(len(ring), count)
    if places_needed == 0:
        return _no_change(mesh, ring)
    layers = ring_layers(mesh, adjacency, ring, MOST_ROWS if rows is None else rows)
    used, step_rows = _rows_to_use(layers, len(ring), count, rows)
    columns = layers.vertices[: used + 1]
    cost = _grid_costs(mesh, adjacency, columns, hidden, bending_cost, pole_distance)
    if count < len(ring):
        return _down(mesh, layers, columns, places_needed, step_rows, cost)
    return _up(mesh, layers, columns, places_needed, step_rows, cost)


def reachable_counts(ring_count: int, rows: int, *, lowest: int = 4) -> list[int]:
    """Counts below ``ring_count`` that an open ring can be brought to in a number of rows, greatest first."""
    found = []
    for count in range(ring_count - 2, lowest - 1, -2):
        if _least_rows(ring_count, (ring_count - count) // 2, rows) is not None:
            found.append(count)
    return found


def _step_downs(now: int, wanted: int) -> int:
    if wanted < 3:
        raise MeshError(f"A ring needs at least 3 edges, not {wanted}.")
    if (now - wanted) % 2:
        raise MeshError(f"A ring of {now} edges cannot come to {wanted} with quads alone: ask for {wanted - 1} or {wanted + 1}.")
    return abs(now - wanted) // 2


def _least_rows(fuller: int, step_downs: int, most: int) -> int | None:
    """Fewest step-down rows up to ``most`` that the placement accepts."""
    comfortable = rows_for_step_downs(fuller, step_downs)
    for rows in [*range(comfortable, most + 1), *range(min(comfortable - 1, most), 0, -1)]:
        try:
            share_step_downs(fuller, step_downs, rows)
        except PlanError:
            continue
        return rows
    return None


def _rows_to_use(layers: RingLayers, now: int, wanted: int, rows: int | None) -> tuple[int, int]:
    """Rows to rebuild, and how many of them hold step-downs: a plain one at each end where there is room."""
    fuller = max(now, wanted)
    step_rows = _least_rows(fuller, abs(now - wanted) // 2, layers.rows)
    if step_rows is None:
        counts = reachable_counts(now, layers.rows) if wanted < now else []
        reach = f"; within reach: {', '.join(map(str, counts))}" if counts else ""
        raise MeshError(f"The ring of {now} edges cannot come to {wanted}: only {layers.rows} clean rows of quads lie beside it, "
                        f"then {layers.obstacle}{reach}.")
    used = min(step_rows + 2, layers.rows) if rows is None else layers.rows
    return used, step_rows


def _grid_costs(mesh: PolyMesh, adjacency: Adjacency, columns: IntArray, hidden: npt.ArrayLike | None,
                bending_cost: npt.ArrayLike | None, pole_distance: int) -> FloatArray:
    """Cost of a pole at every vertex of the rows, (R + 1, n)."""
    cost = pole_costs(adjacency, pole_distance)[columns]
    if bending_cost is not None:
        cost = cost + np.asarray(bending_cost, dtype=np.float64)[columns]
    if hidden is not None:
        cost = cost + hidden_side_costs(mesh.positions[columns], hidden)
    return np.asarray(cost)


def _spare(rows: int, step_rows: int) -> tuple[int, int]:
    """Plain rows at the mesh's side and at the open side; the mesh's side, whose ring may not move, comes first."""
    spare = rows - step_rows
    return spare - spare // 2, spare // 2


def _down(mesh: PolyMesh, layers: RingLayers, columns: IntArray, step_downs: int, step_rows: int, cost: FloatArray) -> RingChange:
    used = len(columns) - 1
    inner_spare, _ = _spare(used, step_rows)
    inward = cost[::-1][inner_spare : inner_spare + step_rows + 1]
    places = place_step_downs(columns.shape[1], step_downs, step_rows, _or_none(inward),
                              fractions=ring_fractions(mesh.positions[columns[-1]]))
    rows = build_ring_rows(places, inner_spare, used - step_rows - inner_spare)
    period = float(columns.shape[1])
    coordinates = even_coordinates(rows, np.arange(columns.shape[1]), None, period)
    level = used - rows.ring_of_vertex
    vertices = columns[level, np.concatenate(rows.columns)]
    grid = _Grid(coordinates.columns, used - coordinates.depths, vertices, pinned=level == used)
    quads = rows.quads
    return _rebuild(mesh, layers, columns, rows, places, grid, quads, rows.ring(used))


def _up(mesh: PolyMesh, layers: RingLayers, columns: IntArray, step_ups: int, step_rows: int, cost: FloatArray) -> RingChange:
    used, now = len(columns) - 1, columns.shape[1]
    wanted = now + 2 * step_ups
    inner_spare, outer_spare = _spare(used, step_rows)
    # Columns of the fuller, new ring lie at even steps of the old one for costs; then slide to even places.
    nearest = np.round(np.arange(wanted) * now / wanted).astype(np.int64) % now
    outward = cost[outer_spare : outer_spare + step_rows + 1][:, nearest]
    places = place_step_downs(wanted, step_ups, step_rows, _or_none(outward))
    rows = build_ring_rows(places, outer_spare, inner_spare)
    kept = rows.columns[-1]
    coordinates = even_coordinates(rows, None, np.arange(now), float(now))
    old_column = np.full(wanted, -1, dtype=np.int64)
    old_column[kept] = np.arange(now)
    column = old_column[np.concatenate(rows.columns)]
    level = rows.ring_of_vertex
    vertices = np.where(column >= 0, columns[level, np.maximum(column, 0)], -1)
    grid = _Grid(coordinates.columns, coordinates.depths, vertices, pinned=level == used)
    return _rebuild(mesh, layers, columns, rows, places, grid, rows.quads[:, ::-1], rows.ring(0))


def _or_none(cost: FloatArray) -> FloatArray | None:
    return cost if np.any(cost != 0) else None


@dataclass(frozen=True)
class _Grid:
    """Where the local vertices lie in the old rows: columns, levels from the open ring, old vertices (-1: new)."""

    columns: FloatArray
    levels: FloatArray
    vertices: IntArray
    pinned: npt.NDArray[np.bool_]


def _rebuild(mesh: PolyMesh, layers: RingLayers, columns: IntArray, rows: RingRows, places: StepDownPlaces, grid: _Grid,
             quads: IntArray, open_ring: IntArray) -> RingChange:
    used = len(columns) - 1
    sources, weights = _mix(columns, grid.columns, grid.levels)
    positions = np.einsum("ks,ksd->kd", weights, mesh.positions[sources])
    fresh = grid.vertices < 0
    numbers = grid.vertices.astype(np.int32).copy()
    numbers[fresh] = mesh.vertex_count + np.arange(np.count_nonzero(fresh))
    moves = ~fresh & ~grid.pinned
    removed = np.zeros(mesh.face_count, dtype=np.bool_)
    removed[layers.faces[:used]] = True
    column, level = _quad_middles(grid, quads, float(columns.shape[1]))
    source_faces = layers.faces[np.clip(level.astype(np.int64), 0, used - 1), np.floor(column).astype(np.int64) % columns.shape[1]]
    change = Replacement(removed, positions[fresh], sources[fresh], weights[fresh], numbers[quads].tolist(), source_faces,
                         MovedVertices(numbers[moves], sources[moves], weights[moves]))
    edit = replace_faces(mesh, change)
    new = edit.new_vertex_of[numbers]
    return RingChange(edit, new[open_ring], used, places, new[rows.three_poles], new[rows.five_poles])


def _quad_middles(grid: _Grid, quads: IntArray, period: float) -> tuple[FloatArray, FloatArray]:
    around = grid.columns[quads]
    first = around[:, :1]
    near = first + np.mod(around - first + period / 2.0, period) - period / 2.0
    return near.mean(axis=1), grid.levels[quads].mean(axis=1)


def _mix(columns: IntArray, column: FloatArray, level: FloatArray) -> tuple[IntArray, FloatArray]:
    """The four old vertices round every place in the rows, (k, 4), and their shares."""
    count = columns.shape[1]
    left = np.floor(column).astype(np.int64)
    along = column - left
    above = np.clip(np.floor(level).astype(np.int64), 0, len(columns) - 2)
    down = level - above
    one, two = left % count, (left + 1) % count
    sources = np.column_stack([columns[above, one], columns[above, two], columns[above + 1, one], columns[above + 1, two]])
    weights = np.column_stack([(1 - along) * (1 - down), along * (1 - down), (1 - along) * down, along * down])
    return sources.astype(np.int32), weights


def _no_change(mesh: PolyMesh, ring: IntArray) -> RingChange:
    nothing = np.zeros(0, dtype=np.int32)
    return RingChange(unchanged(mesh), ring, 0, StepDownPlaces(np.array([len(ring)], dtype=np.int32), (), (), 0.0), nothing, nothing)
