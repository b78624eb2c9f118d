"""A limb plan from any armature: chains of bones become limbs, branching becomes forks and sockets.

Bones whose names differ only in a number (``finger2-1``, ``finger2-2``) are one limb; where the name changes along a
chain, two limbs are spliced. Of two numbered bones in line, as riggers split an arm for its twist, one is made. Bones
that fan out from one place inside a trunk (the metacarpals of a palm, the two sides of a pelvis) lengthen the trunk, and
the branches begin at their ends. A body whose root lies between spine and legs is turned round: its trunk runs from the
neck, which stays open, down to the pelvis, where the legs fork; arms are sockets in its side.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from .bone_tree import BoneTree
from .plan import Fork, Limb, LimbPlan, Socket, Splice, check_plan
from .plan_edits import order_across
from .polymesh import FloatArray
from .rig_bones import RigBone
from .skeleton import free_names
from .two_sided import mirror_plane_of

IN_LINE = 20.0
"""Two bones of one name that turn by fewer degrees are one bone split for its twist."""
FANNED = 0.6
"""Sibling bones whose heads lie this much closer together than their tails fan out inside a trunk."""
FEWEST_BEHIND = 2
"""Bones that must follow one that lies inside a trunk: a digit of two bones has none there."""
MOST_LEAD = 2
"""Names that may lie inside a trunk before a branch comes out of it (a clavicle and a shoulder)."""


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
    tree = BoneTree.of(bones)
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


def _on_one_line(name: str) -> str:
    """A bone's name without what a plan's names cannot hold: line ends, control characters, invisible ones."""
    return " ".join("".join(char if char.isprintable() else " " for char in name).split()) or "limb"


def _lay_chain(tree: BoneTree, draft: _Draft, start: str, lower: str | None) -> str:
    """Lay the chain from a bone on, with all that branches from it; returns the first limb's name.

    lower : the limb that it is spliced to, or None
    """
    chain = [start]
    while (following := tree.next_of(chain[-1])) is not None:
        chain.append(following)
    fan = tree.fan_of(chain[-1]) or tree.children[chain[-1]]
    fan = fan if len(fan) > 1 and tree.run_on(tree.bones[chain[-1]].direction, fan) else []
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
    lengths = [_length(group) for group in groups]
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
        turn = 180.0 if following is None else float(np.degrees(np.arccos(np.clip(bone.direction @ following.direction, -1, 1))))
        if not (halves and turn < IN_LINE):
            points.append(bone.tail)
    return points


def _lay_fan(tree: BoneTree, draft: _Draft, trunk: str, fan: Sequence[str]) -> None:
    """Lay a trunk's fork; bones that fan out inside the trunk lengthen it."""
    if not fan:
        return
    heads, tails = (np.array([getattr(tree.bones[name], end) for name in fan]) for end in ("head", "tail"))
    inside = _spread(heads) < FANNED * _spread(tails) and all(tree.size(name) > FEWEST_BEHIND for name in fan)
    inside = inside and all(tree.next_of(name) is not None for name in fan)
    aside: list[str] = []
    if inside:
        _lengthen(draft, trunk, tails.mean(axis=0))
        begins = [tree.next_of(name) or name for name in fan]
        aside = [child for name in fan for child in tree.children[name] if child not in begins]
        fan = begins
    draft.forks.append(Fork(trunk, tuple(_lay_branch(tree, draft, name) for name in fan)))
    draft.sockets += [Socket(trunk, _lay_branch(tree, draft, name)) for name in aside]


def _lay_branch(tree: BoneTree, draft: _Draft, name: str) -> str:
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


def _lay_turned(tree: BoneTree, draft: _Draft, path: Sequence[str]) -> None:
    """Lay a body's trunk from its far end to the root; the sides that hang from the root are its fork, or where they hang from its side
    its end runs on in a tail or is closed; all others are sockets."""
    way, fan, tail = -tree.bones[path[1]].direction, tree.sided_at_root(), ""
    if tree.run_on(way, fan):
        path = path[1:]  # the root bone lies between the branches
    else:
        fan, tail = [], tree.tail_of(way, path)
    apart = {*path, *fan, tail}
    beside = {child: min(path, key=lambda name: tree.distance(child, name))
              for bone in dict.fromkeys([tree.root, *path]) for child in tree.children[bone] if child not in apart}
    turned = [RigBone(bone.name, "", bone.tail, bone.head) for bone in (tree.bones[name] for name in reversed(path))]
    holder: dict[str, str] = {}
    lower: str | None = None
    for group in _one_trunk(_by_stem(turned), set(beside.values())):
        own = draft.add(max(_by_stem(group), key=_length)[0].stem, _joints(group, last=False))
        holder |= {bone.name: own for bone in group}
        if lower is not None:
            draft.splices.append(Splice(own, lower))
        lower = own
    assert lower is not None
    _lay_fan(tree, draft, lower, fan)
    if tail:
        _lengthen(draft, lower, tree.bones[tail].head)
        _lay_chain(tree, draft, tail, lower)
    for child, bone in beside.items():
        draft.sockets.append(Socket(holder[bone], _lay_chain(tree, draft, child, None)))


def _one_trunk(groups: list[list[RigBone]], holding: set[str]) -> list[list[RigBone]]:
    """A body's groups of bones with all from the first that holds a limb on in one, so that every limb finds room in its side."""
    first = next((index for index, group in enumerate(groups) if any(bone.name in holding for bone in group)), len(groups) - 1)
    return [*groups[:first], [bone for group in groups[first:] for bone in group]]


def _length(group: Sequence[RigBone]) -> float:
    return sum(bone.length for bone in group)


def _closed(draft: _Draft) -> Iterable[Limb]:
    """The limbs, closed where nothing leaves their tip."""
    joined = {fork.trunk for fork in draft.forks} | {splice.lower for splice in draft.splices}
    return [limb if limb.name in joined else replace(limb, tip="closed") for limb in draft.limbs]
