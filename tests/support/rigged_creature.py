"""An invented creature with the bones of its rig, named and cluttered as rigs from elsewhere are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ringwright.core.rig_bones import RigBone

from .creatures import biped_chains, grown
from .shapes import LimbChain, Shape

Point = tuple[float, float, float]
TAIL: tuple[Point, ...] = ((0, 1.5, 11.1), (0, 4, 11.2), (0, 7, 12.2), (0, 9.7, 13.8))
FINGER_ROWS = {"Index": -0.85, "Middle": 0.0, "Ring": 0.85}


def creature(cells: int = 110, *, tail: bool) -> Shape:
    """The biped of the creatures, with a tail if wanted."""
    chains = biped_chains()
    if tail:
        chains["tail"] = LimbChain(np.array([(0, 1.0, 11.0), *TAIL[1:3], (0, 10, 14.0)]), np.array([1.2, 0.9, 0.7, 0.5]))
    return grown(chains, 0.6, cells)


def bone(name: str, parent: str, head: Sequence[float], tail: Sequence[float]) -> RigBone:
    return RigBone(name, parent, np.array(head, dtype=float), np.array(tail, dtype=float))


def chain(names: Sequence[str], parent: str, points: Sequence[Sequence[float]]) -> list[RigBone]:
    return [bone(name, ([parent, *names])[index], points[index], points[index + 1]) for index, name in enumerate(names)]


def limb_bones(*, tail: bool, prefixed: bool) -> list[RigBone]:
    """The bones that move skin. prefixed : "LeftArm" instead of "Arm.L"."""
    bones = chain(["Hips", "Spine", "Spine1", "Spine2", "Neck"], "",
                  [(0, 0, 10.2), (0, 0, 11.0), (0, 0.05, 13), (0, 0.1, 15), (0, 0, 17), (0, 0, 18.6)])
    for sign in (1, -1):
        bones += _side(sign, prefixed=prefixed)
    return bones + (chain(["Tail1", "Tail2", "Tail3"], "Hips", TAIL) if tail else [])


def named(stem: str, sign: int, *, prefixed: bool) -> str:
    return f"{'Left' if sign > 0 else 'Right'}{stem}" if prefixed else f"{stem}.{'L' if sign > 0 else 'R'}"


def _side(sign: int, *, prefixed: bool) -> list[RigBone]:
    def at(x: float, y: float, z: float) -> Point:
        return sign * x, y, z

    def side(*stems: str) -> list[str]:
        return [named(stem, sign, prefixed=prefixed) for stem in stems]

    (hand,) = side("Hand")
    bones = chain(side("UpLeg", "Leg", "Foot"), "Hips", [at(1.4, 0, 9.2), at(1.8, -0.2, 4.6), at(1.9, 0.1, 0.9), at(2.15, -2.2, 0.3)])
    bones += chain(side("Shoulder", "Arm", "ForeArm", "Hand"), "Spine2",
                   [at(0.5, 0, 16.2), at(2.6, 0, 15.6), at(6.3, 0.2, 12.6), at(8.9, -0.2, 9.4), at(9.5, -0.1, 8.4)])
    for finger, y in FINGER_ROWS.items():
        bones += chain(side(f"Hand{finger}1", f"Hand{finger}2"), hand,
                       [at(10, -0.1 + y, 7.7), at(10.7, -0.1 + 1.2 * y, 6.5), at(11.05, -0.1 + 1.3 * y, 5.55)])
    return bones + chain(side("HandThumb1", "HandThumb2"), hand, [at(9.2, -0.6, 8.9), at(9.4, -1.8, 8.2), at(9.6, -2.4, 7.5)])


def helper_bones(*, prefixed: bool) -> list[RigBone]:
    """Bones that move no skin of their own, to be put before the others: a root on the floor, targets, twist bones, end markers."""
    bones = [bone("Root", "", (0, 0, 0), (0, 1, 0)), bone("Neck_end", "Neck", (0, 0, 18.6), (0, 0, 24))]
    for sign in (1, -1):
        def side(stem: str, sign: int = sign) -> str:
            return named(stem, sign, prefixed=prefixed)

        bones += [bone(side("UpLegTwist"), side("UpLeg"), (sign * 1.5, -0.05, 8), (sign * 1.7, -0.15, 6)),
                  bone(side("Calf helper"), side("Leg"), (sign * 1.85, 0, 3), (sign * 1.85, 1, 3)),
                  bone(side("FootIK"), "Root", (sign * 1.9, 0.1, 0.9), (sign * 1.9, 1, 0.9)),
                  bone(side("KneePole"), "Root", (sign * 1.8, -4, 4.6), (sign * 1.8, -5, 4.6))]
        for finger, y in FINGER_ROWS.items():
            tip = np.array([sign * 11.05, -0.1 + 1.3 * y, 5.55])
            bones.append(bone(side(f"Hand{finger}2_end"), side(f"Hand{finger}2"), tip, tip - [0, 0, 1.0]))
    return bones


def cluttered_rig(*, tail: bool, prefixed: bool) -> list[RigBone]:
    """All of its bones."""
    return [*helper_bones(prefixed=prefixed), *(bone("Hips", "Root", each.head, each.tail) if each.name == "Hips" else each
                                                for each in limb_bones(tail=tail, prefixed=prefixed))]
