"""Solve the edge count of every ring before a single vertex is placed.

Sides come from the plan or from girth, spans from square faces, trunk rings from their branches and
webs; where two counts meet that differ, step-downs are placed in rows away from the joints. All counts
are even, so parity holds by construction; what cannot be done in quads is refused with the nearest
counts that can.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from .bend_rows import NO_BEND, RIGHT_ANGLE, Bend, rows_with_bends
from .errors import PlanError
from .limb_size import LimbSize
from .placement import StepDownPlaces, place_step_downs, rows_for_step_downs
from .plan import SIDES_RANGE, Fork, Limb, LimbPlan, Splice
from .polymesh import BoolArray, IntArray
from .socket import least_block
from .two_sided import limbs_on_plane, spliced_on_plane

DEFAULT_DETAIL = 8.0
"""Sides of the thinnest limb where the plan gives neither sides nor a budget (common practice for a digit)."""
STEP_DOWNS_A_ROW = 3
"""Step-downs that share a row by choice, so that they can be staggered (common practice)."""
STEP_ROW_MARGIN = 1
"""Plain rows kept between a step-down and a joint's rings, a fork or a socket."""
SOCKET_ROW = 1.7
"""Rows where a socket takes its block are at most this many edges of its branch long: longer ones leave a hole that does not fit the
branch, and bend poorly with it (tried on a thumb)."""
LIKENESS_POWER = 2.0
"""Under a budget a fork's ring takes after its branches with this power of how far they bend at their roots, as a share of a right angle:
bent fingers need columns in the palm, toes hardly in the foot (tried on an arm and a leg)."""
FLATTEST_ROW = 0.35
"""A row may be this much shorter than square before a bone cut short by its trunk gives up rows."""


@dataclass(frozen=True)
class StepRows:
    """Step-downs in consecutive rows of one limb.

    first_row : the row nearest the root
    starts : for every row from the fuller ring on, upper vertices at which step-downs start
    fuller_at_tip : whether the fuller ring is the one toward the tip
    """

    first_row: int
    starts: tuple[IntArray, ...]
    fuller_at_tip: bool


@dataclass(frozen=True)
class LimbCounts:
    """Ring counts of one limb, root to tip.

    spans : rows of every bone from the first ring on
    rings : (r + 1,) int32, edge count of every ring
    joint_rings : (r + 1,) bool, rings gathered round a bending joint
    step_rows : where the count changes
    cap : (a, b), the grid that closes the tip, or None
    bends : at the root and at the tip of every bone; rows stand closer there
    wanted : rows that every bone would have, not rounded
    """

    spans: tuple[int, ...]
    rings: IntArray
    joint_rings: BoolArray
    step_rows: tuple[StepRows, ...]
    cap: tuple[int, int] | None
    bends: tuple[tuple[Bend, Bend], ...]
    wanted: tuple[float, ...]

    @property
    def rows(self) -> int:
        """Number of rows of quads."""
        return len(self.rings) - 1

    @property
    def bridge_rows(self) -> int:
        """Rows between the hole of a socket and this limb's first ring: two where the limb bends there, since the trunk's skin bends with
        it and one row would be long."""
        return 2 if self.bends[0][0].rows > 0.0 else 1


@dataclass(frozen=True)
class CountPlan:
    """Every count of the cage.

    limbs : counts by limb name
    webs : quads of every web, a tuple per fork, in the plan's order
    quads : most quads that the cage can have; fewer where a socket takes a squarer block out of its trunk
    tips, branches, step_downs : totals; the pole bound is 4 a tip + 4 a branch + 2 a step-down
    """

    limbs: Mapping[str, LimbCounts]
    webs: tuple[tuple[int, ...], ...]
    quads: int
    tips: int
    branches: int
    step_downs: int


@dataclass(frozen=True)
class Fineness:
    """How fine a cage is.

    detail : sides of the thinnest limb
    density : rows per square face between the bends
    bending : rows in the bends as a share of what bends well
    fuller : limbs and numbers of bones that get one row more
    """

    detail: float
    density: float
    bending: float
    fuller: frozenset[tuple[str, int]] = frozenset()


SQUARE = Fineness(DEFAULT_DETAIL, 1.0, 1.0)
"""Of cages without a budget."""


@dataclass(frozen=True)
class _Draft:
    """A limb while its rows are laid out: body count, counts at both ends, rows by purpose."""

    limb: Limb
    size: LimbSize
    body: int
    root: int
    tip: int
    spans: list[int]
    bends: tuple[tuple[Bend, Bend], ...]
    root_rows: int
    tip_rows: int
    root_zone: int
    tip_zone: int
    wanted: tuple[float, ...]


