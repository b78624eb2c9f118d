"""Bones from a limb plan: named after the limbs, hung from each other through the joins, hinges alike along a digit.

A bone turns about its head. Its hinge is the direction about which a positive turn flexes it; it becomes
the host's x axis of the bone, and y runs from head to tail.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .errors import PlanError
from .frames import any_square_direction, square_to, unit
from .joined import join_ends
from .mirror import AXES, mirrored
from .plan import Fork, LimbPlan, Socket, Splice, check_plan
from .polymesh import FloatArray, IntArray
from .two_sided import is_two_sided

SIDE_NAMES = {"x": (".L", ".R"), "y": (".Bk", ".Fr"), "z": (".Top", ".Bot")}
"""What the host appends to names of bones on the positive and on the negative side of a plane."""
SIDE_ENDINGS = tuple(f"{mark}{side}" for mark in "._- " for side in ("L", "R", "l", "r", "Left", "Right", "left", "right"))
SIDE_WORDS = frozenset({"l", "r", "left", "right"})
"""Words of a name that tell a side, wherever they stand."""
MOST_BYTES = 63
"""Longest name of a bone or of a vertex group that the host keeps, UTF-8."""
STRAIGHT = np.sin(np.radians(2.0))
"""Bends of less than two degrees in all do not tell which way a limb flexes."""
ON_PLANE = 0.1
"""A limb whose joints all lie within this share of its mean bone from the mirror plane lies on it."""
CONNECTED = 1e-6
"""A bone whose head lies this near to its parent's tail, in bone lengths, is connected."""


@dataclass(frozen=True)
class Bone:
    """One bone.

    limb : name of its limb in the plan
    number : number of that limb, as in the mesh attribute ``vertex.limb``
    place : 0 for the limb's first bone, and so on
    parent : index of the bone that it hangs from, -1 for a root
    hang : how it hangs from its parent: "limb", "splice", "fork", "socket"; "root" without one
    side : 0 where the plan is not mirrored or the bone lies on the plane, 1 on the plan's own side, -1 on its image
    head, tail : (3,) float64, the plan's coordinates
    hinge : (3,) float64 unit vector square to the bone
    """

    name: str
    limb: str
    number: int
    place: int
    parent: int
    hang: str
    side: int
    head: FloatArray
    tail: FloatArray
    hinge: FloatArray

    @property
    def direction(self) -> FloatArray:
        """Unit vector from head to tail, (3,) float64."""
        return unit(self.tail - self.head)

    @property
    def length(self) -> float:
        """Distance from head to tail."""
        return float(np.linalg.norm(self.tail - self.head))

    @property
    def is_branch(self) -> bool:
        """Whether a branch begins with it: its joint lies inside the trunk."""
        return self.hang in ("fork", "socket")


@dataclass(frozen=True)
class Skeleton:
    """All bones, every parent before its children.

    plane : "x", "y", "z" or None, the plane between a mirrored skeleton's sides
    """

    bones: tuple[Bone, ...]
    plane: str | None = None

    @property
    def parents(self) -> IntArray:
        """Index of every bone's parent, (B,) int32, -1 for a root."""
        return np.array([bone.parent for bone in self.bones], dtype=np.int32)

    def joints(self) -> list[int]:
        """Bones that hang from another one: each is a joint at its head."""
        return [index for index, bone in enumerate(self.bones) if bone.parent >= 0]

    def fork_at(self, index: int) -> list[int]:
        """Bones that begin the branches of the fork at a bone's tail, in order across; empty where there is none."""
        return [each for each, bone in enumerate(self.bones) if bone.parent == index and bone.hang == "fork"]

    def first_of_limb(self, index: int) -> Bone:
        """The first bone of the limb that a bone belongs to, on its own side."""
        bone = self.bones[index]
        return next(each for each in self.bones if (each.number, each.side, each.place) == (bone.number, bone.side, 0))

    def index(self, name: str) -> int:
        """Index of a bone by name; KeyError where there is none."""
        for index, bone in enumerate(self.bones):
            if bone.name == name:
                return index
        raise KeyError(name)

    def is_connected(self, index: int) -> bool:
        """Whether a bone's head is its parent's tail."""
        bone = self.bones[index]
        return bone.parent >= 0 and bool(np.linalg.norm(bone.head - self.bones[bone.parent].tail) <= CONNECTED * bone.length)


