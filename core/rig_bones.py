"""The bones of an armature as the core knows them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .frames import unit
from .polymesh import FloatArray
from .skeleton import split_side

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
    def direction(self) -> FloatArray:
        """Unit direction from head to tail, (3,) float64; zero where the bone has no length."""
        return unit(self.tail - self.head)

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


def children_of(bones: Sequence[RigBone]) -> dict[str, list[RigBone]]:
    """The bones that hang from each bone, by its name, in their order."""
    children: dict[str, list[RigBone]] = {bone.name: [] for bone in bones}
    for bone in bones:
        if bone.parent in children:
            children[bone.parent].append(bone)
    return children