def count_cage(plan: LimbPlan, sizes: Mapping[str, LimbSize], fineness: Fineness) -> CountPlan:
    """All counts of a cage so fine, whatever its budget.

    plan : checked by ``check_plan``; where it has a budget its counts are upper bounds
    sizes : every limb's size by name
    Raises PlanError where no all-quad cage has these counts, with the nearest that has.
    """
    bodies = _chosen_bodies(plan, sizes, fineness.detail)
    webs: dict[str, tuple[int, ...]] = {}
    tips = dict(bodies)
    for fork in _inner_forks_first(plan):
        webs[fork.trunk] = _chosen_webs(plan, fork, bodies, sizes)
        tips[fork.trunk] = sum(bodies[branch] for branch in fork.branches) - sum(2 * web - 2 for web in webs[fork.trunk])
        if plan.limb(fork.trunk).sides is None:
            bodies[fork.trunk] = tips[fork.trunk]
    _even_along_plane(plan, bodies, tips)
    roots = dict(bodies)
    drafts = {limb.name: _draft(plan, limb, sizes, bodies, roots, tips, fineness) for limb in plan.limbs}
    for splice in plan.splices:
        _share_splice(plan, splice, drafts)
    for fork in plan.forks:
        _share_fork(fork, drafts)
    limbs = {name: _limb_counts(plan, draft) for name, draft in drafts.items()}
    return _totals(plan, limbs, tuple(webs[fork.trunk] for fork in plan.forks))


def _even_along_plane(plan: LimbPlan, bodies: dict[str, int], tips: dict[str, int]) -> None:
    """Give spliced limbs on the mirror plane one count, their fork's where they have one: then a strip runs straight along it."""
    for group in spliced_on_plane(plan):
        trunks = [fork.trunk for fork in plan.forks if fork.trunk in group]
        shared = bodies[trunks[0]] if trunks else max(bodies[name] for name in group)
        for name in group:
            if plan.limb(name).sides is None:
                bodies[name] = shared
                tips[name] = tips[name] if name in trunks else shared


def _inner_forks_first(plan: LimbPlan) -> list[Fork]:
    """Forks so that each comes after those whose trunks are its branches."""
    order: list[Fork] = []
    waiting = list(plan.forks)
    while waiting:
        trunks = {fork.trunk for fork in waiting}
        ready = [fork for fork in waiting if not trunks & set(fork.branches)]
        order += ready
        waiting = [fork for fork in waiting if fork not in ready]
    return order


def _chosen_bodies(plan: LimbPlan, sizes: Mapping[str, LimbSize], detail: float) -> dict[str, int]:
    """Sides of every limb: its own, or from girth; sides grow with the root of the girth, so that a thick limb's
    faces stand off its skin no more than a thin one's."""
    girth = {name: float(np.average(size.bone_girths, weights=size.bone_lengths)) for name, size in sizes.items()}
    thinnest = min(girth.values())
    for fork in plan.forks:
        shared = float(np.median([girth[branch] for branch in fork.branches]))
        girth |= dict.fromkeys(fork.branches, shared)
    bodies = {}
    for limb in plan.limbs:
        sides = int(np.clip(2 * round(detail * math.sqrt(girth[limb.name] / thinnest) / 2), *SIDES_RANGE))
        if limb.sides is not None:
            sides = min(sides, limb.sides) if plan.quad_budget is not None else limb.sides
        elif plan.quad_budget is None:
            sides = max(sides, _least_sides(plan, limb.name))
        bodies[limb.name] = sides
    return bodies


def _least_sides(plan: LimbPlan, name: str) -> int:
    """Sides that leave a branch two free edges beside the webs that the plan gives it, even."""
    join = plan.root_join(name)
    if not isinstance(join, Fork) or join.webs is None:
        return SIDES_RANGE[0]
    index = join.branches.index(name)
    given = sum(join.webs[max(index - 1, 0) : index + 1])
    return given + 2 + given % 2


