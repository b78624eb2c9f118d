"""The main line: a limb plan and a target go in, a finished cage comes out."""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .adjacency import build_adjacency
from .assemble import Assembly, assemble, tips_first
from .budget import solve_counts
from .clefts import joint_tube
from .counts import CountPlan
from .errors import MeshError, NoRoomError, PlanError
from .explicit_plan import all_spans, body_sides
from .frames import unit
from .joined import continuation, join_ends
from .limb_size import LimbSize, limb_sizes
from .measure import LEAST_SIDES_WITH_INNER, Measure, measure_limb
from .mirror import AXES, mirror_mesh, mirrored
from .outward import outward_surface
from .plan import SIDES_RANGE, Fork, Limb, LimbPlan, check_plan
from .poles import JointZone, PlanTally, count_poles, find_step_downs
from .polymesh import BoolArray, FloatArray, PolyMesh
from .section import Tube
from .settle import settle
from .surface import Surface
from .symmetric_cage import even_assembly
from .two_sided import is_two_sided, limb_images, spliced_on_plane
from .zones import joint_zones

Progress = Callable[[str, float], None]
"""Told the stage that begins and the share of the work done before it, 0 to 1."""
Draft = Callable[[PolyMesh, CountPlan], None]
"""Shown the cage before it settles, and its counts: its topology is final, its vertices lie on the target roughly."""
Measures = MutableMapping[bytes, Measure]
"""Measures on one target by all that they depend on: a limb of which only counts have changed is not measured again."""

JOINT_SLACK = 0.25
"""A joint at a limb's end may lie this share of its bone off the skin: a rig's fingertips and the middle of an open end do."""
REFINED = 1.25
MOST_REFININGS = 6
"""A trunk without room for its sockets gets so many times as many sides and rows, tried so often: three times as many in all at most."""
TIGHT = 1.5
"""A trunk that once had no room is counted finer until no hole fits its branch worse, as one 1.2 branch radii off its place (measured:
at most 1.2 where sockets have room, 1.9 to 3.8 where they crowd; shoulders alone may fit as badly and come out well)."""
WELD_SHARE = 0.5
"""An open end whose vertices lie within half a mean edge of the mirror plane is welded on it."""


@dataclass(frozen=True)
class BuildResult:
    """A finished cage and what the inspection needs to judge it.

    mesh : all quads, on the target; attributes vertex.limb, vertex.joint_ring, face.face_limb
    plan : the plan as built
    counts : every ring's count
    tally : tips, branches and step-downs of the whole cage, both sides of a mirrored one
    zones : where no pole should lie
    steps : relaxation steps taken
    inside_out : whether the target's faces are wound to look inward
    """

    mesh: PolyMesh
    plan: LimbPlan
    counts: CountPlan
    tally: PlanTally
    zones: tuple[JointZone, ...]
    steps: int
    inside_out: bool


def build_cage(plan: LimbPlan, surface: Surface, progress: Progress = lambda stage, share: None,
               draft: Draft = lambda mesh, counts: None, known: Measures | None = None) -> BuildResult:
    """Build the finished cage of a plan on a target.

    surface : the target; its faces may be wound either way
    progress : told of every stage
    draft : shown the cage before it settles
    known : measures of earlier builds on the same target, to which this one adds its own
    Raises PlanError where the plan does not fit the target or no all-quad cage has its counts.
    """
    check_plan(plan)
    progress("Measuring limbs", 0.0)
    joined = join_ends(plan)
    outward = outward_surface(surface, np.concatenate([limb.joints for limb in joined.limbs]))
    check_joints(joined, outward)
    measures = measure_limbs(joined, outward, known)
    progress("Counting rings", 0.35)
    sizes = limb_sizes(joined, measures)
    counts = solve_counts(joined, sizes)
    progress("Assembling quads", 0.4)
    counts, assembly = fitting_assembly(joined, sizes, counts, measures, outward)
    even = even_assembly(assembly, joined, plan.symmetry) if plan.symmetry is not None and is_two_sided(plan) else None
    assembly = assembly if even is None else even.assembly
    draft(assembly.mesh if plan.symmetry is None or even is not None else _with_image(plan.symmetry, assembly.mesh, assembly.held), counts)
    progress("Settling", 0.5)
    settled = settle(assembly.mesh, outward, assembly.held, assembly.freedom, assembly.barred, webs=assembly.webs)
    mesh = assembly.mesh.with_positions(settled.positions)
    tally = PlanTally(counts.tips, counts.branches, counts.step_downs)
    zones = joint_zones(joined, counts, measures)
    if even is not None:
        mesh = even.evened(mesh, outward)
        tally = replace(tally, step_downs=len(find_step_downs(mesh, count_poles(mesh, build_adjacency(mesh)))))
    elif plan.symmetry is not None:
        mesh, tally, zones = _mirrored(plan.symmetry, mesh, assembly.held, tally, zones)
    progress("Done", 1.0)
    return BuildResult(mesh, plan, counts, tally, zones, settled.steps, outward is not surface)


