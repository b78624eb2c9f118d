"""Better bends within the budget: try changes of the plan, measure every cage, keep what bends better.

First each change alone, for the joints that bend worst before all others. One that helps its joint and harms another is remembered;
then those are tried together whose gains and losses add up to a gain everywhere. Changes are kept only where a joint gains notably, all
figures together gain, no figure of the whole cage is worse than the first one's (verdicts, volume kept, smallest scaled Jacobian, faces
turned over, faces in all, poles, poles in creases, distance from the target), and no joint and no set pose is notably worse.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from .build import BuildResult, Measures, Progress, build_cage
from .counted import counted
from .errors import RingwrightError
from .explicit_plan import explicit_plan
from .flex import Flex, JointFlex, Study, flex_test, joint_flex
from .flex_report import GRADES, grade
from .improve_moves import Move, Proposals, all_moves
from .improve_score import NOTABLE, SAME_FIT, Bends, BendScore, Figures, bent_joints, bent_poses, joint_figures, study_of, whole_score
from .joint_motion import JOINT_RANGES, JointRange
from .plan import LimbPlan
from .polymesh import FloatArray
from .surface import Surface
from .two_sided import is_two_sided, limb_images

MOST_TRIALS = 120
"""Cages that a search builds at most."""
ALONE = 0.75
"""Share of them at most that is spent on changes alone."""
LIKELY = 4
"""Changes that are tried for a joint that bends well before those that are not as likely to help."""
TOGETHER = 3
"""Changes that are tried together at most."""


@dataclass(frozen=True)
class Change:
    """One change of the plan that was kept.

    words : what was changed
    joint : name of the bone behind the joint that it was made for
    before, after : that joint's figures
    """

    words: str
    joint: str
    before: Figures
    after: Figures

    def __str__(self) -> str:
        return f'{self.words}: the joint at the head of "{self.joint}" {", ".join(self._gains())}'

    def _gains(self) -> Iterator[str]:
        """What became better, the volume in any case."""
        (volume, jacobian, flipped, poles), (then, jacobian_then, flipped_then, poles_then) = self.before, self.after
        yield f"keeps {then:.1%} of its volume (before {volume:.1%})"
        yield f"smallest scaled Jacobian {jacobian_then:.2f} (before {jacobian:.2f})"
        if flipped or flipped_then:
            yield f"{-flipped_then:.1%} of its faces turned over (before {-flipped:.1%})"
        if poles or poles_then:
            yield f"{counted(round(-poles_then), 'pole')} in its crease (before {-poles:.0f})"


@dataclass(frozen=True)
class Improvement:
    """The best cage that the search found; the first one where nothing was better.

    plan : the plan that was given where nothing was better; otherwise, where it had a budget, it names every count, and has the
        budget only where that builds the very cage
    trials : cages that were built, the first one among them
    """

    plan: LimbPlan
    result: BuildResult
    flex: Flex
    start: BendScore
    score: BendScore
    changes: tuple[Change, ...]
    trials: int

    def gains(self) -> str:
        """What the whole cage came to, in words."""
        start, score = self.start, self.score
        return (f"{counted(score.poor, 'joint')} poor and {score.fair} fair (before {start.poor} and {start.fair}), "
                f"volume kept {score.volume:.1%} in the mean (before {start.volume:.1%}), smallest scaled Jacobian {score.jacobian:.2f} "
                f"in the mean (before {start.jacobian:.2f}), {counted(score.quads, 'quad')} (before {start.quads})")


@dataclass(frozen=True)
class _Cage:
    """A cage that a search has built, and how it bends."""

    plan: LimbPlan
    result: BuildResult
    bends: Bends
    score: BendScore


@dataclass(frozen=True)
class _Promise:
    """A change that helps its joint but not the whole cage by itself.

    gains : what it adds to every figure of every joint and pose, (n, 4) float64
    quads : faces that it adds
    deviation : what it adds to the mean distance from the target
    """

    bone: int
    move: Move
    gains: FloatArray
    quads: int
    deviation: float


class _Search:
    """A search as it goes on: the best cage so far, what was kept and what was tried for it."""

    def __init__(self, plan: LimbPlan, surface: Surface, ranges: Mapping[str, JointRange], most_trials: int, progress: Progress) -> None:
        self._surface, self._ranges, self._most, self._progress = surface, ranges, most_trials, progress
        self._known: Measures = {}
        progress("Building the first cage", 0.0)
        result = build_cage(plan, surface, known=self._known)
        self.start = self.best = self._cage(plan, result, self._bends(study_of(plan, result)))
        self._quads = plan.quad_budget or self.start.score.quads
        self.changes: list[Change] = []
        self.trials = 1

    def try_alone(self, proposals: Proposals) -> list[_Promise]:
        """Try the changes one by one; returns those that help their joints but harm others."""
        promises = []
        waiting = deque(self._moves(proposals))
        while waiting and self.trials < ALONE * self._most:
            bone, move = waiting.popleft()
            found = self._built((move,), bone)
            if found is None:
                continue
            promise = _Promise(bone, move, found.bends.figures - self.best.bends.figures, found.score.quads - self.best.score.quads,
                               found.score.deviation - self.best.score.deviation)
            kept = self._kept(found, (move,), bone)
            promises += [] if kept else [promise]
            waiting.extendleft((bone, farther) for farther in reversed(move.then))
            waiting.extendleft([(bone, move)] if kept and move.repeats else [])
        return promises

    def try_together(self, promises: Sequence[_Promise]) -> None:
        """Try changes together whose gains make up for each other's losses."""
        waiting = deque(self._promising(promises))
        while waiting and self.trials < self._most:
            parts = [promises[number] for number in waiting.popleft()]
            moves = [part.move for part in parts]
            found = self._built(moves, parts[0].bone)
            if found is not None and self._kept(found, moves, parts[0].bone):
                promises = [each for each in promises if not any(each.move.touches & part.move.touches for part in parts)]
                waiting = deque(self._promising(promises))

    def _moves(self, proposals: Proposals) -> Iterator[tuple[int, Move]]:
        """What may help: all changes for the joints that do not bend well, the likeliest ones for the others, then the rest."""
        counts = self.best.result.counts
        plan = explicit_plan(self.best.plan, counts)
        images = limb_images(plan, plan.symmetry) if plan.symmetry is not None and is_two_sided(plan) else {}
        later: list[tuple[int, Move]] = []
        own: set[str] = set()
        for joint in _worst_first(self.best.bends):
            bone = self.best.bends.study.cage.skeleton.bones[joint.bone]
            if bone.side >= 0 and images.get(bone.limb) not in own:
                own.add(bone.limb)
                moves = [(joint.bone, move) for move in proposals(plan, counts, bone, self._quads - self.best.score.quads)]
                likely = LIKELY if _bends_well(self.best.bends, joint) else len(moves)
                yield from moves[:likely]
                later += moves[likely:]
        yield from later

    def _promising(self, promises: Sequence[_Promise]) -> list[tuple[int, ...]]:
        """Numbers of promises that can be kept together and should leave no figure worse, those that promise most first."""
        figures, first = self.best.bends.figures, self.start.bends.figures
        found = []
        for size in range(1, TOGETHER + 1):
            for chosen in combinations(range(len(promises)), size):
                parts = [promises[number] for number in chosen]
                gains = np.sum([part.gains for part in parts], axis=0)
                lost = figures + gains - first
                if _apart(parts) and self._fit(parts) and (lost >= -NOTABLE).all() and (lost.mean(axis=0) >= 0.0).all():
                    found.append((-float(gains.sum()), chosen))
        return [chosen for _, chosen in sorted(found)]

    def _fit(self, promises: Sequence[_Promise]) -> bool:
        """Whether some changes together should keep within the budget and as near to the target."""
        score = self.best.score
        return (score.quads + sum(promise.quads for promise in promises) <= self._quads
                and score.deviation + sum(promise.deviation for promise in promises) <= (1.0 + SAME_FIT) * self.start.score.deviation)

    def _built(self, moves: Sequence[Move], bone: int) -> _Cage | None:
        """The cage with some changes, where there is one and the joint that they are for gains by them."""
        plan: LimbPlan | None = explicit_plan(self.best.plan, self.best.result.counts)
        for move in moves:
            plan = move.applied(plan) if plan is not None else None
        if plan is None:
            return None
        self._progress(f"Trying {'; '.join(move.words for move in moves)}", self.trials / self._most)
        try:
            result = build_cage(plan, self._surface, known=self._known)
            self.trials += 1
            study = study_of(plan, result)
            if not self._gains(study, bone):
                return None
            bends = self._bends(study)
        except RingwrightError:
            return None
        return self._cage(plan, result, bends) if bends.figures.shape == self.start.bends.figures.shape else None

    def _gains(self, study: Study, bone: int) -> bool:
        joint = joint_flex(study, bone, self._ranges)
        before = np.array(self.best.bends.of_joint(bone))
        return bool(joint.motions) and bool((np.array(joint_figures(study, joint)) > before + NOTABLE).any())

    def _kept(self, found: _Cage, moves: Sequence[Move], bone: int) -> bool:
        """Take a cage for the best where no figure is worse than the first cage's and all of them together are better."""
        figures, first = found.bends.figures, self.start.bends.figures
        if ((figures < first - NOTABLE).any() or not found.score.no_worse_than(self.start.score)
                or found.score.quads > self._quads or found.bends.merit < self.best.bends.merit + NOTABLE):
            return False
        name = found.bends.study.cage.skeleton.bones[bone].name
        words = "; ".join(move.words for move in moves)
        self.changes.append(Change(words, name, self.best.bends.of_joint(bone), found.bends.of_joint(bone)))
        self.best = found
        return True

    def _bends(self, study: Study) -> Bends:
        return Bends(study, tuple(bent_joints(study, self._ranges)), tuple(bent_poses(study, self._ranges)))

    def _cage(self, plan: LimbPlan, result: BuildResult, bends: Bends) -> _Cage:
        return _Cage(plan, result, bends, whole_score(plan, result, bends, self._surface))


