"""Where the bones of an armature really end: rigs that were read from exchange files often keep their joints alone, and every bone
points some way of its own.

A bone whose tail lies at the head of a child is believed. Any other one ends where the child begins that carries it on, or in the
middle of a row of such children; a bone with nothing behind it goes on as its parent does, where that one was not believed either.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from .frames import unit
from .rig_bones import AT_TIP, RigBone, children_of
from .skeleton import is_sided

BESIDE_REACH = 0.6
"""A child that begins before the tail and within so many bone lengths of the bone leaves its side."""
NEAR_HEAD = 0.15
"""Nearer to the head than this share of the bone nothing leaves its side: there the bone points away from where it goes on."""
NEAR_SHARE = 0.5
"""Children that begin nearer than this share of the farthest one's distance are no part of its row: a thumb beside fingers."""
ROW_COSINE = np.cos(np.radians(35.0))
"""Children of a row are seen from the bone's head within so much of their mean direction."""
TURNED_COSINE = np.cos(np.radians(30.0))
"""A bone that points so far away from where it ends says nothing of the bones behind it either."""
LAST_SHARE = 0.3
"""Length of a last bone whose own end says nothing, in lengths of its parent: short, so that below an ankle it stays in the foot; what
the target has beyond its end is found there."""


def with_true_ends(bones: Sequence[RigBone]) -> list[RigBone]:
    """The bones, with tails where they really end, in their order."""
    children = children_of(bones)
    ended = {bone.name: _ended(bone, _carrying(bone, children)) for bone in bones}
    turned = {bone.name for bone in bones if bone.direction @ ended[bone.name].direction < TURNED_COSINE}
    return [_continued(bone, ended[bone.parent]) if not children[bone.name] and bone.parent in turned else ended[bone.name]
            for bone in bones]


def _carrying(bone: RigBone, children: Mapping[str, Sequence[RigBone]]) -> list[RigBone]:
    """The children at whose heads a bone ends; none where its own tail is believed."""
    own = children[bone.name]
    if any(np.linalg.norm(child.head - bone.tail) <= AT_TIP * bone.length for child in own):
        return []
    ahead = [child for child in own if (is_sided(bone.name) or not is_sided(child.name)) and not _leaves_side(bone, child)]
    away = {child.name: float(np.linalg.norm(child.head - bone.head)) for child in ahead}
    row = [child for child in ahead if away[child.name] > NEAR_SHARE * max(away.values())]
    middle = unit(np.sum([unit(child.head - bone.head) for child in row], axis=0)) if row else np.zeros(3)
    if all(unit(child.head - bone.head) @ middle >= ROW_COSINE for child in row):
        return row
    return [max(row, key=lambda child: _count(child, children))]


def _leaves_side(bone: RigBone, child: RigBone) -> bool:
    offset = child.head - bone.head
    along = float(offset @ bone.direction)
    across = float(np.linalg.norm(offset - along * bone.direction))
    return NEAR_HEAD * bone.length <= along <= (1 - AT_TIP) * bone.length and across <= BESIDE_REACH * bone.length


def _count(bone: RigBone, children: Mapping[str, Sequence[RigBone]]) -> int:
    """Number of bones behind one, however they hang together."""
    found, waiting = {bone.name}, [bone]
    while waiting:
        new = [child for child in children[waiting.pop().name] if child.name not in found]
        found |= {child.name for child in new}
        waiting += new
    return len(found)


def _ended(bone: RigBone, carrying: Sequence[RigBone]) -> RigBone:
    return replace(bone, tail=np.mean([child.head for child in carrying], axis=0)) if carrying else bone


def _continued(bone: RigBone, parent: RigBone) -> RigBone:
    """A last bone that goes on as its parent does."""
    return replace(bone, tail=bone.head + LAST_SHARE * (parent.tail - parent.head))
