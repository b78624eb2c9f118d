"""What the planner needs to know of a limb: how long and how thick its bones are, and where they bend.

A bend reaches over the skin to both sides of its joint. The joint at a branch's root lies inside the trunk, so most of its
bend lies on the trunk's last bone and the rest on the branch's first one.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .bend_rows import BLEND_RADII, NO_BEND, NO_TURN, ROOT_DEPTH, Bend, JointTurn, bend_rows, blend_share, root_rows_share
from .frames import unit
from .joint_motion import JOINT_RANGES, TRIED_FROM_REST, joint_role
from .measure import Measure
from .plan import Fork, Limb, LimbPlan, Splice
from .polymesh import FloatArray
from .skeleton import Skeleton, skeleton_of

MOST_BENT = 0.9
"""Share of a bone that its two bends may take together, so that they do not meet."""


@dataclass(frozen=True)
class LimbSize:
    """Sizes of one limb, its bones counted from the first ring on.

    bone_lengths : (b,) float64, along the skin, target units
    bone_girths : (b,) float64, mean girth of every bone
    bone_curvatures : (b,) float64, mean curvature of every bone's skin along the limb
    bend_reaches : (b, 2) float64, how far the bends at the root and at the tip of every bone reach along it
    bend_rows : (b, 2) float64, rows within these reaches
    shortened : share of the plan's first bone that lies outside the trunk
    first_bone : index of the plan's bone in which the first ring lies
    root_turn : how far the joint at the plan's first bone bends, degrees
    """

    bone_lengths: FloatArray
    bone_girths: FloatArray
    bone_curvatures: FloatArray
    bend_reaches: FloatArray
    bend_rows: FloatArray
    shortened: float
    first_bone: int
    root_turn: float

    def bends(self, bone: int) -> tuple[Bend, Bend]:
        """The bends at the root and at the tip of a bone."""
        root, tip = (Bend(float(reach), float(rows)) for reach, rows in zip(self.bend_reaches[bone], self.bend_rows[bone], strict=True))
        return root, tip


def limb_sizes(plan: LimbPlan, measures: Mapping[str, Measure]) -> dict[str, LimbSize]:
    """Sizes of all limbs of a plan by name."""
    turns = _joint_turns(plan)
    return {limb.name: _limb_size(plan, limb, measures, turns) for limb in plan.limbs}


Turns = Mapping[tuple[str, int], JointTurn]
"""How joints bend, by limb and number of the bone behind the joint."""


def _joint_turns(plan: LimbPlan) -> Turns:
    """How far every joint bends, by the kind of joint that it is, and how far it is bent as it stands: both curve the skin that its rows
    must follow. What is counted from a straight limb holds the bend at rest already."""
    skeleton = skeleton_of(plan)
    turns = {}
    for index in skeleton.joints():
        bone, role, rest = skeleton.bones[index], joint_role(skeleton, index), _rest_bend(skeleton, index)
        farthest = max(JOINT_RANGES[role].flex, JOINT_RANGES[role].extend, JOINT_RANGES[role].side)
        turns[bone.limb, bone.place] = JointTurn(farthest + rest if role in TRIED_FROM_REST else max(farthest, rest), rest)
    return turns


def _rest_bend(skeleton: Skeleton, index: int) -> float:
    """How far a limb is bent at a joint as it stands, degrees; at a branch's root 0."""
    bone = skeleton.bones[index]
    if bone.is_branch:
        return 0.0
    along = float(skeleton.bones[bone.parent].direction @ bone.direction)
    return float(np.degrees(np.arccos(np.clip(along, -1.0, 1.0))))


def _limb_size(plan: LimbPlan, limb: Limb, measures: Mapping[str, Measure], turns: Turns) -> LimbSize:
    """The last bone of a closed limb runs to its last ring."""
    measure = measures[limb.name]
    ends = measure.bone_ends
    lengths = np.diff(np.interp(ends, measure.lengths, measure.skin_lengths))
    girths, curvatures = (np.array([_between(measure, values, low, high).mean() for low, high in itertools.pairwise(ends)])
                          for values in (measure.girths, measure.skin_curvatures))
    bone = limb.joints[measure.first_bone + 1] - limb.joints[measure.first_bone]
    shortened = min(1.0, float(measure.joints[1] - measure.joints[0]) / float(np.linalg.norm(bone)))
    bends = np.array([[(bend.reach, bend.rows) for bend in pair] for pair in _bends(plan, limb, measures, turns, lengths)])
    root_turn = turns.get((limb.name, 0), NO_TURN).degrees
    return LimbSize(lengths, girths, curvatures, bends[..., 0], bends[..., 1], shortened, measure.first_bone, root_turn)


def _between(measure: Measure, values: FloatArray, low: float, high: float) -> FloatArray:
    """The measured values between two arc lengths, or the one midway where none was measured there."""
    inside = (measure.lengths >= low) & (measure.lengths <= high)
    return values[inside] if inside.any() else np.interp([0.5 * (low + high)], measure.lengths, values)