def fitting_assembly(plan: LimbPlan, sizes: Mapping[str, LimbSize], counts: CountPlan, measures: Mapping[str, Measure],
                     surface: Surface) -> tuple[CountPlan, Assembly]:
    """The cage before it settles, and its counts: those given, or others where its sockets need them.

    counts : solved for the plan and these sizes
    Raises PlanError where a socket finds no room in its trunk.
    """
    chosen = _with_room if plan.quad_budget is None else _within_budget
    return chosen(plan, sizes, counts, measures, surface)


def _within_budget(plan: LimbPlan, sizes: Mapping[str, LimbSize], counts: CountPlan, measures: Mapping[str, Measure],
                   surface: Surface) -> tuple[CountPlan, Assembly]:
    """A slit, the hole in a trunk without room for a wider one, takes fewer quads out than are counted on: then counts of so many fewer."""
    assembly = assemble(plan, counts, measures, surface)
    over = assembly.mesh.face_count - counts.quads
    if over <= 0:
        return counts, assembly
    fewer = solve_counts(replace(plan, quad_budget=(plan.quad_budget or 0) - (1 if plan.symmetry is None else 2) * over), sizes)
    return fewer, assemble(plan, fewer, measures, surface)


def _with_room(plan: LimbPlan, sizes: Mapping[str, LimbSize], counts: CountPlan, measures: Mapping[str, Measure],
               surface: Surface) -> tuple[CountPlan, Assembly]:
    """Finer counts where a trunk has no room for its sockets and the plan leaves its counts open, until they fit well; of all that were
    tried those whose holes fit best."""
    best, refused, roomy = None, None, plan
    for _ in range(MOST_REFININGS):
        try:
            assembly = assemble(roomy, counts, measures, surface)
        except NoRoomError as error:
            refused, tightest = error, error.trunk
        else:
            tightest = assembly.tightest
            if best is None or assembly.misfit < best[1].misfit:
                best = counts, assembly
            if refused is None or assembly.misfit <= TIGHT:
                break
        roomy = roomier(roomy, plan, counts, tightest)
        try:
            counts = solve_counts(roomy, sizes)
        except PlanError:  # finer counts that do not go with those that the plan gives
            break
    if best is None:
        raise refused or PlanError("The limb plan cannot be assembled.")
    return best


def roomier(tried: LimbPlan, plan: LimbPlan, counts: CountPlan, trunk: str) -> LimbPlan:
    """What was tried with finer counts for a trunk and its image, as far as the plan leaves them open: more rows, and more sides where
    no fork and no mirror plane ties them to those of other limbs.

    counts : those that were too few
    """
    names = {trunk, limb_images(plan, plan.symmetry).get(trunk, trunk)} if plan.symmetry else {trunk}
    tied = {name for group in spliced_on_plane(plan) if len(group) > 1 for name in group} | {fork.trunk for fork in plan.forks}

    def finer(limb: Limb, asked: Limb) -> Limb:
        sides = min(2 * math.ceil(0.5 * REFINED * body_sides(counts.limbs[limb.name])), SIDES_RANGE[1])
        return replace(limb, spans=asked.spans or tuple(math.ceil(REFINED * rows) for rows in all_spans(limb, counts)),
                       sides=sides if asked.sides is None and limb.name not in tied else limb.sides)

    return replace(tried, limbs=tuple(finer(limb, plan.limb(limb.name)) if limb.name in names else limb for limb in tried.limbs))


def measure_limbs(plan: LimbPlan, surface: Surface, known: Measures | None = None) -> dict[str, Measure]:
    """Measure every limb of a plan, branches before their trunks.

    surface : normals point outward
    known : earlier measures on this surface, which are taken where they still hold and added to
    """
    kept: Measures = {} if known is None else known
    measures: dict[str, Measure] = {}
    tubes = {branch: joint_tube(plan.limb(branch).joints, surface) for fork in plan.forks for branch in fork.branches}
    for name in tips_first(plan):
        limb, join = plan.limb(name), plan.tip_join(name)
        end = np.mean([measures[branch].centres[0] for branch in join.branches], axis=0) if isinstance(join, Fork) else None
        obstacles = [measures[socket.branch].tube() for socket in plan.sockets_of(name)]
        asked: dict[str, Any] = {
            "leaves_trunk": plan.is_branch(name), "open_root": plan.root_join(name) is None,
            "continuation": continuation(plan, name), "end": end, "up": _up(plan, limb), "obstacles": obstacles,
            "beside": _beside(plan, name, tubes)}
        key = _measure_key(limb, asked)
        if key not in kept:
            kept[key] = measure_limb(limb, surface, **asked)
        measures[name] = kept[key]
    return measures