def skeleton_of(plan: LimbPlan) -> Skeleton:
    """The bones of a plan, on both sides where it is mirrored.

    Raises PlanError where the plan's joins are not sound or a bone has no length.
    """
    check_plan(plan)
    joined = join_ends(plan)
    for limb in joined.limbs:
        short = np.flatnonzero(~(np.linalg.norm(np.diff(limb.joints, axis=0), axis=1) > 0))
        if len(short):
            raise PlanError(f'[[limb]] "{limb.name}", joints: joints {short[0] + 1} and {short[0] + 2} lie on the same point; '
                            f"move them apart or take one out.")
    hinges = limb_hinges(joined)
    bones: list[Bone] = []
    first: dict[str, int] = {}
    for name in _trunks_first(joined):
        _add_limb(joined, name, hinges[name], bones, first)
    if plan.symmetry is not None and not is_two_sided(plan):
        bones = _mirrored(bones, plan.symmetry)
    return Skeleton(tuple(_named_apart(bones)), plan.symmetry)


def limb_hinges(plan: LimbPlan) -> dict[str, FloatArray]:
    """The direction about which each limb flexes, (3,) float64 unit vectors by limb name.

    A fork's branches and its trunk flex about the line across the branches, other limbs the way they are already
    bent, spliced limbs together; a straight limb about any direction square to it.
    """
    hinges: dict[str, FloatArray] = {}
    across: dict[str, FloatArray] = {}
    for fork in plan.forks:
        across |= dict.fromkeys((*fork.branches, fork.trunk), _across(plan, fork))
    for limb in plan.limbs:
        bend = _chain_bend(plan, limb.name)
        if limb.name in across:
            hinges[limb.name] = across[limb.name]
        elif np.linalg.norm(bend) > STRAIGHT:
            hinges[limb.name] = unit(bend)
        else:
            hinges[limb.name] = any_square_direction(unit(limb.joints[1] - limb.joints[0]))
    return hinges


def _named_apart(bones: Sequence[Bone]) -> list[Bone]:
    """The bones with names that the host can keep apart; those with an image are named first, so that every pair stays one."""
    order = sorted(range(len(bones)), key=lambda index: bones[index].side == 0)
    free = dict(zip(order, free_names(bones[index].name for index in order), strict=True))
    return [replace(bone, name=free[index]) for index, bone in enumerate(bones)]


def free_names(wishes: Iterable[str]) -> list[str]:
    """Names that the host can keep apart: at most 63 bytes, each used once; a number goes before the side's ending."""
    taken: set[str] = set()
    names = []
    for wish in wishes:
        stem, side = split_side(" ".join(wish.split()) or "bone")
        name = _cut(stem, MOST_BYTES - len(side.encode())) + side
        count = 2
        while name in taken:
            ending = f".{count}{side}"
            name = _cut(stem, MOST_BYTES - len(ending.encode())) + ending
            count += 1
        taken.add(name)
        names.append(name)
    return names


def split_side(name: str) -> tuple[str, str]:
    """A name without its ending for the left or the right side, and that ending; it is empty where there is none."""
    for ending in SIDE_ENDINGS:
        if name.endswith(ending) and len(name) > len(ending):
            return name[: -len(ending)], ending
    return name, ""


def words_of(name: str) -> frozenset[str]:
    """The words of a bone's name in small letters: parted by signs, by numbers and where a capital follows a small letter."""
    return frozenset(word.lower() for word in re.findall(r"[A-Z]+(?![^\W\d_A-Z])|[A-Z]?[^\W\d_A-Z]+", name))


def is_sided(name: str) -> bool:
    """Whether a bone's name says that it belongs to one side, wherever in it: "arm.L", "LeftArm", "Bip01 L Arm"."""
    return bool(words_of(name) & SIDE_WORDS)


def _cut(text: str, size: int) -> str:
    return text.encode()[:size].decode(errors="ignore")


def _bend(joints: FloatArray) -> FloatArray:
    """Sum of the crossed directions of neighbouring bones: the axis of the bend times its sine, (3,) float64."""
    directions = unit(np.diff(joints, axis=0))
    return np.asarray(np.cross(directions[:-1], directions[1:]).sum(axis=0), dtype=np.float64)


def _chain_bend(plan: LimbPlan, name: str) -> FloatArray:
    """The bend of a limb with its neighbours through splices, but for those that a fork turns another way."""
    limb = plan.limb(name)
    line = [limb.joints]
    root, tip = plan.root_join(name), plan.tip_join(name)
    if isinstance(root, Splice):
        line.insert(0, plan.limb(root.lower).joints[-2:-1])
    if isinstance(tip, Splice) and not isinstance(plan.tip_join(tip.upper), Fork):
        line.append(plan.limb(tip.upper).joints[1:2])
    return _bend(np.concatenate(line))


def _across(plan: LimbPlan, fork: Fork) -> FloatArray:
    """The line across a fork's branches, looking so that a positive turn flexes them as they are bent already."""
    branches = [plan.limb(branch) for branch in fork.branches]
    across = unit(branches[-1].joints[0] - branches[0].joints[0])
    bend = np.sum([_bend(branch.joints) for branch in branches], axis=0)
    if abs(float(bend @ across)) <= STRAIGHT:
        bend = _chain_bend(plan, fork.trunk)
    return -across if float(bend @ across) < 0 else across


