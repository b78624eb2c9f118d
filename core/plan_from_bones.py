"""A limb plan from any armature: chains of bones become limbs, branching becomes forks and sockets.

Bones whose names differ only in a number (``finger2-1``, ``finger2-2``) are one limb; where the name changes along a
chain, two limbs are spliced. Of two numbered bones in line, as riggers split an arm for its twist, one is made. Bones
that fan out from one place inside a trunk (the metacarpals of a palm, the two sides of a pelvis) lengthen the trunk, and
the branches begin at their ends. A body whose root lies between spine and legs is turned round: its trunk runs from the
neck, which stays open, down to the pelvis, where the legs fork; arms are sockets in its side.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from .errors import PlanError
from .frames import unit
from .plan import Fork, Limb, LimbPlan, Socket, Splice, check_plan
from .plan_edits import order_across
from .polymesh import FloatArray
from .skeleton import free_names, is_sided, split_side
from .two_sided import mirror_plane_of

IN_LINE = 20.0
"""Two bones of one name that turn by fewer degrees are one bone split for its twist."""
SHORTEST_BONE = 1e-6
"""Bones shorter than this share of the armature's size have no direction."""
FANNED = 0.6
"""Sibling bones whose heads lie this much closer together than their tails fan out inside a trunk."""
MOST_LEAD = 2
"""Names that may lie inside a trunk before a branch comes out of it (a clavicle and a shoulder)."""
AT_TIP = 0.35
"""A child whose head lies within this share of its parent's length from the parent's tail carries the chain on."""


@dataclass(frozen=True)
class RigBone:
    """A bone of an armature.

    parent : name of the bone that it hangs from; empty for the root
    head, tail : (3,) float64, in the target's coordinates
    """

    name: str
    parent: str
    head: FloatArray
    tail: FloatArray

    @property
    def length(self) -> float:
        """Distance from head to tail."""
        return float(np.linalg.norm(self.tail - self.head))

    @property
    def stem(self) -> str:
        """The name without its number, side kept."""
        stem, side = split_side(self.name)
        short = re.sub(r"[\s._-]*\d+$", "", stem)
        return (short or stem) + side


    @property
    def kind(self) -> str:
        """The words of its name, without numbers and side: alike for all fingers of a hand where they are numbered."""
        return re.sub(r"[\W\d_]+", " ", split_side(self.name)[0]).strip().lower()


@dataclass
class _Draft:
    """A plan while it grows."""

    limbs: list[Limb] = field(default_factory=list)
    forks: list[Fork] = field(default_factory=list)
    sockets: list[Socket] = field(default_factory=list)
    splices: list[Splice] = field(default_factory=list)

    def add(self, name: str, joints: Sequence[FloatArray]) -> str:
        taken = [limb.name for limb in self.limbs]
        own = free_names([*taken, _on_one_line(name)])[-1]
        self.limbs.append(Limb(own, np.array(joints, dtype=np.float64)))
        return own


def plan_from_bones(bones: Sequence[RigBone], unit_name: str = "m") -> LimbPlan:
    """Make a limb plan of bones; counts are left to the planner; one whose sides are alike is mirrored.

    bones : those that the cage is to follow, in any order; a bone whose parent is not among them is a root
    Raises PlanError where there are none, or several roots, bones without length, or parents in a loop.
    """
    tree = _Tree.of(bones)
    draft = _Draft()
    path = tree.turned_trunk()
    if path:
        _lay_turned(tree, draft, path)
    else:
        _lay_chain(tree, draft, tree.root, None)
    plan = LimbPlan(tuple(_closed(draft)), tuple(draft.forks), tuple(draft.sockets), tuple(draft.splices), unit_name)
    ordered = tuple(replace(fork, branches=order_across(plan, fork.trunk, fork.branches)) for fork in plan.forks)
    plan = replace(plan, forks=ordered)
    check_plan(plan)
    return replace(plan, symmetry=mirror_plane_of(plan))


