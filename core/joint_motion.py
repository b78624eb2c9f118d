"""How far each kind of joint turns, and the poses that a cage is tried in.

The angles are for bending a mesh and no medical advice. Clinical tables: e-Hand (Eaton), AAOS values in study
tables, AccessPhysiotherapy; they differ by some ten degrees among each other. Knee and elbow also by the
CDC normal joint study (Soucie et al., Haemophilia 17, 2011). A profile may give other angles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any

from .errors import ProfileError
from .skeleton import Skeleton, split_side, words_of

MOST_DEGREES = 180.0


@dataclass(frozen=True)
class JointRange:
    """How far a joint turns, degrees.

    flex, extend : about the hinge, further and back
    side : to either side, square to hinge and bone
    twist : about the bone, either way
    source : where the angles come from
    """

    flex: float
    extend: float = 0.0
    side: float = 0.0
    twist: float = 0.0
    source: str = "common practice"


JOINT_RANGES: Mapping[str, JointRange] = MappingProxyType({
    "finger root": JointRange(90, 30, 20, 0, "e-Hand and AAOS 90; extension 0-45 by table; spread: common practice"),
    "finger middle": JointRange(100, 0, 0, 0, "e-Hand and AAOS 100"),
    "finger end": JointRange(80, 0, 0, 0, "e-Hand 80, AAOS 90"),
    "thumb root": JointRange(20, 20, 20, 0, "common practice"),
    "thumb middle": JointRange(55, 0, 0, 0, "e-Hand 55, AAOS 50"),
    "thumb end": JointRange(80, 0, 0, 0, "e-Hand and AAOS 80"),
    "wrist": JointRange(80, 70, 20, 70, "AAOS 80 and 70, radial 20; forearm pronation 70 by e-Hand"),
    "elbow": JointRange(145, 0, 0, 0, "e-Hand 145, AAOS 150"),
    "shoulder": JointRange(90, 30, 60, 45, "common practice"),
    "knee": JointRange(140, 0, 0, 0, "Soucie et al. 2011, 138-142 at ages 20-44 (from memory)"),
    "ankle": JointRange(20, 45, 15, 0, "from memory: 20 up, 45-50 down"),
    "hip": JointRange(110, 20, 35, 0, "from memory: 110-120 bent, 20 back"),
    "toe root": JointRange(35, 60, 0, 0, "from memory: 30-45 down, 60-70 up"),
    "toe": JointRange(40, 0, 0, 0, "from memory: 35-60"),
    "neck": JointRange(40, 40, 35, 45, "common practice"),
    "spine": JointRange(15, 10, 10, 15, "common practice, for each of some five joints"),
    "girdle": JointRange(15, 15, 15, 0, "common practice, for a clavicle or a shoulder blade"),
    "chain": JointRange(30, 30, 30, 0, "common practice, for tails, tentacles and the like"),
    "other": JointRange(45, 45, 30, 0, "common practice"),
})
"""Ranges by kind of joint, with where they come from."""

TRIED_FROM_REST = frozenset({"shoulder", "girdle", "hip", "ankle", "toe root", "thumb root", "neck", "spine"})
"""Kinds whose range is tried from the pose at rest: their bones make no straight line at zero. All other kinds are counted
from a straight limb, as clinicians do: a finger that rests half bent has half the way left."""

_DIGITS, _HANDS = ("finger", "digit"), ("palm", "hand", "wrist", "paw")
_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("elbow", ("forearm", "lower arm", "lower_arm", "lowerarm", "elbow")), ("shoulder", ("upper arm", "upper_arm", "upperarm", "shoulder")),
    ("wrist", _HANDS), ("knee", ("shin", "calf", "lower leg", "lower_leg", "lowerleg", "knee")),
    ("hip", ("thigh", "upper leg", "upper_leg", "upperleg", "upleg", "hip")), ("ankle", ("foot", "ankle")),
    ("neck", ("neck", "head")), ("spine", ("spine", "torso", "trunk", "chest", "belly", "waist", "pelvis")),
    ("chain", ("tail", "tentacle", "trail", "ear", "antenna")))
_IN_ORDER = {"arm": ("shoulder", "elbow", "wrist"), "leg": ("hip", "knee", "ankle")}


def joint_role(skeleton: Skeleton, index: int) -> str:
    """The kind of joint at a bone's head, a key of ``JOINT_RANGES``: told by the limb's name, else by how it hangs."""
    bone = skeleton.bones[index]
    name = split_side(bone.limb)[0].lower()
    if "toe" in name:
        return "toe root" if bone.place == 0 else "toe"
    if "thumb" in name or _is_thumb(skeleton, index):
        return ("thumb root", "thumb middle", "thumb end")[min(bone.place, 2)]
    if _is_finger(skeleton, index):
        return ("finger root", "finger middle", "finger end")[min(bone.place, 2)]
    for role, words in _WORDS:
        if any(word in name for word in words):
            return "girdle" if role == "shoulder" and not _is_last(skeleton, index) else role
    for word, roles in _IN_ORDER.items():
        if word in words_of(bone.limb):
            return _role_in_order(skeleton, index, roles)
    return "other"


def _role_in_order(skeleton: Skeleton, index: int, roles: tuple[str, str, str]) -> str:
    """The kind of joint in a limb called "arm" or "leg": counted from its root, where the whole of it is one limb; the second kind where
    it goes on from another limb, the first where another goes on from it at a joint of the second kind."""
    bone = skeleton.bones[index]
    if skeleton.first_of_limb(index).hang == "splice":
        return roles[min(bone.place + 1, 2)]
    above = [each for each, behind in enumerate(skeleton.bones) if behind.hang == "splice"
             and skeleton.bones[behind.parent].number == bone.number and skeleton.bones[behind.parent].side == bone.side]
    if any(joint_role(skeleton, each) == roles[1] for each in above):
        return roles[0] if _is_last(skeleton, index) or roles[0] != "shoulder" else "girdle"
    return roles[min(bone.place, 2)]


def _is_last(skeleton: Skeleton, index: int) -> bool:
    """Whether a bone is its limb's last one: bones before an upper arm's own lie inside the trunk."""
    bone = skeleton.bones[index]
    return not any(each.number == bone.number and each.side == bone.side and each.place > bone.place for each in skeleton.bones)


def _is_finger(skeleton: Skeleton, index: int) -> bool:
    """Whether a bone belongs to one of three or more branches of a fork, or its limb is called a digit."""
    bone = skeleton.bones[index]
    if any(word in bone.limb.lower() for word in _DIGITS):
        return True
    root = skeleton.first_of_limb(index)
    return root.hang == "fork" and len(skeleton.fork_at(root.parent)) > 2


def _is_thumb(skeleton: Skeleton, index: int) -> bool:
    """Whether a bone belongs to a digit that leaves the side of what three or more others fork from: rigs call it the first finger."""
    bone = skeleton.bones[index]
    root = skeleton.first_of_limb(index)
    if root.hang != "socket":
        return False
    trunk = skeleton.bones[root.parent]
    fork = [each for each in skeleton.bones if each.hang == "fork" and skeleton.bones[each.parent].number == trunk.number
            and skeleton.bones[each.parent].side == trunk.side]
    named = any(word in bone.limb.lower() for word in _DIGITS)
    return len(fork) > 2 and (named or any(word in trunk.limb.lower() for word in _HANDS))


def read_joint_ranges(table: Mapping[str, Any]) -> dict[str, JointRange]:
    """Ranges of a profile: kinds of joint with angles in degrees that take the place of the defaults.

    table : kind to a table of ``flex``, ``extend``, ``side``, ``twist``
    Raises ProfileError where a kind or a key is unknown or an angle is no number from 0 to 180.
    """
    ranges = dict(JOINT_RANGES)
    allowed = [each.name for each in fields(JointRange) if each.name != "source"]
    for role, angles in table.items():
        if role not in ranges:
            raise ProfileError(f'[joints]: there is no kind of joint "{role}"; the kinds are {", ".join(ranges)}.')
        if not isinstance(angles, Mapping) or any(key not in allowed for key in angles):
            raise ProfileError(f'[joints.{role}]: give a table with the keys {", ".join(allowed)}.')
        for key, value in angles.items():
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= MOST_DEGREES:
                raise ProfileError(f'[joints.{role}]: {key} is {value!r}; it must be a number of degrees from 0 to 180.')
        kept = {key: getattr(ranges[role], key) for key in allowed}
        ranges[role] = JointRange(**{**kept, **{key: float(value) for key, value in angles.items()}}, source="profile")
    return ranges


SET_POSES: Mapping[str, Mapping[str, tuple[float, float]]] = MappingProxyType({
    "fist": {"finger root": (1.0, 0.0), "finger middle": (1.0, 0.0), "finger end": (0.8, 0.0), "thumb middle": (0.8, 0.0),
             "thumb end": (0.6, 0.0)},
    "pointing": {"finger root": (0.9, 0.0), "finger middle": (1.0, 0.0), "finger end": (0.8, 0.0), "thumb middle": (0.5, 0.0)},
    "spread": {"finger root": (-0.3, 1.0), "thumb root": (0.0, 1.0)},
    "squat": {"hip": (0.9, 0.0), "knee": (0.85, 0.0), "ankle": (1.0, 0.0)},
})
"""Poses by kind of joint: share of the range about the hinge (below 0: extension) and to the side."""
EXTENDED_IN_POINTING = 1
"""Branches of every fork that stay straight when pointing: the last one in order across (an index finger lies beside the thumb)."""