def _trunks_first(plan: LimbPlan) -> list[str]:
    """Limb names so that every limb comes after the one that it hangs from, in the plan's order otherwise."""
    order: list[str] = []
    waiting = [limb.name for limb in plan.limbs]
    while waiting:
        ready = [name for name in waiting if (trunk := _trunk_of(plan, name)) is None or trunk in order]
        order += ready
        waiting = [name for name in waiting if name not in ready]
    return order


def _trunk_of(plan: LimbPlan, name: str) -> str | None:
    join = plan.root_join(name)
    return None if join is None else join.lower if isinstance(join, Splice) else join.trunk


def _add_limb(plan: LimbPlan, name: str, hinge: FloatArray, bones: list[Bone], first: dict[str, int]) -> None:
    limb = plan.limb(name)
    number = [each.name for each in plan.limbs].index(name)
    parent, hang = _hung(plan, name, bones, first)
    first[name] = len(bones)
    stem, side = split_side(name)
    for place, (head, tail) in enumerate(zip(limb.joints[:-1], limb.joints[1:], strict=True)):
        direction = unit(tail - head)
        square = square_to(hinge, direction)
        hinge = unit(square) if np.linalg.norm(square) > 0.1 else any_square_direction(direction)
        own = name if len(limb.joints) == 2 else f"{stem}.{place + 1}{side}"
        bones.append(Bone(own, name, number, place, parent, hang, 0, head, tail, hinge))
        parent, hang = len(bones) - 1, "limb"


def _hung(plan: LimbPlan, name: str, bones: Sequence[Bone], first: dict[str, int]) -> tuple[int, str]:
    """The bone that a limb's first bone hangs from, and how."""
    join = plan.root_join(name)
    if join is None:
        return -1, "root"
    trunk = plan.limb(_trunk_of(plan, name) or "")
    last = first[trunk.name] + len(trunk.joints) - 2
    if not isinstance(join, Socket):
        return last, "splice" if isinstance(join, Splice) else "fork"
    root = plan.limb(name).joints[0]
    distances = [segment_distances(root[None], bone.head, bone.tail)[0] for bone in bones[first[trunk.name] : last + 1]]
    return first[trunk.name] + int(np.argmin(distances)), "socket"


def segment_distances(points: FloatArray, head: FloatArray, tail: FloatArray) -> FloatArray:
    """Distance of (n, 3) points from the line between two ends, (n,) float64."""
    return np.asarray(np.linalg.norm(points - head - _along_segment(points, head, tail), axis=1), dtype=np.float64)


def nearest_on_segment(points: FloatArray, head: FloatArray, tail: FloatArray) -> FloatArray:
    """The points of the line between two ends that lie nearest to (n, 3) points, (n, 3) float64."""
    return np.asarray(head + _along_segment(points, head, tail), dtype=np.float64)


def _along_segment(points: FloatArray, head: FloatArray, tail: FloatArray) -> FloatArray:
    """The way from the head to what lies nearest to each point, (n, 3) float64."""
    bone = tail - head
    return np.asarray(np.clip((points - head) @ bone / (bone @ bone), 0.0, 1.0)[:, None] * bone)


def _mirrored(bones: Sequence[Bone], plane: str) -> list[Bone]:
    """The bones with their images; those of limbs that lie on the plane stay single."""
    axis = AXES[plane]
    lying = _limbs_on_plane(bones, axis)
    positive = float(np.mean([bone.head[axis] + bone.tail[axis] for bone in bones if bone.number not in lying] or [1.0])) >= 0
    own, other = SIDE_NAMES[plane] if positive else SIDE_NAMES[plane][::-1]
    both = [bone if bone.number in lying else replace(bone, name=bone.name + own, side=1) for bone in bones]
    image: dict[int, int] = {index: index for index, bone in enumerate(bones) if bone.number in lying}
    for index, bone in enumerate(bones):
        if index not in image:
            image[index] = len(both)
            both.append(replace(bone, name=bone.name + other, side=-1, parent=image.get(bone.parent, -1), head=mirrored(bone.head, plane),
                                tail=mirrored(bone.tail, plane), hinge=-mirrored(bone.hinge, plane)))
    return both


def _limbs_on_plane(bones: Sequence[Bone], axis: int) -> set[int]:
    off = {bone.number for bone in bones
           if max(abs(float(bone.head[axis])), abs(float(bone.tail[axis]))) > ON_PLANE * bone.length}
    return {bone.number for bone in bones} - off
