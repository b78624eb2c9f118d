"""Settle a cage on its target: relax along the surface, project onto it, refuse folds, until it lies still.

Every quad pulls its corners toward the rectangle that is most like it (``core/relaxation.py``); a vertex moves to the
mean of what its quads ask, along the tangent plane only. A weak pull back to where the vertex first
landed keeps a long row from creeping along the limb, so that there is a state in which the cage lies still.

Sources: the momentum between steps, Nesterov 1983, begun anew as O'Donoghue,
Candès, "Adaptive Restart for Accelerated Gradient Schemes", Found. Comput. Math. 15, 2015, have it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .adjacency import Adjacency, build_adjacency, edge_distances
from .defects import SKIN_REACH
from .errors import MeshError
from .landing import Grain, Landing, gap_to_like_skin, grain_of, land_again, land_first, looks_outward
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .quality import scaled_jacobian
from .relaxation import QuadShapes, Stencil, build_stencil, corner_normals, faired, quad_shapes, relaxed, sound_quads, vertex_normals_of
from .rows import dots, lengths, points_of, rows_of, unit_rows
from .surface import Surface
from .worst_faces import Corners, better_worst_faces

MOST_STEPS = 40
STILL = 2e-3
"""A cage lies still when the root mean square of what its faces still ask for is under this share of its mean edge."""
STALLED = 6
"""Steps without a clearly better state after which it will not lie stiller: some vertex cannot move without a fold."""
CLEARLY = 0.95
"""Share of the least movement so far that counts as clearly better."""
STEP = 0.7
BARRED_STEP = 0.12
"""Share of its pull that a vertex follows in a step; one with a barred way hardly moves, so that it does not creep out round the bar."""
HOME = 0.03
"""Pull back to where a vertex first landed, against a pull of one to where its faces want it."""
WEB_HOME = 0.15
"""The same for vertices of webs, which were laid where they belong and would creep out of narrow clefts."""
LOOSE = 0.5
"""How much of that pull is missing at a pole, where the first places are the roughest."""
MOMENTUM = (1.0 - HOME**0.5) / (1.0 + HOME**0.5)
"""Share of the last step that the next one begins with: the fastest for a pull home of that strength."""
FREE_EDGES = 4
"""Edges from a pole over which proportions may change."""
SLIVER = 0.25
"""A quad whose scaled Jacobian is under this is relaxed anew, as if it were folded."""
UNFOLDING_ROUNDS = 4
UNFOLDING_TRIES = 5
"""Times that a step takes moves back until no face folds."""
LOOK = 1.5
"""A vertex may look for the skin this many of its mean edges away."""
WIDER = 1.3
"""A vertex that finds no skin looks this much farther in the next step."""
WIDEST = 10.0
"""And at most this many mean edges."""
GAP_SHARE = 0.45
"""A vertex moves and looks at most this share of the way to the next skin that faces as its own does."""


@dataclass(frozen=True)
class Settled:
    """A settled cage.

    positions : (V, 3) float64
    normals : (V, 3) float64, the target's normals there
    steps : relaxation steps taken
    movement : root mean square of the move that the faces still ask for, as a share of the mean edge
    off_skin : (k,) int32, vertices that found no skin that faces their way
    over_holes : (k,) int32, vertices that bridge a hole of the target
    folded : (k,) int32, faces that are folded or dented
    """

    positions: FloatArray
    normals: FloatArray
    steps: int
    movement: float
    off_skin: IntArray
    over_holes: IntArray
    folded: IntArray


def settle(mesh: PolyMesh, surface: Surface, held: BoolArray, freedom: FloatArray | None = None, barred: FloatArray | None = None,
           mobility: FloatArray | None = None, most_steps: int = MOST_STEPS, webs: BoolArray | None = None) -> Settled:
    """Relax a mesh along a surface and project it; where faces are folded, unfold them and settle once more, and better by themselves
    those that are left.

    mesh : quads relax; other faces only hold their corners together
    surface : normals point outward
    held : (V,) bool, vertices that stay where they are
    freedom : (V,) float64 in 0..1, how far proportions may change; None: from the distance to poles
    barred : (V, 3) float64 unit directions along which a vertex is not pulled; zero, or None: pulled any way
    mobility : (V,) float64 in 0..1, share of the pull that a vertex follows; None: 1
    webs : (V,) bool, vertices of webs: they hold on to where they were laid, and their bars fall where faces fold; None: none
    """
    adjacency = build_adjacency(mesh)
    free = junction_freedom(adjacency) if freedom is None else freedom
    field = _field(mesh, build_stencil(mesh, adjacency, free), surface, held, free, barred, mobility, webs)
    best = latest = _settled(mesh.positions, field, most_steps)
    for reach in range(1, UNFOLDING_ROUNDS + 1):
        troubled = _troubled_faces(latest.settled, field)
        if not troubled.any():
            break
        torn = np.isin(np.arange(mesh.vertex_count), field.stencil.quads[troubled])
        region = (edge_distances(adjacency.edge_verts, torn, reach) <= reach) & ~held
        start = points_of(faired(rows_of(latest.settled.positions), field.stencil, region))
        if webs is not None:
            field = _unbarred(field, region & webs)
        again = _settled(start, field, most_steps // 2)
        latest = replace(again, settled=replace(again.settled, steps=latest.settled.steps + again.settled.steps))
        if np.count_nonzero(_troubled_faces(latest.settled, field)) < np.count_nonzero(_troubled_faces(best.settled, field)):
            best = latest
    found = best.settled
    if _troubled_faces(found, field).any():
        found = _told(_bettered(best.state, field), found.steps, found.movement, field)
    return replace(found, steps=latest.settled.steps)


def _unbarred(field: _Field, freed: BoolArray) -> _Field:
    """The field without the bars of some vertices, which leave no way out of a fold."""
    if field.barred is None:
        return field
    return replace(field, barred=np.where(freed, 0.0, field.barred), pace=np.where(freed, STEP, field.pace))


def _troubled_faces(settled: Settled, field: _Field) -> BoolArray:
    """Faces worth another try: folded, nearly flat at a corner, or with a vertex off the skin, (F,) bool."""
    quads = field.stencil.quads
    troubled = np.isin(quads, settled.off_skin).any(axis=1)
    troubled[settled.folded] = True
    return np.asarray(troubled | (scaled_jacobian(settled.positions[quads]) < SLIVER), dtype=np.bool_)


def check_settled(settled: Settled) -> None:
    """Check that a cage lies on its target without folds.

    Raises MeshError that says where it does not.
    """
    if len(settled.off_skin):
        place = _words(settled.positions[settled.off_skin[0]])
        raise MeshError(f"{len(settled.off_skin)} vertices find no skin of the target that faces their way, the first near {place}; "
                        "move the mesh closer to the target, or check that both face outward.")
    if len(settled.folded):
        raise MeshError(f"{len(settled.folded)} faces stay folded on the target; move the mesh closer to it or take fewer rings there.")


def _words(point: FloatArray) -> str:
    return "[" + ", ".join(f"{value:.4g}" for value in point) + "]"


@dataclass(frozen=True)
class _Field:
    """What stays the same while a cage settles.

    barred : (3, V) float64, or None where every way is open
    pace : (V,) float64, share of its pull that a vertex follows
    homing : (V,) float64, pull back to where it first landed
    look : (V,) float64, how far a vertex may look for its skin at first
    grain : of the surface against the cage
    """

    stencil: Stencil
    surface: Surface
    held: BoolArray
    barred: FloatArray | None
    pace: FloatArray
    homing: FloatArray
    look: FloatArray
    grain: Grain

    @cached_property
    def drift(self) -> FloatArray:
        """Share of its last move that a vertex's step begins with, (V,) float64."""
        return MOMENTUM * self.pace / STEP

    @property
    def mean_edge(self) -> float:
        """Mean edge of the cage as it was laid."""
        return max(float(self.stencil.mean_edges.mean()), 1e-300)