def _chosen_webs(plan: LimbPlan, fork: Fork, bodies: Mapping[str, int], sizes: Mapping[str, LimbSize]) -> tuple[int, ...]:
    """Webs of the plan where they fit, or one width for all gaps that makes the trunk's faces most like its branches'; where a
    budget must be met and the branches bend little, the trunk's ring comes between that and the trunk's own sides (weighted
    geometric mean), and the quads that this saves go where the limbs bend."""
    counts = [bodies[branch] for branch in fork.branches]
    inner = counts[1:-1] or [2 * min(counts)]
    widest = max(1, min((min(inner) - 2) // 2, min(counts[0], counts[-1]) - 2))
    if fork.webs is not None:
        return tuple(min(web, widest) if plan.quad_budget is not None else web for web in fork.webs)
    branch_edge = float(np.mean([sizes[branch].bone_girths[0] for branch in fork.branches])) / float(np.mean(counts))
    alike = float(sizes[fork.trunk].bone_girths[-1]) / branch_edge
    turn = max(sizes[branch].root_turn for branch in fork.branches)
    likeness = 1.0 if plan.quad_budget is None else min(1.0, turn / RIGHT_ANGLE) ** LIKENESS_POWER
    wanted = bodies[fork.trunk] ** (1.0 - likeness) * alike**likeness

    def misfit(web: int) -> float:
        trunk = sum(counts) - (len(counts) - 1) * (2 * web - 2)
        return abs(math.log(max(trunk, 1) / wanted))

    return (min(range(1, widest + 1), key=misfit),) * (len(counts) - 1)


def _draft(plan: LimbPlan, limb: Limb, sizes: Mapping[str, LimbSize], bodies: Mapping[str, int], roots: Mapping[str, int],
           tips: Mapping[str, int], fineness: Fineness) -> _Draft:
    size = sizes[limb.name]
    half = limb.loops_beside
    root_join, tip_join = plan.root_join(limb.name), plan.tip_join(limb.name)
    root_zone = half if isinstance(root_join, Splice) else 0
    tip_zone = half if isinstance(tip_join, Splice) else 0
    count = len(size.bone_lengths)
    spans, bends, wanted = [], [], []
    for bone in range(count):
        plain_row = float(size.bone_girths[bone]) / bodies[limb.name] / fineness.density
        if bone == count - 1:
            plain_row = min([plain_row, *(SOCKET_ROW * float(sizes[socket.branch].bone_girths[0]) / bodies[socket.branch]
                                          for socket in plan.sockets_of(limb.name))])
        square = plan.quad_budget is None and limb.spans is None
        bends.append((NO_BEND, NO_BEND) if square else _with_rows(size.bends(bone), fineness.bending))
        wanted.append(rows_with_bends(float(size.bone_lengths[bone]), plain_row, bends[bone]))
        zones = (half if bone or root_zone else 0) + (half if bone < count - 1 or tip_zone else 0)
        zones += 1 if limb.tip == "closed" and bone == count - 1 else 0
        zones += 1 if plan.is_branch(limb.name) and bone == 0 and zones else 0
        rows = max(math.ceil(wanted[bone] - 0.5), zones + 1, _least_rows(plan, limb, bodies, bone, count))
        spans.append(rows + ((limb.name, bone) in fineness.fuller))
    given = _given_spans(limb, size, bodies[limb.name])
    if given is not None:
        spans = [min(a, b) for a, b in zip(given, spans, strict=True)] if plan.quad_budget is not None else list(given)
    return _Draft(limb, size, bodies[limb.name], roots[limb.name], tips[limb.name], spans, tuple(bends), 0, 0, root_zone, tip_zone,
                  tuple(wanted))


def _with_rows(bends: tuple[Bend, Bend], share: float) -> tuple[Bend, Bend]:
    """Bends with a share of their rows."""
    root, tip = (Bend(bend.reach, share * bend.rows) for bend in bends)
    return root, tip


def _given_spans(limb: Limb, size: LimbSize, sides: int) -> list[int] | None:
    """The plan's spans from the first ring on; a bone cut short by its trunk keeps only rows that are not slivers."""
    if limb.spans is None:
        return None
    spans = list(limb.spans[size.first_bone :])
    most = size.bone_lengths[0] / (FLATTEST_ROW * size.bone_girths[0] / sides)
    if size.shortened < 0.95:
        spans[0] = max(1, min(spans[0], math.floor(most)))
    return spans


def _least_rows(plan: LimbPlan, limb: Limb, bodies: Mapping[str, int], bone: int, count: int) -> int:
    """Rows that a trunk's last bone needs for its sockets and for the plain row before a fork."""
    if bone != count - 1:
        return 1
    half = limb.loops_beside
    sockets = [bodies[socket.branch] // 4 for socket in plan.sockets_of(limb.name)]
    fork = 1 if isinstance(plan.tip_join(limb.name), Fork) else 0
    return half + 1 + (max(sockets) + 1 if sockets else 0) + fork


def _share_splice(plan: LimbPlan, splice: Splice, drafts: dict[str, _Draft]) -> None:
    """Give the step-downs of a splice to the limb with more room beside the joint, and both limbs one count there."""
    lower, upper = drafts[splice.lower], drafts[splice.upper]
    if lower.tip == upper.root:
        return
    fuller, lesser = max(lower.tip, upper.root), min(lower.tip, upper.root)
    rows = splice.rows or _step_rows(fuller, lesser)
    if not _fits(fuller, lesser, rows):
        raise PlanError(_splice_refusal(splice, lower.tip, upper.root, rows))
    bent_short = len(upper.spans) == 1 and (bool(plan.sockets_of(splice.upper)) or isinstance(plan.tip_join(splice.upper), Fork))
    crowded = bent_short or upper.tip != upper.body
    room_lower = lower.spans[-1] - lower.limb.loops_beside - lower.tip_zone
    room_upper = -1 if crowded else upper.spans[0] - upper.limb.loops_beside - upper.root_zone
    if room_lower >= room_upper:
        drafts[splice.lower] = _with_tip_rows(replace(lower, tip=upper.root), rows)
    else:
        drafts[splice.upper] = _with_root_rows(replace(upper, root=lower.tip), rows)


def _share_fork(fork: Fork, drafts: dict[str, _Draft]) -> None:
    trunk = drafts[fork.trunk]
    if trunk.tip == trunk.body:
        return
    fuller, lesser = max(trunk.tip, trunk.body), min(trunk.tip, trunk.body)
    rows = _step_rows(fuller, lesser)
    if not _fits(fuller, lesser, rows):
        raise PlanError(f'[[fork]] trunk "{fork.trunk}": its branches and webs make a ring of {trunk.tip} edges, too far from its '
                        f"{trunk.body} sides; give it {trunk.tip} sides or leave sides out.")
    drafts[fork.trunk] = _with_tip_rows(trunk, rows + 1)


def _with_tip_rows(draft: _Draft, rows: int) -> _Draft:
    return _with_room(replace(draft, tip_rows=rows))


def _with_root_rows(draft: _Draft, rows: int) -> _Draft:
    return _with_room(replace(draft, root_rows=rows))


def _with_room(draft: _Draft) -> _Draft:
    """Rows enough in the end bones for their step-downs, with plain rows on both sides of them."""
    half = draft.limb.loops_beside
    at_root = draft.root_rows + 2 * STEP_ROW_MARGIN if draft.root_rows else 0
    at_tip = draft.tip_rows + 2 * STEP_ROW_MARGIN if draft.tip_rows else 0
    spans = list(draft.spans)
    if len(spans) == 1:
        spans[0] = max(spans[0], draft.root_zone + at_root + at_tip + draft.tip_zone)
    else:
        spans[0] = max(spans[0], draft.root_zone + at_root + half if at_root else 0)
        spans[-1] = max(spans[-1], half + at_tip + draft.tip_zone if at_tip else 0)
    return replace(draft, spans=spans)


def _step_rows(fuller: int, lesser: int) -> int:
    """Rows for a change of count where the plan names none: staggered, a few step-downs a row."""
    step_downs = (fuller - lesser) // 2
    return max(rows_for_step_downs(fuller, step_downs), math.ceil(step_downs / STEP_DOWNS_A_ROW))


def _fits(fuller: int, lesser: int, rows: int) -> bool:
    try:
        _placed(fuller, (fuller - lesser) // 2, rows)
    except PlanError:
        return False
    return True


@lru_cache(maxsize=512)
def _placed(ring_count: int, step_downs: int, rows: int) -> StepDownPlaces:
    """The same few changes of count come up again and again while a budget is met."""
    return place_step_downs(ring_count, step_downs, rows)


def _splice_refusal(splice: Splice, lower: int, upper: int, rows: int) -> str:
    fuller, lesser = max(lower, upper), min(lower, upper)
    reachable = next((count for count in range(lesser, fuller + 1, 2) if _fits(fuller, count, rows)), fuller)
    enough = next((more for more in range(rows, 65) if _fits(fuller, lesser, more)), None)
    second = f"or rows = {enough}" if enough else f"or {lesser} edges on both"
    return (f'[[splice]] upper "{splice.upper}", lower "{splice.lower}", rows: a ring of {fuller} edges cannot reach {lesser} in '
            f"{rows} rows of quads; the nearest plans that can: {reachable} edges instead of {lesser}, {second}.")


def _limb_counts(plan: LimbPlan, draft: _Draft) -> LimbCounts:
    rows = sum(draft.spans)
    rings = np.full(rows + 1, draft.body, dtype=np.int32)
    step_rows = []
    if draft.root != draft.body:
        first = draft.root_zone + _margin(draft, at_tip=False)
        step_rows.append(_place(rings, first, draft.root_rows, draft.root, draft.body))
        rings[:first] = draft.root
    if draft.tip != draft.body:
        fork_margin = 1 if isinstance(plan.tip_join(draft.limb.name), Fork) else 0
        count = draft.tip_rows - fork_margin
        first = rows - draft.tip_zone - fork_margin - count - (STEP_ROW_MARGIN if fork_margin else _margin(draft, at_tip=True))
        step_rows.append(_place(rings, first, count, draft.body, draft.tip))
        rings[first + count :] = draft.tip
    cap = _cap(draft.tip) if draft.limb.tip == "closed" else None
    return LimbCounts(tuple(draft.spans), rings, _joint_rings(draft, rows), tuple(step_rows), cap, draft.bends, draft.wanted)


def _margin(draft: _Draft, *, at_tip: bool) -> int:
    """Plain rows between a joint's rings and the step-downs: two or half of the bend's rows where the end bone has room, since a bend draws
    rows together."""
    half = draft.limb.loops_beside
    if len(draft.spans) == 1:
        taken = draft.root_zone + draft.root_rows + draft.tip_rows + draft.tip_zone
    else:
        taken = half + (draft.tip_rows + draft.tip_zone if at_tip else draft.root_zone + draft.root_rows)
    shared = len(draft.spans) == 1 and draft.root_rows > 0 and draft.tip_rows > 0
    room = draft.spans[-1 if at_tip else 0] - taken - (2 * STEP_ROW_MARGIN if shared else 0)
    bend = draft.bends[-1][1] if at_tip else draft.bends[0][0]
    comfortable = (max(STEP_ROW_MARGIN + 1, round(0.5 * bend.rows)), STEP_ROW_MARGIN + 1)
    return next((margin for margin in comfortable if room >= 2 * margin), STEP_ROW_MARGIN)


def _place(rings: IntArray, first_row: int, rows: int, root_count: int, tip_count: int) -> StepRows:
    fuller_at_tip = tip_count > root_count
    places = _placed(max(root_count, tip_count), abs(root_count - tip_count) // 2, rows)
    counts = places.ring_counts[::-1] if fuller_at_tip else places.ring_counts
    rings[first_row : first_row + rows + 1] = counts
    return StepRows(first_row, places.starts, fuller_at_tip)


def _joint_rings(draft: _Draft, rows: int) -> BoolArray:
    """Rings of the joint zones: the ring at each bending joint and its gathered neighbours, never a branch's first ring."""
    marked = np.zeros(rows + 1, dtype=np.bool_)
    half = draft.limb.loops_beside
    ends = np.cumsum(draft.spans)
    centres = [int(end) for end in ends[:-1]]
    centres += [0] if draft.root_zone else []
    centres += [rows] if draft.tip_zone else []
    if draft.limb.joint_loops:
        for centre in centres:
            marked[max(centre - half, 0) : centre + half + 1] = True
    if not draft.root_zone:
        marked[0] = False
    if not draft.tip_zone:
        marked[-1] = False
    return marked


def _cap(count: int) -> tuple[int, int]:
    short = count // 4
    return short, count // 2 - short


def _quads_along_plane(plan: LimbPlan, limbs: Mapping[str, LimbCounts], webs: tuple[tuple[int, ...], ...]) -> int:
    """Quads that a two-sided cage gains where the strip round it is parted along the mirror plane, once in front and once behind."""
    lying = limbs_on_plane(plan)
    in_webs = sum(sum(web) for fork, web in zip(plan.forks, webs, strict=True) if fork.trunk in lying)
    return sum(2 * limbs[name].rows for name in lying) + in_webs


def _totals(plan: LimbPlan, limbs: Mapping[str, LimbCounts], webs: tuple[tuple[int, ...], ...]) -> CountPlan:
    quads = sum(int(counts.rings[:-1].sum() + counts.rings[1:].sum()) // 2 for counts in limbs.values())
    quads += sum(counts.cap[0] * counts.cap[1] for counts in limbs.values() if counts.cap)
    quads += sum(sum(each) for each in webs)
    for socket in plan.sockets:
        sides = int(limbs[socket.branch].rings[0])
        quads += limbs[socket.branch].bridge_rows * sides - least_block(sides)
    quads += _quads_along_plane(plan, limbs, webs)
    step_downs = sum(len(starts) for counts in limbs.values() for step in counts.step_rows for starts in step.starts)
    tips = sum(counts.cap is not None for counts in limbs.values())
    branches = sum(len(fork.branches) - 1 for fork in plan.forks) + len(plan.sockets)
    return CountPlan(limbs, webs, quads, tips, branches, step_downs)
