"""Settle a cage on its target: relax along the surface, project onto it, refuse folds, until it lies still.

Every quad pulls its corners toward the rectangle that is most like it; a vertex moves to the mean of
what its quads ask, along the tangent plane only. A row of rectangles of any proportions lies still, so
rings that are gathered at a joint stay gathered. Near poles, where no grid of rectangles exists, the pull
goes toward squares and toward the middle of the neighbours. A weak pull back to where the vertex first
landed keeps a long row from creeping along the limb, so that there is a state in which the cage lies still.

Sources: the local step, Bouaziz, Deuss, Schwartzburg, Weise, Pauly, "Shape-Up: Shaping Discrete Geometry
with Projections", CGF 31(5), 2012; the momentum between steps, Nesterov 1983, begun anew as O'Donoghue,
Candès, "Adaptive Restart for Accelerated Gradient Schemes", Found. Comput. Math. 15, 2015, have it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency, build_adjacency
from .defects import SKIN_REACH
from .errors import MeshError
from .frames import square_to, unit
from .landing import LIFT, Landing, gap_to_like_skin, land_again, land_first, looks_outward
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .quality import scaled_jacobian
from .surface import Surface

MOST_STEPS = 40
STILL = 2e-3
"""A cage lies still when the root mean square of what its faces still ask for is under this share of its mean edge."""
STALLED = 6
"""Steps without a clearly better state after which it will not lie stiller: some vertex cannot move without a fold."""
CLEARLY = 0.95
"""Share of the least movement so far that counts as clearly better."""
KEEP_PROPORTIONS = 0.25
EVEN_OUT = 0.45
"""Share of the pull that places a vertex between its neighbours, away from poles and at them; the rest squares the faces up."""
STEP = 0.7
BARRED_STEP = 0.12
"""Share of its pull that a vertex follows in a step; one with a barred way hardly moves, so that it does not creep out round the bar."""
HOME = 0.03
LOOSE = 0.5
"""How much of that pull is missing at a pole, where the first places are the roughest."""
"""Pull back to where a vertex first landed, against a pull of one to where its faces want it."""
MOMENTUM = (1.0 - HOME**0.5) / (1.0 + HOME**0.5)
"""Share of the last step that the next one begins with: the fastest for a pull home of that strength."""
SLIVER = 0.25
"""A quad whose scaled Jacobian is under this is relaxed anew, as if it were folded."""
UNFOLDING_ROUNDS = 4
FAIR_STEPS = 12
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


@dataclass(frozen=True)
class _Stencil:
    """Tables that do not change while the cage moves; index -1 pads with zero."""

    quads: IntArray
    vertex_corners: npt.NDArray[np.int64]
    corner_count: FloatArray
    neighbours: npt.NDArray[np.int64]
    weights: FloatArray


def settle(mesh: PolyMesh, surface: Surface, held: BoolArray, freedom: FloatArray | None = None, barred: FloatArray | None = None,
           mobility: FloatArray | None = None, most_steps: int = MOST_STEPS) -> Settled:
    """Relax a mesh along a surface and project it; where faces are folded, unfold them and settle once more.

    mesh : quads relax; other faces only hold their corners together
    surface : normals point outward
    held : (V,) bool, vertices that stay where they are
    freedom : (V,) float64 in 0..1, how far proportions may change; None: from the distance to poles
    barred : (V, 3) float64 unit directions along which a vertex is not pulled; zero, or None: pulled any way
    mobility : (V,) float64 in 0..1, share of the pull that a vertex follows; None: 1
    """
    adjacency = build_adjacency(mesh)
    free = junction_freedom(adjacency) if freedom is None else freedom
    stencil = _stencil(mesh, adjacency, free)
    closed_ways = np.zeros((mesh.vertex_count, 3)) if barred is None else barred
    pace = np.where(closed_ways.any(axis=1), BARRED_STEP, STEP) * (1.0 if mobility is None else mobility)
    field = _Field(stencil, surface, held, free, closed_ways, pace, LOOK * _mean_edges(mesh.positions, stencil.neighbours))
    best = latest = _settled(mesh.positions, field, most_steps)
    for reach in range(1, UNFOLDING_ROUNDS + 1):
        troubled = _troubled_faces(latest, field)
        if not troubled.any():
            break
        torn = np.isin(np.arange(mesh.vertex_count), stencil.quads[troubled])
        region = _grown(torn, adjacency.edge_verts, reach) & ~held
        again = _settled(_fair(latest.positions, stencil, region), field, most_steps // 2)
        latest = replace(again, steps=latest.steps + again.steps)
        if np.count_nonzero(_troubled_faces(latest, field)) < np.count_nonzero(_troubled_faces(best, field)):
            best = latest
    return replace(best, steps=latest.steps)


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
    """What stays the same while a cage settles."""

    stencil: _Stencil
    surface: Surface
    held: BoolArray
    freedom: FloatArray
    barred: FloatArray
    pace: FloatArray
    look: FloatArray


@dataclass(frozen=True)
class _State:
    """A cage between two steps."""

    positions: FloatArray
    landing: Landing


def _settled(start: FloatArray, field: _Field, most_steps: int) -> Settled:
    """Relax and project until the cage lies still, will not lie stiller or the steps are used up; the stillest state is kept."""
    quads, look = field.stencil.quads, field.look
    landing = land_first(start, vertex_normals(start, quads), field.surface, look)
    home = np.where(field.held[:, None], start, landing.positions)
    state, velocity = _State(home, landing), np.zeros_like(home)
    known, gap = landing.landed, _gaps(state, landing.landed, np.full(len(home), np.inf), field)
    best, movement, best_step, step = state, np.inf, 0, 0
    while step < most_steps and step - best_step < STALLED and (movement >= STILL or best_step < step):
        step += 1
        ahead = state.positions + MOMENTUM * (field.pace[:, None] / STEP) * square_to(velocity, state.landing.normals)
        move = _move(ahead, home, state.landing.normals, gap, field)
        unrest = _size(move[~field.held]) / max(float(field.look.mean()) / LOOK, 1e-300)
        following = _stepped(state, ahead + move, np.minimum(look, gap), field)
        velocity = following.positions - state.positions
        velocity = velocity if float(np.sum(velocity * move)) > 0.0 else np.zeros_like(velocity)
        state = following
        arrived = state.landing.landed & ~known
        if arrived.any():
            home, gap, known = np.where(arrived[:, None], state.positions, home), _gaps(state, arrived, gap, field), known | arrived
        seeking = ~(state.landing.landed | state.landing.over_hole | field.held | (look >= WIDEST / LOOK * field.look))
        look = np.where(seeking, WIDER * look, look)
        if seeking.any() or arrived.any():
            best, movement, best_step = state, np.inf, step
        elif unrest < movement:
            best, best_step = state, step if unrest < CLEARLY * movement else best_step
            movement = unrest
    off = ~(best.landing.landed | best.landing.over_hole | field.held) & (field.stencil.vertex_corners[0] >= 0)
    folded = _folded_faces(best, field)
    return Settled(best.positions, best.landing.normals, step, movement, _numbers(off), _numbers(best.landing.over_hole & ~field.held),
                   _numbers(folded))


def _gaps(state: _State, of: BoolArray, gap: FloatArray, field: _Field) -> FloatArray:
    """How far vertices may go, with those of some new ones filled in, (V,) float64."""
    chosen = np.flatnonzero(of)
    found = gap_to_like_skin(state.positions[chosen], state.landing.normals[chosen], LIFT * field.look[chosen], field.surface)
    gap = gap.copy()
    gap[chosen] = GAP_SHARE * found
    return gap


def _move(positions: FloatArray, home: FloatArray, normals: FloatArray, gap: FloatArray, field: _Field) -> FloatArray:
    """What the faces ask of every vertex, along the skin and no farther than it may go, (V, 3) float64."""
    homeward = HOME * (1.0 - LOOSE * field.freedom)[:, None] * (home - positions)
    pull = _relaxed(positions, normals, field.stencil, field.freedom) - positions + homeward
    move = square_to(square_to(field.pace[:, None] * pull, field.barred), normals)
    move[field.held] = 0.0
    length = np.linalg.norm(move, axis=1)
    return np.asarray(move * np.minimum(1.0, gap / np.maximum(length, 1e-300))[:, None], dtype=np.float64)


def _stepped(state: _State, moved: FloatArray, look: FloatArray, field: _Field) -> _State:
    """The state after a move; vertices of faces that would fold stay."""
    quads = field.stencil.quads
    landing = land_again(moved, vertex_normals(state.positions, quads), field.surface, look, state.landing)
    wanted = np.where(field.held[:, None], state.positions, landing.positions)
    positions = _without_folds(state.positions, wanted, state.landing.normals, landing.normals, quads)
    kept = np.all(positions == wanted, axis=1) & ~field.held
    return _State(positions, Landing(positions, np.where(kept[:, None], landing.normals, state.landing.normals),
                                     np.where(kept, landing.landed, state.landing.landed),
                                     np.where(kept, landing.over_hole, state.landing.over_hole),
                                     np.where(kept, landing.against, state.landing.against)))


def _size(moves: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.sum(moves**2, axis=1)))) if len(moves) else 0.0


def _numbers(marked: BoolArray) -> IntArray:
    return np.flatnonzero(marked).astype(np.int32)


def _folded_faces(state: _State, field: _Field) -> BoolArray:
    """Quads that dent, look against their vertices' skin or against the skin under their middle, (F,) bool."""
    quads, landing = field.stencil.quads, state.landing
    corners = state.positions[quads]
    face = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    outward = looks_outward(corners.mean(axis=1), unit(face), SKIN_REACH * np.sqrt(0.5 * np.linalg.norm(face, axis=1)), field.surface)
    # where the skin is wound inside out, or missing, it cannot tell
    told = (landing.landed & ~landing.against)[quads].all(axis=1)
    return np.asarray((told & ~outward) | (_smallest_corner(state.positions, landing.normals, quads) <= 0), dtype=np.bool_)