@dataclass(frozen=True)
class _Tree:
    bones: dict[str, RigBone]
    children: dict[str, list[str]]
    root: str

    @classmethod
    def of(cls, bones: Sequence[RigBone]) -> _Tree:
        """Check the bones and hang them from each other."""
        if not bones:
            raise PlanError("No bone was given; select the bones that the cage is to follow.")
        by_name = {bone.name: bone for bone in bones}
        if "" in by_name:
            raise PlanError("A bone has no name; give every bone a name.")
        if len(by_name) < len(bones):
            twice = next(bone.name for bone in bones if sum(each.name == bone.name for each in bones) > 1)
            raise PlanError(f'Two bones are named "{twice}"; give every bone its own name.')
        _check_places(bones)
        roots = [bone.name for bone in bones if bone.parent not in by_name]
        _check_loops(by_name)
        if len(roots) != 1:
            raise PlanError(f"The bones have {len(roots)} roots ({', '.join(roots[:4])}); leave out the ones that do not belong, "
                            "or hang them from one bone.")
        children: dict[str, list[str]] = {name: [] for name in by_name}
        for bone in bones:
            if bone.parent in by_name:
                children[bone.parent].append(bone.name)
        return cls(by_name, children, roots[0])

    def size(self, name: str) -> int:
        """Number of bones from one on."""
        return 1 + sum(self.size(child) for child in self.children[name])

    def turned_trunk(self) -> list[str]:
        """Bones from the root along the middle to its end, where both sides hang from the root; empty for other trees."""
        sided = [name for name in self.children[self.root] if is_sided(name)]
        if len(sided) < 2:
            return []
        path = [self.root]
        while True:
            middle = [name for name in self.children[path[-1]] if not is_sided(name)]
            if not middle:
                break
            path.append(max(middle, key=self.size))
        return path if len(path) > 1 else []

    def next_of(self, name: str) -> str | None:
        """The child that carries a chain on: the straightest of those at the tail, unless several of them fan out."""
        bone = self.bones[name]
        at_tip = [child for child in self.children[name] if np.linalg.norm(self.bones[child].head - bone.tail) <= AT_TIP * bone.length]
        if len(self.children[name]) == 1 and at_tip:
            return at_tip[0]
        if not at_tip or len(self.fan_of(name)) > 1:
            return None
        return max(at_tip, key=lambda child: float(_direction(self.bones[child]) @ _direction(bone)))

    def fan_of(self, name: str) -> list[str]:
        """Children that leave a bone's tip side by side: within 60 degrees of it, called alike where any are, of about one size."""
        bone = self.bones[name]
        ahead = [child for child in self.children[name]
                 if _direction(self.bones[child]) @ _direction(bone) > 0.5 and (self.bones[child].head - bone.head) @ _direction(bone) > 0]
        kinds = [self.bones[child].kind for child in ahead]
        row = [child for child, kind in zip(ahead, kinds, strict=True) if kinds.count(kind) > 1] or [
            child for child, kind in zip(ahead, kinds, strict=True) if "thumb" not in kind]
        most = max((self.size(child) for child in row), default=0)
        return [child for child in row if 2 * self.size(child) >= most] if len(row) > 1 else []


def _check_places(bones: Sequence[RigBone]) -> None:
    points = np.array([point for bone in bones for point in (bone.head, bone.tail)], dtype=np.float64)
    if not np.isfinite(points).all():
        raise PlanError("A bone has an end that is no number; mend the armature.")
    size = float(np.linalg.norm(np.ptp(points, axis=0)))
    short = [bone.name for bone in bones if not bone.length > SHORTEST_BONE * size]
    if short:
        raise PlanError(f'The bone "{short[0]}" has no length; move its ends apart or leave it out.')


def _check_loops(bones: dict[str, RigBone]) -> None:
    for start in bones:
        seen = [start]
        while bones[seen[-1]].parent in bones:
            seen.append(bones[seen[-1]].parent)
            if seen[-1] in seen[:-1]:
                loop = " -> ".join(seen[seen.index(seen[-1]) :])
                raise PlanError(f"The parents of the bones run in a loop, {loop}; hang one of them elsewhere.")


def _on_one_line(name: str) -> str:
    """A bone's name without what a plan's names cannot hold: line ends, control characters, invisible ones."""
    return " ".join("".join(char if char.isprintable() else " " for char in name).split()) or "limb"


def _direction(bone: RigBone) -> FloatArray:
    return unit(bone.tail - bone.head)


def _lay_chain(tree: _Tree, draft: _Draft, start: str, lower: str | None) -> str:
    """Lay the chain from a bone on, with all that branches from it; returns the first limb's name.

    lower : the limb that it is spliced to, or None
    """
    chain = [start]
    while (following := tree.next_of(chain[-1])) is not None:
        chain.append(following)
    fan = tree.fan_of(chain[-1]) or [child for child in tree.children[chain[-1]] if len(tree.children[chain[-1]]) > 1]
    fan = fan if len(fan) > 1 else []
    first = ""
    holder: dict[str, str] = {}
    groups = _by_stem([tree.bones[name] for name in chain])
    for group in _merged_lead(groups) if lower is None and draft.limbs else groups:
        joints = _joints(group, last=group[-1].name == chain[-1] and not fan)
        own = draft.add(group[-1].stem, joints)
        holder |= {bone.name: own for bone in group}
        if lower is not None:
            draft.splices.append(Splice(own, lower))
        first, lower = first or own, own
    _lay_fan(tree, draft, lower or first, fan)
    for bone in chain:
        following = tree.next_of(bone)
        for child in tree.children[bone]:
            if child != following and child not in fan:
                draft.sockets.append(Socket(holder[bone], _lay_chain(tree, draft, child, None)))
    return first