def _beside(plan: LimbPlan, name: str, tubes: Mapping[str, Tube]) -> list[Tube]:
    """The limbs next to a branch in its fork, as it sees them."""
    join = plan.root_join(name)
    branches = join.branches if isinstance(join, Fork) else ()
    place = branches.index(name) if branches else 0
    return [tubes[branch] for index, branch in enumerate(branches) if abs(index - place) == 1]


def _measure_key(limb: Limb, asked: dict[str, Any]) -> bytes:
    """All that a limb's measure depends on, as bytes; of its counts only whether its cap has a vertex at the apex."""
    flat_cap = limb.sides is not None and limb.sides < LEAST_SIDES_WITH_INNER
    return pickle.dumps((limb.joints, limb.tip, limb.radius, limb.up is not None, flat_cap, asked))


def check_joints(plan: LimbPlan, surface: Surface) -> None:
    """Check that a plan's joints lie inside the target.

    Raises PlanError that names the limb and the joint, or says that the plan and the target are far apart.
    """
    joints = np.concatenate([limb.joints for limb in plan.limbs])
    outside = ~surface.inside(joints)
    low, high = surface.bounds
    if not np.isfinite(surface.diagonal) or surface.diagonal <= 0:
        raise MeshError("The target has no extent; give a target with faces.")
    if outside.all():
        raise PlanError(f"The limb plan: no joint lies inside the target; the joints span {_span(joints.min(axis=0), joints.max(axis=0))}, "
                        f"the target {_span(low, high)}, so check the plan's unit and the target's scale.")
    start = 0
    for limb in plan.limbs:
        stop = start + len(limb.joints)
        _check_limb_joints(limb, outside[start:stop], surface)
        start = stop


def _check_limb_joints(limb: Limb, outside: BoolArray, surface: Surface) -> None:
    bones = np.linalg.norm(np.diff(limb.joints, axis=0), axis=1)
    for index in np.flatnonzero(outside):
        at_end = index in (0, len(limb.joints) - 1)
        bone = bones[0] if index == 0 else bones[index - 1]
        distance = float(surface.closest(limb.joints[index][None]).distances[0])
        if at_end and (distance <= JOINT_SLACK * bone or _enters_soon(limb, int(index), surface)):
            continue
        raise PlanError(f'[[limb]] "{limb.name}", joints: joint {index + 1} at {_point(limb.joints[index])} lies outside the target, '
                        f"{distance:.3g} from its skin; move it inside.")


def _enters_soon(limb: Limb, index: int, surface: Surface) -> bool:
    """Whether the limb is inside a little way along its end bone, as at a target that is cut open there."""
    neighbour = limb.joints[1] if index == 0 else limb.joints[-2]
    point = limb.joints[index] + JOINT_SLACK * (neighbour - limb.joints[index])
    return bool(surface.inside(point[None])[0])


def _span(low: FloatArray, high: FloatArray) -> str:
    return f"{_point(low)} to {_point(high)}"


def _point(point: FloatArray) -> str:
    return "[" + ", ".join(f"{value:.4g}" for value in point) + "]"


def _up(plan: LimbPlan, limb: Limb) -> FloatArray | None:
    """The plan's up, or for the branches of a fork one direction alike: square to the trunk and to the row of branches."""
    join = plan.root_join(limb.name)
    if limb.up is not None or not isinstance(join, Fork):
        return limb.up
    first, last = plan.limb(join.branches[0]), plan.limb(join.branches[-1])
    across = unit(last.joints[0] - first.joints[0])
    normal = np.cross(unit(limb.joints[1] - limb.joints[0]), across)
    return unit(normal) if np.linalg.norm(normal) > 0.1 else None


def _mirrored(plane: str, mesh: PolyMesh, held: BoolArray, tally: PlanTally,
              zones: tuple[JointZone, ...]) -> tuple[PolyMesh, PlanTally, tuple[JointZone, ...]]:
    images = tuple(replace(zone, name=f"{zone.name}, mirrored", centre=mirrored(zone.centre, plane), axis=mirrored(zone.axis, plane))
                   for zone in zones)
    both = PlanTally(2 * tally.tips, 2 * tally.branches, 2 * tally.step_downs)
    return _with_image(plane, mesh, held), both, zones + images


def _with_image(plane: str, mesh: PolyMesh, held: BoolArray) -> PolyMesh:
    """The cage with its mirror image, welded where an open end lies on the plane."""
    quads = mesh.quads()
    edge = float(np.mean(np.linalg.norm(mesh.positions[quads[:, 1]] - mesh.positions[quads[:, 0]], axis=1)))
    return mirror_mesh(mesh, plane, held & (np.abs(mesh.positions[:, AXES[plane]]) < WELD_SHARE * edge))