def _grown(marked: BoolArray, edge_verts: IntArray, reach: int) -> BoolArray:
    """Vertices within ``reach`` edges of the marked ones, (V,) bool."""
    for _ in range(reach):
        touched = marked[edge_verts].any(axis=1)
        marked = marked.copy()
        marked[edge_verts[touched].ravel()] = True
    return marked


def _fair(positions: FloatArray, stencil: _Stencil, region: BoolArray) -> FloatArray:
    """Stretch a membrane over a region, free of the surface, so that its folds come out."""
    for _ in range(FAIR_STEPS):
        positions = np.where(region[:, None], _neighbour_middle(positions, stencil), positions)
    return positions


def junction_freedom(adjacency: Adjacency, counted: BoolArray | None = None, reach: int = 4) -> FloatArray:
    """1 at poles inside the mesh, falling to 0 over ``reach`` edges, (V,) float64.

    counted : (V,) bool, vertices that count where they are poles; None: all
    """
    irregular = (adjacency.valence != 4) & ~adjacency.boundary_vertex
    irregular &= True if counted is None else counted
    freedom = irregular.astype(np.float64)
    first, second = adjacency.edge_verts.T
    for _ in range(reach - 1):
        spread = freedom.copy()
        np.maximum.at(spread, first, freedom[second] - 1.0 / reach)
        np.maximum.at(spread, second, freedom[first] - 1.0 / reach)
        freedom = spread
    return freedom