def _apart(promises: Sequence[_Promise]) -> bool:
    """Whether no two of some changes touch the same."""
    touches = [promise.move.touches for promise in promises]
    return sum(map(len, touches)) == len(frozenset().union(*touches))


def improve(plan: LimbPlan, surface: Surface, *, ranges: Mapping[str, JointRange] = JOINT_RANGES, most_trials: int = MOST_TRIALS,
            proposals: Proposals = all_moves, progress: Progress = lambda stage, share: None) -> Improvement:
    """Search a plan's rows, joints, joint loops, webs, sides and step-downs for a cage that bends better within the budget.

    proposals : the changes that may be tried
    Without a budget no cage may have more quads than the first one. What ``progress`` raises ends the search.
    Raises PlanError where the plan itself cannot be built.
    """
    search = _Search(plan, surface, ranges, most_trials, progress)
    search.try_together(search.try_alone(proposals))
    best = search.best
    kept_plan = _with_budget(best, plan.quad_budget, surface)
    progress("Done", 1.0)
    flex = flex_test(best.bends.study.cage, ranges)
    return Improvement(kept_plan, best.result, flex, search.start.score, best.score, tuple(search.changes), search.trials)


def _with_budget(best: _Cage, budget: int | None, surface: Surface) -> LimbPlan:
    """The plan of the best cage, with the budget that was given where it still builds the very cage: under one, counts are upper bounds."""
    plan = replace(best.plan, quad_budget=budget)
    if budget is None or best.plan.quad_budget is not None:
        return best.plan
    try:
        again = build_cage(plan, surface).mesh
    except RingwrightError:
        return best.plan
    same = np.array_equal(again.corner_verts, best.result.mesh.corner_verts) and np.array_equal(again.positions, best.result.mesh.positions)
    return plan if same else best.plan


def _worst_first(bends: Bends) -> list[JointFlex]:
    """Joints that do not bend well before the others, each by their smallest scaled Jacobians."""
    return sorted(bends.joints, key=lambda joint: (_bends_well(bends, joint), -GRADES.index(grade(joint)), bends.of_joint(joint.bone)[1]))


def _bends_well(bends: Bends, joint: JointFlex) -> bool:
    return grade(joint) == GRADES[0] and not bends.of_joint(joint.bone)[3]
