"""Better bends within the budget: try other joint loops, measure the cage that they give, keep what bends better.

Nothing is assumed: every trial is built and bent. A change is kept only where no figure of the whole cage gets
worse: verdicts, volume kept, smallest scaled Jacobian, faces turned over, faces in all, poles and fit stay at least as good.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .adjacency import build_adjacency
from .build import BuildResult, Progress, build_cage
from .errors import PlanError
from .flex import Flex, flex_test, skinned
from .flex_report import GRADES, grade
from .joint_motion import JOINT_RANGES, JointRange
from .plan import JOINT_LOOPS_RANGE, Fork, Limb, LimbPlan, Socket
from .quality import scaled_jacobian
from .skeleton import skeleton_of
from .surface import Surface

MOST_TRIALS = 24
"""Cages that a search builds at most."""
TRIED_LOOPS = (3, 5, 7)
"""Joint loops that are tried: odd, so that one lies on the joint itself."""
MEASURABLE = 1e-3
"""A gain in a share of volume or in a scaled Jacobian that is smaller is none."""
SAME = 1e-9
"""Rounding; a loss that is larger is one."""


@dataclass(frozen=True)
class BendScore:
    """How a whole cage bends, and what it must not lose for it.

    poor, fair : joints by verdict
    volume : mean share of volume kept at the joints, each at its worst motion
    jacobian : mean of the joints' smallest scaled Jacobians
    flipped : mean share of a joint's bending faces that are turned over at its worst motion
    quads : faces in all
    resting_jacobian : smallest scaled Jacobian at rest
    weight : deviations of all valences from a regular grid's
    """

    poor: int
    fair: int
    volume: float
    jacobian: float
    flipped: float
    quads: int
    resting_jacobian: float
    weight: int

    def no_worse_than(self, other: BendScore) -> bool:
        """Whether every figure is at least as good."""
        return (self.poor <= other.poor and self.poor + self.fair <= other.poor + other.fair
                and self.volume >= other.volume - SAME
                and self.jacobian >= other.jacobian - SAME and self.flipped <= other.flipped + SAME and self.weight <= other.weight
                and self.resting_jacobian >= min(other.resting_jacobian, SOUND_JACOBIAN) - SAME)

    def better_than(self, other: BendScore) -> bool:
        """Whether every figure is at least as good and one of the bends measurably better."""
        gain = (self.poor < other.poor or self.poor + self.fair < other.poor + other.fair or self.volume > other.volume + MEASURABLE
                or self.jacobian > other.jacobian + MEASURABLE or self.flipped < other.flipped - MEASURABLE)
        return gain and self.no_worse_than(other)


SOUND_JACOBIAN = 0.5
"""A cage whose worst quad keeps this scaled Jacobian at rest is as sound as any; only below it a loss counts."""


@dataclass(frozen=True)
class Change:
    """One change of the plan that was kept.

    limbs : whose joint loops changed
    loops : their new number
    before, after : the cage's score
    """

    limbs: tuple[str, ...]
    loops: int
    before: BendScore
    after: BendScore

    def __str__(self) -> str:
        names = ", ".join(self.limbs)
        return (f"joint_loops = {self.loops} for {names}: volume kept {self.before.volume:.3f} to {self.after.volume:.3f}, smallest scaled "
                f"Jacobian {self.before.jacobian:.3f} to {self.after.jacobian:.3f}, faces turned over {self.before.flipped:.1%} to "
                f"{self.after.flipped:.1%}")


@dataclass(frozen=True)
class Improvement:
    """The best cage that the search found; the first one where nothing was better.

    plan : without a budget of its own it is the plan that was given, but for the joint loops
    trials : cages that were built, the first one among them
    """

    plan: LimbPlan
    result: BuildResult
    flex: Flex
    start: BendScore
    score: BendScore
    changes: tuple[Change, ...]
    trials: int


Builder = Callable[[LimbPlan], BuildResult]


def improve(plan: LimbPlan, surface: Surface, *, ranges: Mapping[str, JointRange] = JOINT_RANGES, most_trials: int = MOST_TRIALS,
            progress: Progress = lambda stage, share: None) -> Improvement:
    """Search the joint loops of a plan's limbs for a cage that bends better within the budget.

    A plan without a budget gets as many quads as its first cage has.
    Raises PlanError where the plan itself cannot be built.
    """
    progress("Building the first cage", 0.0)
    first = build_cage(plan, surface)
    flex = _bent(plan, first, ranges)
    start = score(first, flex)
    bounded = plan if plan.quad_budget is not None else replace(plan, quad_budget=_quads(first))
    best = Improvement(plan, first, flex, start, start, (), 1)
    for names, loops in _changes(plan):
        if best.trials >= most_trials:
            break
        progress(f"Trying {loops} loops for {', '.join(names)}", best.trials / most_trials)
        best = _tried(best, bounded, names, loops, surface, ranges)
    progress("Done", 1.0)
    return best


def score(result: BuildResult, flex: Flex) -> BendScore:
    """How a built cage bends."""
    joints = [joint for joint in flex.joints if joint.motions]
    grades = [grade(joint) for joint in joints]
    adjacency = build_adjacency(result.mesh)
    off = np.where(adjacency.boundary_vertex, 3, 4) - adjacency.valence
    flipped = [max(each.flipped_faces for each in joint.motions) / max(len(joint.worst_faces), 1) for joint in joints]
    return BendScore(
        grades.count(GRADES[2]), grades.count(GRADES[1]),
        float(np.mean([min(each.volume_kept for each in joint.motions) for joint in joints] or [1.0])),
        float(np.mean([min(each.smallest_jacobian for each in joint.motions) for joint in joints] or [1.0])),
        float(np.mean(flipped or [0.0])), result.mesh.face_count,
        float(scaled_jacobian(result.mesh.positions[result.mesh.quads()]).min(initial=1.0)), int(np.abs(off).sum()))


def _changes(plan: LimbPlan) -> Iterator[tuple[tuple[str, ...], int]]:
    """Changes in the order of their promise: all limbs at once, all branches of a join, then limb by limb."""
    bending = [limb.name for limb in plan.limbs if _bends(plan, limb)]
    groups: list[Sequence[str]] = [bending]
    groups += [[name for name in fork.branches if name in bending] for fork in plan.forks]
    groups += [[name] for name in bending]
    seen = set()
    for group in groups:
        for loops in TRIED_LOOPS:
            change = (tuple(group), loops)
            if group and change not in seen and JOINT_LOOPS_RANGE[0] <= loops <= JOINT_LOOPS_RANGE[1]:
                seen.add(change)
                yield change


def _bends(plan: LimbPlan, limb: Limb) -> bool:
    """Whether a limb has joints of its own or shares one through a splice."""
    join = plan.root_join(limb.name)
    return len(limb.joints) > 2 or (join is not None and not isinstance(join, Fork | Socket))


def _tried(best: Improvement, bounded: LimbPlan, names: tuple[str, ...], loops: int, surface: Surface,
           ranges: Mapping[str, JointRange]) -> Improvement:
    """The best so far after one more trial."""
    limbs = tuple(replace(limb, joint_loops=loops) if limb.name in names else limb for limb in best.plan.limbs)
    if all(limb.joint_loops == old.joint_loops for limb, old in zip(limbs, best.plan.limbs, strict=True)):
        return best
    plan = replace(best.plan, limbs=limbs)
    try:
        result = build_cage(replace(plan, quad_budget=bounded.quad_budget), surface)
    except PlanError:
        return replace(best, trials=best.trials + 1)
    flex = _bent(plan, result, ranges)
    found = score(result, flex)
    if found.quads > (bounded.quad_budget or found.quads) or not found.better_than(best.score):
        return replace(best, trials=best.trials + 1)
    change = Change(names, loops, best.score, found)
    return replace(best, plan=plan, result=result, flex=flex, score=found, changes=(*best.changes, change), trials=best.trials + 1)


def _bent(plan: LimbPlan, result: BuildResult, ranges: Mapping[str, JointRange]) -> Flex:
    return flex_test(skinned(result.mesh, skeleton_of(plan)), ranges)


def _quads(result: BuildResult) -> int:
    """Quads of a cage, both sides of a mirrored one."""
    return result.mesh.face_count
