"""Compose sweeps, tips, forks, sockets and splices into one cage: exact topology, rough positions.

Limbs are taken from the tips of the plan to its root, so that every trunk knows the ring that its
branches make; sockets come last, when the trunk's wall stands.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from .adjacency import build_adjacency
from .collar import spread_collar
from .counts import CountPlan
from .errors import NoRoomError
from .fork import BranchEdges, branch_edges, branch_phase, facing_pairs, fork_ring, may_crowd, neighbour_angles, web_quads
from .frames import unit
from .measure import Measure
from .mirror import AXES
from .plan import Fork, LimbPlan, Splice
from .polymesh import FACE_LIMB, JOINT_RING, VERTEX_LIMB, BoolArray, FloatArray, IntArray, PolyMesh
from .section import Tube, fullest_phase, nearest_phase
from .settle import junction_freedom
from .socket import Block, BranchRoot, block_quads, choose_block, hole_ring
from .stepdown import step_down_row, step_up_row
from .surface import Surface
from .sweep import (
    Rings,
    carried_phases,
    cast_rings,
    even_columns,
    fan_to,
    lean_into,
    local_frames,
    plain_angles,
    profile_at,
    ring_stations,
    root_offsets,
    starts_by_row,
    uncrossed,
)
from .tip import best_turn, cap_positions, grid_cap
from .two_sided import is_two_sided, limbs_on_plane

DEEPEST_WEB = 0.5
"""A web sinks at most this share of its two branches' radii together to reach the bottom of its cleft."""
WEB_DEPTH = 0.6
"""Share of the way to the bottom of its cleft that a web sinks: at the very bottom its two sides would meet."""
JUNCTION_FREEDOM = 0.2
"""How far proportions may change at poles, of what they may in a mesh of which nothing is known: rings are laid as they should lie
(tried on an arm and a leg: 1 gives worse faces and bends, 0 much the same; of 64 builds of invented hands as many fold with each)."""
PHASE_STATION = 0.85
"""Where along a trunk its section is compared with the ring that it must meet: before its end, where it is still one piece."""


@dataclass(frozen=True)
class Assembly:
    """A cage before it settles.

    mesh : all quads, rough positions; attributes vertex.limb, vertex.joint_ring, face.face_limb
    held : (V,) bool, vertices of open ends, which stay on the plan's end planes
    freedom : (V,) float64, 1 where branches and step-downs leave no grid of rectangles, falling to 0 away from them;
        tips keep the shape they were laid in
    barred : (V, 3) float64, the way out of its cleft for a vertex of a web, which must stay at the bottom; zero elsewhere
    webs : (V,) bool, all vertices of webs, which were laid at the bottoms of their clefts
    limb_names : names by limb number
    misfit : cost of the socket's hole that fits its branch worst, in squared branch radii; 0 without sockets
    tightest : name of the trunk that it lies in
    """

    mesh: PolyMesh
    held: BoolArray
    freedom: FloatArray
    barred: FloatArray
    webs: BoolArray
    limb_names: tuple[str, ...]
    misfit: float = 0.0
    tightest: str = ""


@dataclass
class _Build:
    """Arrays while they grow: vertices and quads in the order in which limbs are laid."""

    plan: LimbPlan
    counts: CountPlan
    measures: Mapping[str, Measure]
    surface: Surface
    positions: list[FloatArray] = field(default_factory=list)
    vertex_limb: list[IntArray] = field(default_factory=list)
    joint_ring: list[BoolArray] = field(default_factory=list)
    quads: list[IntArray] = field(default_factory=list)
    face_limb: list[IntArray] = field(default_factory=list)
    rings: dict[str, list[IntArray]] = field(default_factory=dict)
    root_rings: dict[str, IntArray] = field(default_factory=dict)
    held: list[IntArray] = field(default_factory=list)
    barred: list[tuple[IntArray, FloatArray]] = field(default_factory=list)
    webs: list[IntArray] = field(default_factory=list)
    tips: list[IntArray] = field(default_factory=list)
    holes: dict[str, IntArray] = field(default_factory=dict)
    misfits: dict[str, float] = field(default_factory=dict)
    vertex_count: int = 0

    def laid(self) -> FloatArray:
        """Positions of all vertices that are laid so far, (vertex_count, 3) float64."""
        return np.concatenate(self.positions)

    def add_vertices(self, positions: FloatArray, limb: int, joint_ring: bool = False) -> IntArray:
        ids = np.arange(self.vertex_count, self.vertex_count + len(positions), dtype=np.int32)
        self.vertex_count += len(positions)
        self.positions.append(positions)
        self.vertex_limb.append(np.full(len(positions), limb, dtype=np.int32))
        self.joint_ring.append(np.full(len(positions), joint_ring, dtype=np.bool_))
        return ids

    def add_quads(self, quads: IntArray, limb: int) -> None:
        self.quads.append(quads)
        self.face_limb.append(np.full(len(quads), limb, dtype=np.int32))


