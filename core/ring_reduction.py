"""Change the count of one open ring of an existing mesh, in the rows of quads beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .errors import MeshError, PlanError
from .mesh_edit import MeshEdit, MovedVertices, Replacement, replace_faces, unchanged
from .mismatches import ring_fractions
from .placement import StepDownPlaces, place_step_downs, rows_for_step_downs, share_step_downs
from .placement_costs import BENDING_WEIGHT, POLE_DISTANCE, hidden_side_costs, pole_costs
from .polymesh import FloatArray, IntArray, PolyMesh
from .ring_layers import RingLayers, ring_layers
from .ring_rows import RingRows, build_ring_rows, even_coordinates
from .rings import require_simple

MOST_ROWS = 64
"""Rows looked at where the caller names no number."""

ROW_WEIGHT = 1.0
"""Cost of every row by which step-downs lie farther from the ring, where all rows bend: one gap off by its own length."""


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
    rows : rows of quads that may change; left out: as few as keep the ring itself and the last row free of poles, and the poles
        out of what bends
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
    windows = _windows(layers.rows, _step_rows(layers, len(ring), count), all_of_them=rows is not None)
    bending = np.zeros(mesh.vertex_count) if bending_cost is None else np.asarray(bending_cost, dtype=np.float64)
    costs = _Costs(_grid_costs(mesh, adjacency, layers.vertices, hidden, pole_distance), bending[layers.vertices])
    if count < len(ring):
        return _down(mesh, layers, windows, costs, places_needed)
    return _up(mesh, layers, windows, costs, places_needed)


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


def _step_rows(layers: RingLayers, now: int, wanted: int) -> int:
    """Fewest rows that the step-downs take; MeshError where they do not fit into those at hand."""
    step_rows = _least_rows(max(now, wanted), abs(now - wanted) // 2, layers.rows)
    if step_rows is None:
        counts = reachable_counts(now, layers.rows) if wanted < now else []
        reach = f"; within reach: {', '.join(map(str, counts))}" if counts else ""
        raise MeshError(f"The ring of {now} edges cannot come to {wanted}: only {layers.rows} clean rows of quads lie beside it, "
                        f"then {layers.obstacle}{reach}.")
    return step_rows


@dataclass(frozen=True)
class _Window:
    """Rows beside an open ring that change: plain ones at the open side, those of the step-downs, plain ones at the mesh's side."""

    outer: int
    step_rows: int
    inner: int

    @property
    def used(self) -> int:
        return self.outer + self.step_rows + self.inner


def _windows(rows: int, step_rows: int, *, all_of_them: bool) -> list[_Window]:
    """Where among some rows the step-downs' rows may lie, the best place first: a plain row at either end where there is room.

    all_of_them : whether all rows change, and the step-downs lie as near to their middle as may be; else as few change as may be
    """
    spare = rows - step_rows
    if all_of_them:
        middle = spare // 2
        outers = sorted(range(min(1, middle), max(spare - 1, middle) + 1), key=lambda outer: abs(outer - middle))
        return [_Window(outer, step_rows, spare - outer) for outer in outers]
    near = min(spare, 2)
    return [_Window(near // 2, step_rows, near - near // 2), *(_Window(outer, step_rows, 1) for outer in range(2, spare))]


@dataclass(frozen=True)
class _Costs:
    """What poles cost at every vertex of the rows beside an open ring, (R + 1, n) each.

    plain : by poles that exist and by the hidden side
    bending : by how much the place bends
    """

    plain: FloatArray
    bending: FloatArray


def _grid_costs(mesh: PolyMesh, adjacency: Adjacency, columns: IntArray, hidden: npt.ArrayLike | None,
                pole_distance: int) -> FloatArray:
    """Cost of a pole at every vertex of the rows, (R + 1, n), bending left out."""
    cost = pole_costs(adjacency, pole_distance)[columns]
    return np.asarray(cost if hidden is None else cost + hidden_side_costs(mesh.positions[columns], hidden))


def _first_clear(windows: list[_Window], costs: _Costs, facing: Callable[[_Window, FloatArray], FloatArray],
                 place: Callable[[_Window, FloatArray | None], StepDownPlaces]) -> tuple[_Window, StepDownPlaces]:
    """The first window whose step-downs all lie out of what bends; where there is none, the one of least cost.

    facing : a window's part of a grid, as the step-downs' rows and columns count it
    """
    found: list[tuple[_Window, StepDownPlaces]] = []
    total: list[float] = []
    for farther, window in enumerate(windows):
        bending = facing(window, costs.bending)
        places = place(window, _or_none(facing(window, costs.plain) + bending))
        if _worst(bending, places) < BENDING_WEIGHT / 2.0:
            return window, places
        found.append((window, places))
        total.append(places.cost + ROW_WEIGHT * farther)
    return found[int(np.argmin(total))]


def _worst(grid: FloatArray, places: StepDownPlaces) -> float:
    """The greatest of a grid's values at the poles of step-downs."""
    rows = np.repeat(np.arange(places.rows), [len(columns) for columns in places.columns])
    columns = np.concatenate(places.columns)
    return float(max(grid[rows, columns].max(), grid[rows + 1, (columns + 1) % grid.shape[1]].max()))


def _down(mesh: PolyMesh, layers: RingLayers, windows: list[_Window], costs: _Costs, step_downs: int) -> RingChange:
    count = layers.vertices.shape[1]

    def inward(window: _Window, grid: FloatArray) -> FloatArray:
        return grid[window.outer : window.outer + window.step_rows + 1][::-1]

    def place(window: _Window, cost: FloatArray | None) -> StepDownPlaces:
        fractions = ring_fractions(mesh.positions[layers.vertices[window.used]])
        return place_step_downs(count, step_downs, window.step_rows, cost, fractions=fractions)

    window, places = _first_clear(windows, costs, inward, place)
    used, columns = window.used, layers.vertices[: window.used + 1]
    rows = build_ring_rows(places, window.inner, window.outer)
    coordinates = even_coordinates(rows, np.arange(count), None, float(count))
    level = used - rows.ring_of_vertex
    vertices = columns[level, np.concatenate(rows.columns)]
    grid = _Grid(coordinates.columns, used - coordinates.depths, vertices, pinned=level == used)
    return _rebuild(mesh, layers, columns, rows, places, grid, rows.quads, rows.ring(used))


def _up(mesh: PolyMesh, layers: RingLayers, windows: list[_Window], costs: _Costs, step_ups: int) -> RingChange:
    now = layers.vertices.shape[1]
    wanted = now + 2 * step_ups
    # Columns of the fuller, new ring lie at even steps of the old one for costs; then slide to even places.
    nearest = np.round(np.arange(wanted) * now / wanted).astype(np.int64) % now

    def outward(window: _Window, grid: FloatArray) -> FloatArray:
        return np.asarray(grid[window.outer : window.outer + window.step_rows + 1][:, nearest])

    def place(window: _Window, cost: FloatArray | None) -> StepDownPlaces:
        return place_step_downs(wanted, step_ups, window.step_rows, cost)

    window, places = _first_clear(windows, costs, outward, place)
    used, columns = window.used, layers.vertices[: window.used + 1]
    rows = build_ring_rows(places, window.outer, window.inner)
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