def _field(mesh: PolyMesh, stencil: Stencil, surface: Surface, held: BoolArray, freedom: FloatArray, barred: FloatArray | None,
           mobility: FloatArray | None, webs: BoolArray | None) -> _Field:
    closed = np.zeros(len(held), dtype=np.bool_) if barred is None else barred.any(axis=1)
    pace = np.where(closed, BARRED_STEP, STEP) * (1.0 if mobility is None else mobility)
    look = LOOK * stencil.mean_edges
    grain = grain_of(mesh.positions, vertex_normals(mesh.positions, stencil.quads), surface, look)
    homing = np.where(False if webs is None else webs, WEB_HOME, HOME * (1.0 - LOOSE * freedom))
    return _Field(stencil, surface, held, rows_of(barred) if barred is not None and closed.any() else None,
                  pace, homing, look, grain)


@dataclass(frozen=True)
class _State:
    """A cage between two steps, vectors in rows.

    shapes : of its quads
    facing : (3, F) float64, sums of the skin's normals at their corners
    sound : (F,) bool, quads without a dent that look the skin's way
    landing : the skin below every vertex
    """

    positions: FloatArray
    shapes: QuadShapes
    facing: FloatArray
    sound: BoolArray
    landing: Landing


def _state(positions: FloatArray, landing: Landing, stencil: Stencil) -> _State:
    shapes, facing = quad_shapes(positions, stencil.corners), corner_normals(landing.normals.T, stencil.corners)
    return _State(positions, shapes, facing, sound_quads(shapes, facing), landing)