def _by_stem(bones: Sequence[RigBone]) -> list[list[RigBone]]:
    groups: list[list[RigBone]] = []
    for bone in bones:
        if groups and groups[-1][-1].stem == bone.stem:
            groups[-1].append(bone)
        else:
            groups.append([bone])
    return groups


def _merged_lead(groups: list[list[RigBone]]) -> list[list[RigBone]]:
    """The first names of a branch joined with one that is longer than all before it together: a clavicle and a shoulder lie
    inside the trunk and are no limbs of their own."""
    lengths = [sum(bone.length for bone in group) for group in groups]
    for index in range(1, min(len(groups), MOST_LEAD + 1)):
        if lengths[index] > sum(lengths[:index]):
            return [[bone for group in groups[: index + 1] for bone in group], *groups[index + 1 :]]
    return groups


def _joints(group: Sequence[RigBone], *, last: bool) -> list[FloatArray]:
    """Joints along bones of one limb, without those between two halves of one bone.

    last : whether nothing follows the limb; a digit's bones bend, however straight they rest
    """
    points = [group[0].head]
    for bone, following in zip(group, [*group[1:], None], strict=True):
        halves = not last and following is not None and following.stem == bone.stem and sum(each.stem == bone.stem for each in group) == 2
        turn = 180.0 if following is None else float(np.degrees(np.arccos(np.clip(_direction(bone) @ _direction(following), -1, 1))))
        if not (halves and turn < IN_LINE):
            points.append(bone.tail)
    return points


def _lay_fan(tree: _Tree, draft: _Draft, trunk: str, fan: Sequence[str]) -> None:
    """Lay a trunk's fork; bones that fan out inside the trunk lengthen it."""
    if not fan:
        return
    heads, tails = (np.array([getattr(tree.bones[name], end) for name in fan]) for end in ("head", "tail"))
    inside = _spread(heads) < FANNED * _spread(tails) and all(tree.next_of(name) is not None for name in fan)
    if inside:
        _lengthen(draft, trunk, tails.mean(axis=0))
        fan = [tree.next_of(name) or name for name in fan]
    draft.forks.append(Fork(trunk, tuple(_lay_branch(tree, draft, name) for name in fan)))


def _lay_branch(tree: _Tree, draft: _Draft, name: str) -> str:
    return _lay_chain(tree, draft, name, None)


def _spread(points: FloatArray) -> float:
    return float(np.linalg.norm(points - points.mean(axis=0), axis=1).mean())


def _lengthen(draft: _Draft, name: str, end: FloatArray) -> None:
    """Let a limb reach on to a point; a last bone that would be far shorter than the one before gives way."""
    index = [limb.name for limb in draft.limbs].index(name)
    joints = draft.limbs[index].joints
    step, last = float(np.linalg.norm(end - joints[-1])), float(np.linalg.norm(joints[-1] - joints[-2]))
    short_stub = len(joints) == 2 and last < step
    kept = joints[:-1] if step < 0.5 * last or short_stub else joints
    draft.limbs[index] = replace(draft.limbs[index], joints=np.concatenate([kept, end[None]]))


def _lay_turned(tree: _Tree, draft: _Draft, path: Sequence[str]) -> None:
    """Lay a body's trunk from its far end to the root, the sides that hang from the root as a fork, all others as sockets."""
    turned = [RigBone(bone.name, "", bone.tail, bone.head) for bone in (tree.bones[name] for name in path[:0:-1])]
    holder: dict[str, str] = {}
    lower: str | None = None
    for group in _by_stem(turned):
        own = draft.add(group[0].stem, _joints(group, last=False))
        holder |= {bone.name: own for bone in group}
        if lower is not None:
            draft.splices.append(Splice(own, lower))
        lower = own
    assert lower is not None
    _lay_fan(tree, draft, lower, [name for name in tree.children[path[0]] if is_sided(name)])
    for name in tree.children[path[0]]:
        if name != path[1] and not is_sided(name):
            draft.sockets.append(Socket(lower, _lay_chain(tree, draft, name, None)))
    for bone, following in zip(path[1:], [*path[2:], None], strict=True):
        for child in tree.children[bone]:
            if child != following:
                draft.sockets.append(Socket(holder[bone], _lay_chain(tree, draft, child, None)))


def _closed(draft: _Draft) -> Iterable[Limb]:
    """The limbs, closed where nothing leaves their tip."""
    joined = {fork.trunk for fork in draft.forks} | {splice.lower for splice in draft.splices}
    return [limb if limb.name in joined else replace(limb, tip="closed") for limb in draft.limbs]