def assemble(plan: LimbPlan, counts: CountPlan, measures: Mapping[str, Measure], surface: Surface) -> Assembly:
    """Build the cage's topology and rough positions.

    surface : normals point outward
    Raises NoRoomError where a socket finds no room in its trunk.
    """
    build = _Build(plan, counts, measures, surface)
    walls: dict[str, list[IntArray]] = {}
    postponed = {socket.branch for socket in plan.sockets}
    for name in tips_first(plan):
        if name not in postponed:
            _lay_limb(build, walls, name, None)
    waiting = list(plan.sockets)
    while waiting:
        socket = next(each for each in waiting if each.trunk in walls)
        _lay_socket(build, walls, socket.trunk, socket.branch)
        waiting.remove(socket)
    for name, rows in walls.items():
        for row in rows:
            build.add_quads(row[row[:, 0] >= 0], _number(plan, name))
    return _finished(build)


def tips_first(plan: LimbPlan) -> list[str]:
    """Limb names so that every limb comes after those that join its tip or its side; socket branches after their own."""
    order: list[str] = []

    def visit(name: str) -> None:
        join = plan.tip_join(name)
        children = join.branches if isinstance(join, Fork) else (join.upper,) if join else ()
        for child in (*children, *(socket.branch for socket in plan.sockets_of(name))):
            visit(child)
        order.append(name)

    for limb in plan.limbs:
        if plan.root_join(limb.name) is None:
            visit(limb.name)
    return order


def _number(plan: LimbPlan, name: str) -> int:
    return [limb.name for limb in plan.limbs].index(name)


def _lay_limb(build: _Build, walls: dict[str, list[IntArray]], name: str, socket_phase: float | None) -> None:
    """Lay one limb's rings and rows; its tip end takes over the ring of what is joined there."""
    plan, limb, counts, measure = build.plan, build.plan.limb(name), build.counts.limbs[name], build.measures[name]
    number = _number(plan, name)
    stations = ring_stations(counts, measure, limb.joint_loops)
    tip_ring = _tip_ring(build, name)
    tip_points = None if tip_ring is None else build.laid()[tip_ring]
    wavy = tip_points if isinstance(plan.tip_join(name), Fork) else None
    tip_phase = None if tip_points is None else _ring_phase(tip_points, measure)
    root_phase = socket_phase if socket_phase is not None else _root_phase(build, name)
    phases = carried_phases(counts, tip_phase, root_phase)
    angles = plain_angles(counts, measure, stations, phases, _crowding_webs(build, name))
    station_lists = [np.full(len(angle), station) for angle, station in zip(angles, stations, strict=True)]
    station_lists = lean_into(station_lists, angles, slice(counts.spans[0], None, -1), root_offsets(measure, angles[0]))
    if wavy is not None:
        last_bone = slice(counts.rows - counts.spans[-1], None)
        station_lists = lean_into(station_lists, angles, last_bone, _stations_of(wavy, measure) - stations[-1])
    rings = cast_rings(measure, station_lists, angles, build.surface, _side_tubes(build, name))
    rings = even_columns(rings, counts, measure, stations)
    if wavy is not None:
        rings = fan_to(rings, wavy, counts.spans[-1])
    rings = uncrossed(rings, measure)
    ids = [build.add_vertices(rings.positions[ring], number, bool(counts.joint_rings[ring])) for ring in range(counts.rows)]
    ids.append(tip_ring if tip_ring is not None else build.add_vertices(rings.positions[-1], number, bool(counts.joint_rings[-1])))
    build.rings[name] = ids
    build.root_rings[name] = ids[0] if root_phase is None else np.roll(ids[0], -_edges_between(phases[0], root_phase, len(ids[0])))
    walls[name] = _wall(build, name)
    _close_ends(build, name, rings)