@dataclass(frozen=True)
class _Rest:
    """A cage that lies as still as it will, and what there is to tell of it."""

    state: _State
    settled: Settled


def _settled(start: FloatArray, field: _Field, most_steps: int) -> _Rest:
    """Relax and project until the cage lies still, will not lie stiller or the steps are used up; the stillest state is kept."""
    stencil, held = field.stencil, field.held
    look = field.look
    first = rows_of(start)
    landing = land_first(start, vertex_normals_of(quad_shapes(first, stencil.corners).areas, stencil).T, field.surface, look, field.grain)
    home = np.where(held, first, landing.positions.T)
    state, velocity = _state(home, landing, stencil), np.zeros_like(home)
    known, gap = landing.landed, _gaps(state, landing.landed & ~held, np.full(len(held), np.inf), field)
    best, movement, best_step, step = state, np.inf, 0, 0
    count = max(int(np.count_nonzero(~held)), 1)
    while step < most_steps and step - best_step < STALLED and (movement >= STILL or best_step < step):
        step += 1
        ahead = state.positions + field.drift * _square(velocity, state.landing.normals.T)
        move = _move(ahead, home, state, gap, field)
        unrest = float(np.sqrt(np.vdot(move, move) / count)) / field.mean_edge
        following = _stepped(state, ahead + move, np.minimum(look, gap), field)
        velocity = following.positions - state.positions
        if np.vdot(velocity, move) <= 0.0:
            velocity[:] = 0.0
        state = following
        arrived = state.landing.landed & ~known
        if arrived.any():
            home, gap, known = np.where(arrived, state.positions, home), _gaps(state, arrived, gap, field), known | arrived
        seeking = ~(state.landing.landed | state.landing.over_hole | held | (look >= WIDEST / LOOK * field.look))
        look = np.where(seeking, WIDER * look, look)
        if seeking.any() or arrived.any():
            best, movement, best_step = state, np.inf, step
        elif unrest < movement:
            best, best_step = state, step if unrest < CLEARLY * movement else best_step
            movement = unrest
    return _Rest(best, _told(best, step, movement, field))


def _told(state: _State, steps: int, movement: float, field: _Field) -> Settled:
    """What there is to tell of a state."""
    landing = state.landing
    off = ~(landing.landed | landing.over_hole | field.held | field.stencil.lone)
    return Settled(points_of(state.positions), np.ascontiguousarray(landing.normals), steps, movement, _numbers(off),
                   _numbers(landing.over_hole & ~field.held), _numbers(_folded_faces(state, field)))


def _bettered(state: _State, field: _Field) -> _State:
    """The state with its worst faces bettered."""
    landing, stencil = state.landing, field.stencil
    may_move = landing.landed & ~field.held & (field.pace > 0.0)
    corners = Corners(stencil.quads, stencil.vertex_faces, may_move, np.where(landing.against, -1.0, 1.0))
    found = better_worst_faces(points_of(state.positions), np.ascontiguousarray(landing.normals), corners, field.surface)
    moved = (found.positions != points_of(state.positions)).any(axis=1)
    if not moved.any():
        return state
    lying = replace(landing, positions=np.where(moved[:, None], found.positions, landing.positions),
                    normals=np.where(moved[:, None], found.normals, landing.normals))
    return _state(rows_of(found.positions), lying, stencil)


def _gaps(state: _State, of: BoolArray, gap: FloatArray, field: _Field) -> FloatArray:
    """How far vertices may go, with those of some new ones filled in, (V,) float64."""
    chosen = np.flatnonzero(of)
    lift = field.grain.lift * field.look[chosen]
    found = gap_to_like_skin(state.positions[:, chosen].T, state.landing.normals[chosen], lift, field.surface)
    gap = gap.copy()
    gap[chosen] = GAP_SHARE * found
    return gap


