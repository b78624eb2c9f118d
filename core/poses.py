"""Turn bones: how far a joint is bent already, the motions that it is tried in, set poses, linear blending."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .joint_motion import EXTENDED_IN_POINTING, JOINT_RANGES, SET_POSES, TRIED_FROM_REST, JointRange, joint_role
from .polymesh import FloatArray
from .skeleton import Skeleton
from .skin_weights import SkinWeights

Turn = tuple[float, float, float]
"""Degrees from rest: about the bone's hinge, to its side (about hinge cross direction), about the bone itself."""
Pose = Mapping[int, Turn]
"""Turn by bone; bones that are not named stay at rest."""


LEAST_TURN = 5.0
"""A joint that is straighter than this many degrees at rest is not straightened for a trial."""


@dataclass(frozen=True)
class Motion:
    """One motion of a joint.

    name : "flex", "extend", "side", "side back" or "twist"
    degrees : its full angle as the table of ranges counts it, from a straight limb where there is such a thing
    turn : the same from rest
    """

    name: str
    degrees: float
    turn: Turn

    def part(self, share: float) -> Turn:
        """The turn at a share of the motion, 0 to 1."""
        return share * self.turn[0], share * self.turn[1], share * self.turn[2]

    def __str__(self) -> str:
        return f"{self.name} {self.degrees:g}\N{DEGREE SIGN}"


def resting_flexion(skeleton: Skeleton, index: int) -> float:
    """How far a joint is flexed at rest, degrees; 0 where its kind is not counted from a straight limb."""
    bone = skeleton.bones[index]
    if bone.parent < 0 or bone.hang == "socket" or joint_role(skeleton, index) in TRIED_FROM_REST:
        return 0.0
    before = skeleton.bones[bone.parent].direction
    return float(np.degrees(np.arctan2(np.cross(before, bone.direction) @ bone.hinge, before @ bone.direction)))


def motions_of(skeleton: Skeleton, index: int, limits: JointRange) -> list[Motion]:
    """The motions that a joint is tried in, each to the end of its range."""
    resting = resting_flexion(skeleton, index)
    found = []
    if limits.flex - resting > 0:
        found.append(Motion("flex", limits.flex, (limits.flex - resting, 0.0, 0.0)))
    if limits.extend + resting > LEAST_TURN:
        found.append(Motion("extend", limits.extend, (-limits.extend - resting, 0.0, 0.0)))
    if limits.side > 0:
        found += [Motion("side", limits.side, (0.0, limits.side, 0.0)), Motion("side back", limits.side, (0.0, -limits.side, 0.0))]
    if limits.twist > 0:
        found.append(Motion("twist", limits.twist, (0.0, 0.0, limits.twist)))
    return found


def bone_motions(skeleton: Skeleton, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """How every bone moves from rest: rotations (B, 3, 3) and shifts (B, 3), a point going to rotation @ point + shift."""
    count = len(skeleton.bones)
    turns, shifts = np.empty((count, 3, 3)), np.empty((count, 3))
    for index, bone in enumerate(skeleton.bones):
        above = (turns[bone.parent], shifts[bone.parent]) if bone.parent >= 0 else (np.eye(3), np.zeros(3))
        if index not in pose:
            turns[index], shifts[index] = above
            continue
        flex, side, twist = pose[index]
        own = rotation(np.cross(bone.hinge, bone.direction), side) @ rotation(bone.hinge, flex) @ rotation(bone.direction, twist)
        turns[index] = above[0] @ own
        shifts[index] = above[0] @ (bone.head - own @ bone.head) + above[1]
    return turns, shifts


def turn_quaternion(turn: Turn) -> FloatArray:
    """A turn in the bone's own axes (x the hinge, y along the bone, z to the side), (4,) float64, w x y z."""
    flex, side, twist = np.radians(turn) / 2
    about_side, about_hinge, about_bone = ((np.cos(side), 0, 0, np.sin(side)), (np.cos(flex), np.sin(flex), 0, 0),
                                           (np.cos(twist), 0, np.sin(twist), 0))
    return _quaternion_product(_quaternion_product(np.array(about_side), np.array(about_hinge)), np.array(about_bone))


def _quaternion_product(first: FloatArray, second: FloatArray) -> FloatArray:
    """The turn by the second, then by the first (Hamilton's product)."""
    w, v = first[0] * second[0] - first[1:] @ second[1:], first[0] * second[1:] + second[0] * first[1:] + np.cross(first[1:], second[1:])
    return np.concatenate(([w], v))


def rotation(axis: FloatArray, degrees: float) -> FloatArray:
    """Rotation matrix about a unit axis, (3, 3) float64 (Rodrigues)."""
    angle = np.radians(degrees)
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross, dtype=np.float64)


def blend(positions: FloatArray, weights: SkinWeights, turns: FloatArray, shifts: FloatArray) -> FloatArray:
    """Points carried by the weighted mean of their bones' motions, (V, 3) float64.

    turns, shifts : (B, 3, 3) and (B, 3) float64
    """
    moved = np.zeros_like(positions)
    for column in range(weights.bones.shape[1]):
        bones, share = weights.bones[:, column], weights.weights[:, column]
        carried = np.einsum("vij,vj->vi", turns[bones], positions) + shifts[bones]
        moved += share[:, None] * carried
    return moved


def set_poses(skeleton: Skeleton, ranges: Mapping[str, JointRange] = JOINT_RANGES) -> dict[str, Pose]:
    """The set poses that this skeleton can take, by name."""
    roles = {index: joint_role(skeleton, index) for index in skeleton.joints()}
    straight = _last_branches(skeleton)
    poses: dict[str, Pose] = {}
    for name, shares in SET_POSES.items():
        pose = {}
        for index, role in roles.items():
            if role in shares and not (name == "pointing" and (skeleton.bones[index].number, skeleton.bones[index].side) in straight):
                pose[index] = _turn_of(skeleton, index, ranges[role], *shares[role])
        if pose and {roles[index] for index in pose} & {next(iter(shares))}:
            poses[name] = pose
    return poses


def _turn_of(skeleton: Skeleton, index: int, motion: JointRange, about: float, sideways: float) -> Turn:
    angle = about * (motion.flex if about >= 0 else motion.extend) - (resting_flexion(skeleton, index) if about else 0.0)
    return angle, sideways * motion.side * _spread_sign(skeleton, index), 0.0


def _spread_sign(skeleton: Skeleton, index: int) -> float:
    """How far and which way a branch turns to the side so that all branches of its fork spread: -1 to 1 across."""
    bone = skeleton.bones[index]
    row = skeleton.fork_at(bone.parent) if bone.hang == "fork" else []
    if len(row) < 2:
        return 1.0
    across = skeleton.bones[row[-1]].head - skeleton.bones[row[0]].head
    share = 2.0 * row.index(index) / (len(row) - 1) - 1.0
    outward = np.cross(np.cross(bone.hinge, bone.direction), bone.direction) @ across  # where a positive side turn moves the tip
    return float(share * np.sign(outward))


def _last_branches(skeleton: Skeleton) -> set[tuple[int, int]]:
    """Limb number and side of the last branches of every fork of three or more."""
    found = set()
    for trunk in range(len(skeleton.bones)):
        row = [skeleton.bones[index] for index in skeleton.fork_at(trunk)]
        if len(row) > 2:
            found |= {(bone.number, bone.side) for bone in row[-EXTENDED_IN_POINTING:]}
    return found