def _crowding_webs(build: _Build, name: str) -> BranchEdges | None:
    """How a branch's first ring is shared out where its edges crowd together in the webs; None where they do not."""
    join = build.plan.root_join(name)
    if not isinstance(join, Fork):
        return None
    edges = _fork_edges(build, join)
    return edges[join.branches.index(name)] if may_crowd(edges) else None


def _edges_between(phase: float, wanted: float, count: int) -> int:
    """Whole edges from a ring's vertex 0 to the vertex at the angle that its join asks for: a limb whose tip is joined, too,
    keeps its columns straight and gives its root join another vertex to begin at."""
    return round((wanted - phase) * count / (2 * np.pi)) % count


def _tip_ring(build: _Build, name: str) -> IntArray | None:
    """The ring that a limb's tip end takes over, or None where its tip is free."""
    join = build.plan.tip_join(name)
    if isinstance(join, Splice):
        return build.rings[join.upper][0]
    if join is None:
        return None
    edges = _fork_edges(build, join)
    first_rings = [build.root_rings[branch] for branch in join.branches]
    _sink_webs(build, join, first_rings, edges)
    build.add_quads(web_quads(first_rings, edges), _number(build.plan, name))
    return fork_ring(first_rings, edges)


def _sink_webs(build: _Build, fork: Fork, first_rings: list[IntArray], edges: tuple[BranchEdges, ...]) -> None:
    """Lower every web to the bottom of its cleft, where its quads lie on skin and not between two walls, and keep it there."""
    positions = build.laid()
    for index, pairs in enumerate(facing_pairs(first_rings, edges)):
        first, second = (build.measures[branch] for branch in fork.branches[index : index + 2])
        down = -unit(first.tangents[0] + second.tangents[0])
        middle = positions[pairs].mean(axis=1)
        hits = build.surface.cast(middle, np.repeat(down[None], len(middle), axis=0))
        depth = hits.distances
        sound = hits.hit & (hits.normals @ down < 0) & (depth < DEEPEST_WEB * float(first.radii[0] + second.radii[0]))
        shift = WEB_DEPTH * np.where(sound, depth, 0.0)[:, None] * down
        for side in range(2):
            positions[pairs[:, side]] += shift
        build.barred.append((pairs[1:-1].ravel(), down))
        build.webs.append(pairs.ravel())
    build.positions[:] = [positions]


def _fork_edges(build: _Build, fork: Fork) -> tuple[BranchEdges, ...]:
    webs = build.counts.webs[build.plan.forks.index(fork)]
    return branch_edges([int(build.counts.limbs[branch].rings[0]) for branch in fork.branches], webs)


def _root_phase(build: _Build, name: str) -> float | None:
    """Angle at which a limb's root join asks for its vertex 0; None where it asks for none. A limb that stands alone begins at angle
    zero where the plan gives an up, since the measured frame looks along it already, or else where its ring fits its section best."""
    join = build.plan.root_join(name)
    if join is None:
        return _free_phase(build, name) if build.plan.tip_join(name) is None else None
    if not isinstance(join, Fork):
        return None
    index = join.branches.index(name)
    roots = [local_frames(build.measures[branch], np.zeros(1)) for branch in join.branches]
    angles = neighbour_angles(*(np.concatenate([getattr(root, part) for root in roots]) for part in ("centres", "tangents", "frames")))
    count = int(build.counts.limbs[name].rings[0])
    return branch_phase(_fork_edges(build, join)[index], count, *angles[index])