def _square(vectors: FloatArray, axes: FloatArray) -> FloatArray:
    """The part of vectors square to unit axes, both in rows."""
    return np.asarray(vectors - dots(vectors, axes) * axes)


def _move(positions: FloatArray, home: FloatArray, state: _State, gap: FloatArray, field: _Field) -> FloatArray:
    """What the faces ask of every vertex, along the skin and no farther than it may go, (3, V) float64."""
    pull = relaxed(positions, state.facing, field.stencil)
    pull -= positions
    pull += field.homing * (home - positions)
    pull *= field.pace
    move = _square(pull if field.barred is None else _square(pull, field.barred), state.landing.normals.T)
    move *= np.where(field.held, 0.0, np.minimum(1.0, gap / np.maximum(lengths(move), 1e-300)))
    return move


def _stepped(state: _State, moved: FloatArray, look: FloatArray, field: _Field) -> _State:
    """The state after a move; vertices of faces that would fold stay."""
    stencil, landing = field.stencil, _landed(state, moved, look, field)
    stuck, following = field.held, state
    for _ in range(UNFOLDING_TRIES):
        lying = _either(stuck, state.landing, landing) if stuck.any() else landing
        following = _state(np.where(stuck, state.positions, landing.positions.T), lying, stencil)
        folded = state.sound & ~following.sound
        if not folded.any():
            break
        stuck = stuck.copy()
        stuck[stencil.quads[folded]] = True
    return following


def _landed(state: _State, moved: FloatArray, look: FloatArray, field: _Field) -> Landing:
    """Where vertices come down after a move; those that are held are not asked for and lie as they did."""
    free, normals = np.flatnonzero(~field.held), vertex_normals_of(state.shapes.areas, field.stencil).T
    before = Landing(*(values[free] for values in vars(state.landing).values()))
    found = land_again(moved.T[free], normals[free], field.surface, look[free], before, field.grain)
    landing = Landing(*(values.copy(order="K") for values in vars(state.landing).values()))
    for values, new in zip(vars(landing).values(), vars(found).values(), strict=True):
        values[free] = new
    return landing


def _either(chosen: BoolArray, landing: Landing, other: Landing) -> Landing:
    """One landing for the chosen vertices and another for the rest."""
    return Landing(*(np.where(chosen[:, None] if one.ndim == 2 else chosen, one, two)
                     for one, two in zip(vars(landing).values(), vars(other).values(), strict=True)))


def _numbers(marked: BoolArray) -> IntArray:
    return np.flatnonzero(marked).astype(np.int32)


def _folded_faces(state: _State, field: _Field) -> BoolArray:
    """Quads that dent, look against their vertices' skin or against the skin under their middle, (F,) bool."""
    quads, landing, areas = field.stencil.quads, state.landing, state.shapes.areas
    middles = state.shapes.corners.mean(axis=1)
    outward = looks_outward(middles.T, unit_rows(areas).T, SKIN_REACH * np.sqrt(0.5 * lengths(areas)), field.surface, field.grain)
    # where the skin is wound inside out, or missing, it cannot tell
    told = (landing.landed & ~landing.against)[quads].all(axis=1)
    return np.asarray((told & ~outward) | ~state.sound, dtype=np.bool_)


def junction_freedom(adjacency: Adjacency, counted: BoolArray | None = None) -> FloatArray:
    """1 at poles inside the mesh, falling to 0 over ``FREE_EDGES`` edges, (V,) float64.

    counted : (V,) bool, vertices that count where they are poles; None: all
    """
    irregular = (adjacency.valence != 4) & ~adjacency.boundary_vertex
    irregular &= True if counted is None else counted
    return 1.0 - edge_distances(adjacency.edge_verts, irregular, FREE_EDGES - 1) / FREE_EDGES


def vertex_normals(positions: FloatArray, quads: IntArray) -> FloatArray:
    """Unit normals of a quad mesh, weighted by area, (V, 3) float64."""
    corners = np.ascontiguousarray(quads.T).astype(np.intp)
    areas = quad_shapes(rows_of(positions), corners).areas
    flat = corners.ravel()
    return points_of(unit_rows(np.stack([np.bincount(flat, np.tile(row, 4), len(positions)) for row in areas])))