def vertex_normals(positions: FloatArray, quads: IntArray) -> FloatArray:
    """Unit normals of a quad mesh, weighted by area, (V, 3) float64."""
    first, second = positions[quads[:, 2]] - positions[quads[:, 0]], positions[quads[:, 3]] - positions[quads[:, 1]]
    face = np.repeat(np.cross(first, second), 4, axis=0)
    flat = quads.ravel()
    return unit(np.column_stack([np.bincount(flat, face[:, axis], len(positions)) for axis in range(3)]))


def _stencil(mesh: PolyMesh, adjacency: Adjacency, freedom: FloatArray) -> _Stencil:
    _, quads = mesh.faces_of_size(4)
    count = mesh.vertex_count
    corners = _padded(quads.ravel().astype(np.int64), np.arange(quads.size), count)
    ends = np.concatenate([adjacency.edge_verts, adjacency.edge_verts[:, ::-1]]).astype(np.int64)
    on_border = adjacency.boundary_vertex
    border_edge = np.tile(adjacency.edge_face_count == 1, 2)
    ends = ends[~on_border[ends[:, 0]] | border_edge]
    neighbours = _padded(ends[:, 0], ends[:, 1], count)
    return _Stencil(quads, corners, np.maximum((corners >= 0).sum(axis=0), 1).astype(np.float64), neighbours,
                    _proportion_weights(mesh.positions, neighbours, freedom))


def _proportion_weights(positions: FloatArray, neighbours: npt.NDArray[np.int64], freedom: FloatArray) -> FloatArray:
    """Weights of the neighbours whose mean is the vertex's place in its row and column, as the rows were laid.

    A weight of one over the distance keeps a vertex between two neighbours where it was; where a vertex is free,
    all weights are alike and it moves to the middle. Returns (most, V) float64, columns adding up to 1.
    """
    weights = np.zeros(neighbours.shape)
    for row, weight in zip(neighbours, weights, strict=True):
        known = row >= 0
        length = np.linalg.norm(positions[row[known]] - positions[known], axis=1)
        weight[known] = np.maximum(length, 1e-12 * max(float(length.max(initial=0)), 1e-300)) ** (freedom[known] - 1.0)
    total = weights.sum(axis=0)
    return np.asarray(weights / np.where(total > 0, total, 1.0), dtype=np.float64)