def _free_phase(build: _Build, name: str) -> float:
    if build.plan.limb(name).up is not None:
        return 0.0
    measure = build.measures[name]
    return fullest_phase(profile_at(measure, 0.5 * measure.last_ring), int(build.counts.limbs[name].rings[0]))


def _ring_phase(points: FloatArray, measure: Measure) -> float:
    """Angle of vertex 0 of an evenly cut section that lies nearest to these points, seen along the limb's end.

    points : (n, 3) float64, the ring that the limb's last row must meet, in order
    """
    tangent, frame = measure.tangents[-1], measure.frames[-1]
    offset = points - points.mean(axis=0)
    seen = np.column_stack([offset @ frame, offset @ np.cross(tangent, frame)])
    return nearest_phase(profile_at(measure, PHASE_STATION * float(measure.lengths[-1])), seen)


def _stations_of(points: FloatArray, measure: Measure) -> FloatArray:
    """Stations of points beyond or before the end of a centre line, (n,) float64."""
    return np.asarray(measure.lengths[-1] + (points - measure.centres[-1]) @ measure.tangents[-1], dtype=np.float64)


def _side_tubes(build: _Build, name: str) -> Sequence[Tube]:
    return [build.measures[socket.branch].tube() for socket in build.plan.sockets_of(name)]


def _wall(build: _Build, name: str) -> list[IntArray]:
    """Quads of every row, so that a socket can still take some out."""
    counts, ids = build.counts.limbs[name], build.rings[name]
    stepped = starts_by_row(counts)
    rows = []
    for row in range(counts.rows):
        starts, fuller_at_tip = stepped.get(row, (np.zeros(0, dtype=np.int32), True))
        step_row = step_down_row if fuller_at_tip else step_up_row
        rows.append(step_row(ids[row + 1], ids[row], starts))
    return rows


def _close_ends(build: _Build, name: str, rings: Rings) -> None:
    counts, number = build.counts.limbs[name], _number(build.plan, name)
    if counts.cap is not None:
        short, long = counts.cap
        turn = best_turn(rings.positions[-1], short, long)
        border, ring = np.roll(rings.positions[-1], -turn, axis=0), np.roll(build.rings[name][-1], -turn)
        inner = build.add_vertices(cap_positions(border, short, long), number)
        first_new = int(inner[0]) if len(inner) else build.vertex_count
        build.add_quads(grid_cap(ring, short, long, first_new), number)
        build.tips.append(np.concatenate([build.rings[name][-1], inner]))
    elif build.plan.tip_join(name) is None:
        build.held.append(build.rings[name][-1])
    if build.plan.root_join(name) is None:
        build.held.append(build.rings[name][0])


def _lay_socket(build: _Build, walls: dict[str, list[IntArray]], trunk: str, branch: str) -> None:
    """Take the best block out of the trunk's wall and bridge its hole to the branch."""
    measure, counts = build.measures[branch], build.counts.limbs[branch]
    root = BranchRoot(measure.centres[0], measure.tangents[0], measure.frames[0], float(measure.radii[0]), int(counts.rings[0]))
    rings = build.rings[trunk]
    joint_rings = build.counts.limbs[trunk].joint_rings
    positions = build.laid()
    free = _free_vertices(build, walls, trunk) & _on_side_of(build.plan, branch, positions)
    block = choose_block(rings, positions, free, joint_rings, root, [row[:, 0] >= 0 for row in walls[trunk]])
    if block is None:
        raise NoRoomError(f'[[socket]] trunk "{trunk}", branch "{branch}": no block of quads in the trunk has room near it for a hole '
                          f'of {root.count} edges; give "{trunk}" more spans or sides, or "{branch}" fewer sides.', trunk)
    build.misfits[trunk] = max(build.misfits.get(trunk, 0.0), block.cost)
    _take_out(build, walls, trunk, block)
    _lay_limb(build, walls, branch, block.phase)
    build.holes[branch] = hole_ring(rings, block)
    _bridge(build, branch)