def _bends(plan: LimbPlan, limb: Limb, measures: Mapping[str, Measure], turns: Turns, lengths: FloatArray) -> list[tuple[Bend, Bend]]:
    """The bends at the root and at the tip of every bone from the first ring on."""
    if not limb.joint_loops:
        return [(NO_BEND, NO_BEND)] * len(lengths)
    measure, tip = measures[limb.name], plan.tip_join(limb.name)
    joints = _joint_bends(plan, limb, measures, turns)
    if plan.is_branch(limb.name):
        joints[0] = _past_root(_root_depth(limb, measure), joints[0])
    if isinstance(tip, Fork):
        joints[-1] = _before_fork(plan, tip, measures, turns)
    return [_within(length, pair) for length, pair in zip(lengths.tolist(), itertools.pairwise(joints), strict=True)]


def _joint_bends(plan: LimbPlan, limb: Limb, measures: Mapping[str, Measure], turns: Turns) -> list[Bend]:
    """The bend to one side of every joint from the one behind the first ring to the limb's tip, where the bones have room as they have
    for the skin weights."""
    tip = plan.tip_join(limb.name)
    lengths = np.linalg.norm(np.diff(limb.joints, axis=0), axis=1).tolist()
    behind = [(limb.name, place) for place in range(len(lengths))]
    behind.append((tip.upper, 0) if isinstance(tip, Splice) else ("", 0))
    joints = [turns.get(joint, NO_TURN) for joint in behind]
    wanted = [BLEND_RADII * radius if turn.degrees > 0.0 else 0.0
              for radius, turn in zip(_joint_radii(plan, limb, measures), joints, strict=True)]
    if plan.is_branch(limb.name):
        wanted[0] *= ROOT_DEPTH
    shares = [1.0] * len(wanted)
    for bone, length in enumerate(lengths):
        for joint, beyond in ((bone, bone + 1), (bone + 1, bone)):
            if wanted[joint] > 0.0:
                shares[joint] = min(shares[joint], blend_share(length, wanted[joint], wanted[beyond]))
    bends = [Bend(share * reach, bend_rows(turn)) if reach > 0.0 else NO_BEND
             for share, reach, turn in zip(shares, wanted, joints, strict=True)]
    return bends[measures[limb.name].first_bone :]


def _joint_radii(plan: LimbPlan, limb: Limb, measures: Mapping[str, Measure]) -> list[float]:
    """Radius of a limb at each of its joints, midway between those of the bones on both sides, as the skin weights take it."""
    root, tip = plan.root_join(limb.name), plan.tip_join(limb.name)
    bones = _bone_radii(measures[limb.name])
    before = _bone_radii(measures[root.lower])[-1] if isinstance(root, Splice) else bones[0]
    after = _bone_radii(measures[tip.upper])[0] if isinstance(tip, Splice) else bones[-1]
    return [0.5 * (low + high) for low, high in itertools.pairwise([before, *bones, after])]


def _bone_radii(measure: Measure) -> list[float]:
    """Median radius of every bone of the plan; of bones inside the trunk that of the first one outside."""
    radii = [float(np.median(_between(measure, measure.radii, low, high))) for low, high in itertools.pairwise(measure.bone_ends)]
    return [radii[0]] * measure.first_bone + radii


def _within(length: float, bends: tuple[Bend, Bend]) -> tuple[Bend, Bend]:
    """As much of two bends as a bone has room for."""
    share = min(1.0, MOST_BENT * length / max(sum(bend.reach for bend in bends), 1e-300))
    root, tip = (Bend(share * bend.reach, share * bend.rows) for bend in bends)
    return root, tip


def _root_depth(limb: Limb, measure: Measure) -> float:
    """How deep in the trunk the joint behind a branch's first ring lies."""
    bone = limb.joints[measure.first_bone + 1] - limb.joints[measure.first_bone]
    return max(0.0, float((measure.centres[0] - limb.joints[measure.first_bone]) @ unit(bone)))


def _past_root(depth: float, bend: Bend) -> Bend:
    """What reaches past a branch's first ring of the bend at its root."""
    past = max(0.0, 1.0 - depth / bend.reach) if bend.reach > 0.0 else 0.0
    return Bend(past * bend.reach, past * bend.rows)


def _before_fork(plan: LimbPlan, fork: Fork, measures: Mapping[str, Measure], turns: Turns) -> Bend:
    """What lies on a trunk's last bone of the bends at its branches' roots, back to the one that reaches farthest."""
    found = [(_root_depth(branch, measures[branch.name]), _joint_bends(plan, branch, measures, turns)[0],
              turns.get((branch.name, 0), NO_TURN)) for branch in map(plan.limb, fork.branches) if branch.joint_loops]
    depth, bend, turn = max(found, key=lambda each: each[0] + each[1].reach, default=(0.0, NO_BEND, NO_TURN))
    sides = 1.0 + min(depth / bend.reach, 1.0) if bend.reach > 0.0 else 0.0
    return Bend(sides * bend.reach, sides * root_rows_share(turn) * bend.rows)
