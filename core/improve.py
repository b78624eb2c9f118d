"""Better bends within the budget: try one change of the plan after the other, measure the cage, keep what bends better.

Nothing is assumed: every trial is built and bent. A change is kept only where no figure of the whole cage gets
worse (verdicts, volume kept, smallest scaled Jacobian, faces turned over, faces in all, poles), and no joint and no set pose
measurably worse than in the first cage.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from .adjacency import build_adjacency
from .build import BuildResult, Progress, build_cage
from .errors import RingwrightError
from .flex import Flex, flex_test, skinned
from .flex_report import GRADES, grade, worst_first
from .improve_moves import Move, moves
from .joint_motion import JOINT_RANGES, JointRange
from .plan import LimbPlan
from .polymesh import FloatArray
from .quality import scaled_jacobian
from .skeleton import skeleton_of
from .surface import Surface

MOST_TRIALS = 48
"""Cages that a search builds at most."""
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

    words : what was changed
    before, after : the cage's score
    """

    words: str
    before: BendScore
    after: BendScore

    def __str__(self) -> str:
        return (f"{self.words}: volume kept {self.before.volume:.3f} to {self.after.volume:.3f}, smallest scaled "
                f"Jacobian {self.before.jacobian:.3f} to {self.after.jacobian:.3f}, faces turned over {self.before.flipped:.1%} to "
                f"{self.after.flipped:.1%}")


@dataclass(frozen=True)
class Improvement:
    """The best cage that the search found; the first one where nothing was better.

    plan : without a budget of its own it is the plan that was given, but for the changes
    trials : cages that were built, the first one among them
    """

    plan: LimbPlan
    result: BuildResult
    flex: Flex
    start: BendScore
    score: BendScore
    changes: tuple[Change, ...]
    trials: int


def improve(plan: LimbPlan, surface: Surface, *, ranges: Mapping[str, JointRange] = JOINT_RANGES, most_trials: int = MOST_TRIALS,
            progress: Progress = lambda stage, share: None) -> Improvement:
    """Search a plan's joint loops, joints, rows, webs, sides and step-downs for a cage that bends better within the budget.

    Without a budget no cage may have more quads than the first one. What ``progress`` raises ends the search.
    Raises PlanError where the plan itself cannot be built.
    """
    progress("Building the first cage", 0.0)
    first = build_cage(plan, surface)
    flex = _bent(plan, first, ranges)
    start = score(first, flex)
    best = Improvement(plan, first, flex, start, start, (), 1)
    tried: set[str] = set()
    while (move := next((each for each in _moves_of(best) if each.words not in tried), None)) is not None and best.trials < most_trials:
        tried.add(move.words)
        progress(f"Trying {move.words}", best.trials / most_trials)
        best = _tried(best, move, flex, surface, ranges)
    progress("Done", 1.0)
    return best


def _moves_of(best: Improvement) -> Iterator[Move]:
    """What may still help, limbs that bend worst first."""
    limb_of = {joint.name: best.flex.skinned.skeleton.bones[joint.bone].limb for joint in best.flex.joints}
    return moves(best.plan, best.result.counts, list(dict.fromkeys(limb_of[joint.name] for joint in worst_first(best.flex))))


def no_joint_worse(flex: Flex, start: Flex) -> bool:
    """Whether no joint and no set pose bends measurably worse: volume kept, smallest scaled Jacobian, share of faces turned over."""
    figures, before = _by_joint(flex), _by_joint(start)
    return figures.shape == before.shape and bool((figures >= before - MEASURABLE).all())


def _by_joint(flex: Flex) -> FloatArray:
    """Figures of every joint and pose of which more is better, (n, 3) float64."""
    joints = [(joint.volume_kept, joint.smallest_jacobian, -joint.flipped_share) for joint in flex.joints if joint.motions]
    poses = [(1.0, pose.smallest_jacobian, -pose.flipped_faces / flex.skinned.mesh.face_count) for pose in flex.poses]
    return np.array([*joints, *poses], dtype=np.float64).reshape(-1, 3)


def score(result: BuildResult, flex: Flex) -> BendScore:
    """How a built cage bends."""
    joints = [joint for joint in flex.joints if joint.motions]
    grades = [grade(joint) for joint in joints]
    adjacency = build_adjacency(result.mesh)
    off = np.where(adjacency.boundary_vertex, 3, 4) - adjacency.valence
    return BendScore(
        grades.count(GRADES[2]), grades.count(GRADES[1]),
        float(np.mean([joint.volume_kept for joint in joints] or [1.0])),
        float(np.mean([joint.smallest_jacobian for joint in joints] or [1.0])),
        float(np.mean([joint.flipped_share for joint in joints] or [0.0])), result.mesh.face_count,
        float(scaled_jacobian(result.mesh.positions[result.mesh.quads()]).min(initial=1.0)), int(np.abs(off).sum()))


def _tried(best: Improvement, move: Move, start: Flex, surface: Surface, ranges: Mapping[str, JointRange]) -> Improvement:
    """The best so far after one more trial."""
    plan = move.applied(best.plan)
    if plan is None:
        return best
    try:
        result = build_cage(plan, surface)
        flex = _bent(plan, result, ranges)
    except RingwrightError:
        return replace(best, trials=best.trials + 1)
    found = score(result, flex)
    fits = found.quads <= (plan.quad_budget or best.start.quads)
    if not (fits and found.better_than(best.score) and no_joint_worse(flex, start)):
        return replace(best, trials=best.trials + 1)
    change = Change(move.words, best.score, found)
    return replace(best, plan=plan, result=result, flex=flex, score=found, changes=(*best.changes, change), trials=best.trials + 1)


def _bent(plan: LimbPlan, result: BuildResult, ranges: Mapping[str, JointRange]) -> Flex:
    return flex_test(skinned(result.mesh, skeleton_of(plan)), ranges)
