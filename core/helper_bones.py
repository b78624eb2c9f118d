"""Bones of an armature that move no skin of their own: controls, targets, twist helpers, end markers, a root that only carries the rest.

Told by the words of their names, as riggers write them (common practice), and by how they lie. What hangs from a bone that is left out
hangs from the next one above.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from .frames import unit
from .polymesh import FloatArray
from .rig_bones import AT_TIP, RigBone
from .skeleton import segment_distances, words_of

CONTROL_WORDS = frozenset({"ik", "pole", "ctrl", "control", "target", "helper", "mch", "corrective", "driver", "socket", "weapon", "prop",
                           "footsteps"})
"""A bone with one of these words is a control."""
FLESH_WORDS = frozenset({"breast", "pec", "glute", "belly", "jiggle", "muscle", "face", "forehead", "temple", "brow", "eyebrow", "eye",
                         "eyelid", "lid", "nose", "nostril", "cheek", "jaw", "chin", "lip", "lips", "mouth", "teeth", "tongue"})
"""A bone with one of these words and nothing behind it moves flesh of its parent's limb."""
END_WORDS = frozenset({"end", "nub", "leaf", "effector"})
"""A bone with one of these words and nothing behind it marks where its parent ends."""
TWIST_WORDS = frozenset({"twist", "roll"})
"""A bone with one of these words turns skin about its parent and has no joint of its own."""
ROOT_WORDS = frozenset({"root", "armature", "master", "world", "origin", "reference", "global"})
"""A bone with one of these words that all others hang from, and that has no brother, only carries them."""
BESIDE = 0.15
"""A bone with nothing behind it that lies within this share of its parent's length of its line is a twist helper."""
PARALLEL = np.cos(np.radians(10.0))


def without_helpers(bones: Sequence[RigBone]) -> tuple[list[RigBone], list[str]]:
    """The bones that make limbs, and the names of those that were left out; all of them where nothing else is left."""
    kept = list(bones)
    while (helper := next((bone for bone in kept if _is_helper(bone, kept)), None)) is not None and len(kept) > 1:
        kept = _taken_out(helper, kept)
    names = {bone.name for bone in kept}
    return kept, [bone.name for bone in bones if bone.name not in names]


def _is_helper(bone: RigBone, bones: Sequence[RigBone]) -> bool:
    words, parent = words_of(bone.name), next((each for each in bones if each.name == bone.parent), None)
    children = [each for each in bones if each.parent == bone.name]
    if words & CONTROL_WORDS:
        return True
    if parent is None:
        return _only_carries(bone, words, children)
    if words & TWIST_WORDS:
        return not children or _in_line(bone, parent)
    return not children and (bool(words & (END_WORDS | FLESH_WORDS)) or _beside(bone, parent) or _shares_joint(bone, parent, bones))


def _only_carries(bone: RigBone, words: frozenset[str], children: Sequence[RigBone]) -> bool:
    """Whether a root has one child alone and either says that it is no limb or does not reach it."""
    if len(children) != 1:
        return False
    return bool(words & ROOT_WORDS) or bool(np.linalg.norm(children[0].head - bone.tail) > AT_TIP * bone.length)


def _in_line(bone: RigBone, parent: RigBone) -> bool:
    return bool(unit(bone.tail - bone.head) @ unit(parent.tail - parent.head) > PARALLEL)


def _beside(bone: RigBone, parent: RigBone) -> bool:
    """Whether a bone lies along its parent, within it."""
    if not (parent.length > 0 and bone.length > 0 and _in_line(bone, parent)):
        return False
    ends = segment_distances(np.array([bone.head, bone.tail]), parent.head, parent.tail)
    return bool((ends <= BESIDE * parent.length).all() and np.linalg.norm(bone.head - parent.tail) > BESIDE * parent.length)


def _shares_joint(bone: RigBone, parent: RigBone, bones: Sequence[RigBone]) -> bool:
    """Whether a bone with nothing behind it begins where its parent does, beside a chain that goes on: it spreads a pelvis's skin."""
    at_head = bool(np.linalg.norm(bone.head - parent.head) <= BESIDE * parent.length)
    brothers = {each.name for each in bones if each.parent == parent.name and each is not bone}
    return at_head and any(each.parent in brothers for each in bones)


def _taken_out(helper: RigBone, bones: Sequence[RigBone]) -> list[RigBone]:
    """The bones without one of them; a parent that a twist bone goes on from reaches as far as that one did."""
    children = [each for each in bones if each.parent == helper.name]
    longer = {helper.parent: helper.tail} if children and words_of(helper.name) & TWIST_WORDS else {}
    return [_hung(bone, helper, longer) for bone in bones if bone is not helper]


def _hung(bone: RigBone, helper: RigBone, longer: Mapping[str, FloatArray]) -> RigBone:
    parent = helper.parent if bone.parent == helper.name else bone.parent
    return replace(bone, parent=parent, tail=longer.get(bone.name, bone.tail))
