"""The bones of an armature as a tree: checked, without what only carries others, and asked what goes on from where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .bone_ends import with_true_ends
from .errors import PlanError
from .frames import unit
from .polymesh import FloatArray
from .rig_bones import AT_TIP, RigBone, children_of
from .skeleton import is_sided, segment_distances

SHORTEST_BONE = 1e-6
"""Bones shorter than this share of the armature's size have no direction."""
AHEAD = 0.5
"""Branches that leave a trunk's end run on within 60 degrees of its way, in their mean."""
ROUND = 0.5
"""Ends of three branches or more that spread this much across their row stand round the trunk."""


@dataclass(frozen=True)
class BoneTree:
    """Bones that hang from one root.

    children : names of the bones that hang from each
    """

    bones: dict[str, RigBone]
    children: dict[str, list[str]]
    root: str

    @classmethod
    def of(cls, bones: Sequence[RigBone]) -> BoneTree:
        """Check the bones and hang them from each other."""
        if not bones:
            raise PlanError("No bone was given; select the bones that the cage is to follow.")
        by_name = {bone.name: bone for bone in bones}
        if "" in by_name:
            raise PlanError("A bone has no name; give every bone a name.")
        if len(by_name) < len(bones):
            twice = next(bone.name for bone in bones if sum(each.name == bone.name for each in bones) > 1)
            raise PlanError(f'Two bones are named "{twice}"; give every bone its own name.')
        _check_loops(by_name)
        roots = [bone.name for bone in bones if bone.parent not in by_name]
        if len(roots) != 1:
            raise PlanError(f"The bones have {len(roots)} roots ({', '.join(roots[:4])}); leave out the ones that do not belong, "
                            "or hang them from one bone.")
        _check_numbers(bones)
        by_name = {bone.name: bone for bone in _without_pelvis(with_true_ends(bones), roots[0])}
        _check_lengths(list(by_name.values()))
        children = {name: [child.name for child in own] for name, own in children_of(list(by_name.values())).items()}
        return cls(by_name, children, roots[0])

    def size(self, name: str) -> int:
        """Number of bones from one on."""
        return 1 + sum(self.size(child) for child in self.children[name])

    def distance(self, name: str, other: str) -> float:
        """How far a bone begins from another bone's line."""
        bone = self.bones[other]
        return float(segment_distances(self.bones[name].head[None], bone.head, bone.tail)[0])

    def sided_at_root(self) -> list[str]:
        """Bones of both sides that hang from the root and are of about one size."""
        sided = [name for name in self.children[self.root] if is_sided(name)]
        most = max((self.size(name) for name in sided), default=0)
        return [name for name in sided if 2 * self.size(name) >= most]

    def turned_trunk(self) -> list[str]:
        """Bones from the root along the middle to its end, where both sides hang from the root; empty for other trees."""
        if len(self.sided_at_root()) < 2:
            return []
        path = [self.root]
        while True:
            middle = [name for name in self.children[path[-1]] if not is_sided(name)]
            if not middle:
                break
            path.append(max(middle, key=self.size))
        return path if len(path) > 1 else []

    def tail_of(self, way: FloatArray, path: Sequence[str]) -> str:
        """The largest chain of the middle at the root in which a trunk that ends there runs on; empty where there is none.

        way : (3,) float64, how the trunk runs
        path : bones of the trunk
        """
        middle = [name for name in self.children[self.root] if not is_sided(name) and name not in path and self.run_on(way, [name])]
        return max(middle, key=self.size, default="")

    def next_of(self, name: str) -> str | None:
        """The child that carries a chain on: the straightest of those at the tail, unless several of them fan out."""
        bone = self.bones[name]
        at_tip = [child for child in self.children[name] if np.linalg.norm(self.bones[child].head - bone.tail) <= AT_TIP * bone.length]
        if len(self.children[name]) == 1 and at_tip:
            return at_tip[0]
        if not at_tip or len(self.fan_of(name)) > 1:
            return None
        return max(at_tip, key=lambda child: float(self.bones[child].direction @ bone.direction))

    def way_of(self, name: str) -> FloatArray:
        """Unit direction from a bone's head to the end of the chain that it begins, (3,) float64."""
        last = name
        while (following := self.next_of(last)) is not None:
            last = following
        return unit(self.bones[last].tail - self.bones[name].head)

    def run_on(self, way: FloatArray, row: Sequence[str]) -> bool:
        """Whether a trunk that runs some way goes on in a row of branches: they leave its end and lie side by side; legs that hang from
        the side of a body, or arms all round one, do not.

        way : (3,) float64 unit vector
        """
        ahead = float(np.mean([self.way_of(name) @ way for name in row])) > AHEAD
        ends = np.array([self.bones[name].tail for name in row])
        across = np.linalg.svd(ends - ends.mean(axis=0), compute_uv=False)
        return ahead and (len(row) < 3 or bool(across[1] < ROUND * across[0]))

    def fan_of(self, name: str) -> list[str]:
        """Children that leave a bone's tip side by side: within 60 degrees of it, called alike where any are, of about one size."""
        bone = self.bones[name]
        way = bone.direction
        ahead = [child for child in self.children[name]
                 if self.bones[child].direction @ way > AHEAD and (self.bones[child].head - bone.head) @ way > 0]
        kinds = [self.bones[child].kind for child in ahead]
        row = [child for child, kind in zip(ahead, kinds, strict=True) if kinds.count(kind) > 1] or [
            child for child, kind in zip(ahead, kinds, strict=True) if "thumb" not in kind]
        most = max((self.size(child) for child in row), default=0)
        return [child for child in row if 2 * self.size(child) >= most] if len(row) > 1 else []


def _check_numbers(bones: Sequence[RigBone]) -> None:
    if not all(np.isfinite([bone.head, bone.tail]).all() for bone in bones):
        raise PlanError("A bone has an end that is no number; mend the armature.")


def _check_lengths(bones: Sequence[RigBone]) -> None:
    size = float(np.linalg.norm(np.ptp([end for bone in bones for end in (bone.head, bone.tail)], axis=0)))
    short = [bone.name for bone in bones if not bone.length > SHORTEST_BONE * size]
    if short:
        raise PlanError(f'The bone "{short[0]}" has no length; move its ends apart or leave it out.')


def _without_pelvis(bones: Sequence[RigBone], root: str) -> list[RigBone]:
    """The bones with both legs hung from the root, where a bone between the two does nothing but carry them and the trunk does not run
    through it."""
    children = children_of(bones)
    middle = [bone.name for bone in children[root] if not is_sided(bone.name)]
    carries = {name for name in middle if len(children[name]) > 1 and all(is_sided(child.name) for child in children[name])}
    if len(middle) == len(carries):
        return list(bones)
    return [replace(bone, parent=root) if bone.parent in carries else bone for bone in bones if bone.name not in carries]


def _check_loops(bones: dict[str, RigBone]) -> None:
    for start in bones:
        seen = [start]
        while bones[seen[-1]].parent in bones:
            seen.append(bones[seen[-1]].parent)
            if seen[-1] in seen[:-1]:
                loop = " -> ".join(seen[seen.index(seen[-1]) :])
                raise PlanError(f"The parents of the bones run in a loop, {loop}; hang one of them elsewhere.")