def _bridge(build: _Build, branch: str) -> None:
    """Join a socket's hole to its branch's first ring, rows evenly between them."""
    hole, first, number = build.holes[branch], build.root_rings[branch], _number(build.plan, branch)
    positions, rows = build.laid(), build.counts.limbs[branch].bridge_rows
    shares = np.arange(1, rows)[:, None, None] / rows
    between = [build.add_vertices(ring, number) for ring in (1.0 - shares) * positions[hole] + shares * positions[first]]
    for low, high in itertools.pairwise([hole, *between, first]):
        build.add_quads(step_down_row(high, low, np.zeros(0, dtype=np.int32)), number)


def _take_out(build: _Build, walls: dict[str, list[IntArray]], trunk: str, block: Block) -> None:
    """Mark the block's quads as gone; a plain row holds one quad a column, in order."""
    for row, column in block_quads(block, len(build.rings[trunk][block.row])):
        walls[trunk][row][column] = -1


def _free_vertices(build: _Build, walls: dict[str, list[IntArray]], trunk: str) -> BoolArray:
    """Vertices with four quads round them and none of their neighbours a pole, so that a hole's corners stay 5-poles."""
    quads = np.concatenate([row[row[:, 0] >= 0] for rows in walls.values() for row in rows] + build.quads)
    faces = np.bincount(quads.ravel(), minlength=build.vertex_count)
    free = np.zeros(build.vertex_count, dtype=np.bool_)
    for ring in build.rings[trunk][1:-1]:
        free[ring] = True
    return free & (faces == 4)


def _on_side_of(plan: LimbPlan, branch: str, positions: FloatArray) -> BoolArray:
    """Points on a branch's own side of the plane that a two-sided plan's cage is cut along, (n,) bool; all where it has no side."""
    if plan.symmetry is None or not is_two_sided(plan) or branch in limbs_on_plane(plan):
        return np.ones(len(positions), dtype=np.bool_)
    axis = AXES[plan.symmetry]
    return np.asarray(positions[:, axis] * plan.limb(branch).joints[:, axis].mean() > 0.0, dtype=np.bool_)


def _finished(build: _Build) -> Assembly:
    """Drop the vertices inside socket blocks and renumber."""
    quads = np.concatenate(build.quads)
    used = np.zeros(build.vertex_count, dtype=np.bool_)
    used[quads.ravel()] = True
    number = np.cumsum(used) - 1
    mesh = PolyMesh.from_quads(build.laid()[used], number[quads])
    held, tip = _marked(build, build.held)[used], _marked(build, build.tips)[used]
    barred = np.zeros((build.vertex_count, 3))
    for vertices, way in build.barred:
        barred[vertices] = way
    barred = barred[used]
    attributes = {VERTEX_LIMB: np.concatenate(build.vertex_limb)[used], JOINT_RING: np.concatenate(build.joint_ring)[used],
                  FACE_LIMB: np.concatenate(build.face_limb)}
    adjacency = build_adjacency(mesh)
    freedom = np.where(tip, 0.0, JUNCTION_FREEDOM * junction_freedom(adjacency, ~tip))
    positions = mesh.positions
    for branch, hole in build.holes.items():
        may_move = ~(held | tip | barred.any(axis=1)) & (attributes[VERTEX_LIMB] != _number(build.plan, branch))
        positions = spread_collar(positions, mesh.quads(), adjacency, number[hole], may_move, build.surface)
    named = PolyMesh(positions, mesh.corner_verts, mesh.face_offsets, attributes)
    webs = _marked(build, build.webs)[used]
    tightest = max(build.misfits, key=lambda trunk: build.misfits[trunk], default="")
    return Assembly(named, held, freedom, barred, webs, tuple(limb.name for limb in build.plan.limbs),
                    build.misfits.get(tightest, 0.0), tightest)


def _marked(build: _Build, rings: Sequence[IntArray]) -> BoolArray:
    """The vertices of some rings, (vertex_count,) bool."""
    marked = np.zeros(build.vertex_count, dtype=np.bool_)
    for ring in rings:
        marked[ring] = True
    return marked