def _padded(keys: npt.NDArray[np.int64], values: npt.NDArray[np.int64], count: int) -> npt.NDArray[np.int64]:
    """Values grouped by key as a table (most, count), padded with -1, one column a key."""
    order = np.argsort(keys, kind="stable")
    sizes = np.bincount(keys, minlength=count)
    rank = np.arange(len(keys)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    table = np.full((max(int(sizes.max(initial=0)), 1), count), -1, dtype=np.int64)
    table[rank, keys[order]] = values[order]
    return table


def _gathered(values: FloatArray, table: npt.NDArray[np.int64]) -> FloatArray:
    padded = np.concatenate([values, np.zeros((1, 3))])
    total = padded[table[0]]
    for row in table[1:]:
        total = total + padded[row]
    return total


def _neighbour_middle(positions: FloatArray, stencil: _Stencil) -> FloatArray:
    """The neighbours' weighted mean, (V, 3) float64; a vertex without neighbours stays."""
    padded = np.concatenate([positions, np.zeros((1, 3))])
    total = np.zeros_like(positions)
    for row, weight in zip(stencil.neighbours, stencil.weights, strict=True):
        total += weight[:, None] * padded[row]
    return np.where((stencil.neighbours[0] < 0)[:, None], positions, total)


def _mean_edges(positions: FloatArray, neighbours: npt.NDArray[np.int64]) -> FloatArray:
    """Mean edge length at every vertex, (V,) float64."""
    total = np.zeros(len(positions))
    for row in neighbours:
        known = row >= 0
        total[known] += np.linalg.norm(positions[row[known]] - positions[known], axis=1)
    return np.asarray(total / np.maximum((neighbours >= 0).sum(axis=0), 1), dtype=np.float64)


def _relaxed(positions: FloatArray, normals: FloatArray, stencil: _Stencil, freedom: FloatArray) -> FloatArray:
    """Where every vertex would like to be, (V, 3) float64."""
    targets = rectangle_targets(positions[stencil.quads], normals[stencil.quads].sum(axis=1), freedom[stencil.quads].mean(axis=1))
    asked = _gathered(targets.reshape(-1, 3), stencil.vertex_corners) / stencil.corner_count[:, None]
    lone = (stencil.vertex_corners[0] < 0)[:, None]
    asked = np.where(lone, positions, asked)
    share = (KEEP_PROPORTIONS + (EVEN_OUT - KEEP_PROPORTIONS) * freedom)[:, None]
    return (1 - share) * asked + share * _neighbour_middle(positions, stencil)


def rectangle_targets(corners: FloatArray, normals: FloatArray, squareness: FloatArray) -> FloatArray:
    """The rectangle most like each quad.

    corners : (F, 4, 3) float64
    normals : (F, 3) float64, the side from which the quad must be seen counter-clockwise
    squareness : (F,) float64, 0 keeps the sides' proportion, 1 brings them halfway to equal lengths
    Returns (F, 4, 3) float64.
    """
    middle = corners.mean(axis=1)
    first = 0.5 * (corners[:, 1] + corners[:, 2] - corners[:, 0] - corners[:, 3])
    second = 0.5 * (corners[:, 2] + corners[:, 3] - corners[:, 0] - corners[:, 1])
    normal = unit(normals)
    along, across = unit(first), unit(second)
    folded = np.einsum("ij,ij->i", np.cross(along, across), normal) < 0.1
    across = np.where(folded[:, None], unit(np.cross(normal, along)), across)
    both, between = unit(along + across), unit(along - across)
    along, across = (both + between) / np.sqrt(2), (both - between) / np.sqrt(2)
    width, height = np.linalg.norm(first, axis=1), np.linalg.norm(second, axis=1)
    even = np.sqrt(np.maximum(width * height, 0))
    width, height = width + 0.5 * squareness * (even - width), height + 0.5 * squareness * (even - height)
    half_along, half_across = 0.5 * width[:, None] * along, 0.5 * height[:, None] * across
    return np.stack([middle - half_along - half_across, middle + half_along - half_across,
                     middle + half_along + half_across, middle - half_along + half_across], axis=1)


def _without_folds(before: FloatArray, after: FloatArray, old_normals: FloatArray, new_normals: FloatArray, quads: IntArray) -> FloatArray:
    """Take back the moves of every face that would turn over, with its neighbours' where they must follow."""
    positions = after.copy()
    sound_before = _smallest_corner(before, old_normals, quads) > 0
    for _ in range(4):
        folded = (_smallest_corner(positions, new_normals, quads) <= 0) & sound_before
        if not folded.any():
            break
        stuck = np.unique(quads[folded])
        positions[stuck] = before[stuck]
    return positions


def _smallest_corner(positions: FloatArray, normals: FloatArray, quads: IntArray) -> FloatArray:
    """Smallest signed corner area of every quad, negative where it dents or looks against its vertices' normals, (F,) float64."""
    corners = positions[quads]
    face = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    following, previous = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    areas = np.einsum("fki,fi->fk", np.cross(following, previous), unit(face)).min(axis=1)
    outward = np.einsum("fi,fi->f", face, normals[quads].sum(axis=1)) > 0
    return np.asarray(np.where(outward, areas, -np.abs(areas) - 1e-300), dtype=np.float64)
