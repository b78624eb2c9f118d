"""Invented creatures with rigs as they come from elsewhere: joints alone, twist bones, flesh bones, metacarpals, legs under a body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ringwright.core.rig_bones import RigBone

from .creatures import biped_chains, grown
from .rigged_creature import FINGER_ROWS, TAIL, bone, chain, limb_bones
from .shapes import LimbChain, Shape

Point = tuple[float, float, float]
PAW_ACROSS = (-1.0, 0.0, 1.0)
HIND, FORE = 5.2, -3.6
"""Where the paws stand along the body."""


def sticks(bones: Sequence[RigBone], way: Point = (0, 0, 0.3)) -> list[RigBone]:
    """Bones that keep their joints alone: all of one length, all pointing one way."""
    return [replace(each, tail=each.head + way) for each in bones]


def cut_short(bones: Sequence[RigBone], share: float = 0.6) -> list[RigBone]:
    """Bones that are not connected: every tail ends short of the next head."""
    return [replace(each, tail=each.head + share * (each.tail - each.head)) for each in bones]


def dotted_rig() -> list[RigBone]:
    """The biped with bones cut in two for their twist, metacarpals, a thumb on one of them, bones for breasts and a pelvis's sides."""
    bones = chain(["DEF-spine", "DEF-spine.001", "DEF-spine.002", "DEF-spine.003", "DEF-spine.004"], "",
                  [(0, 0, 10.2), (0, 0, 11.5), (0, 0.05, 13), (0, 0.1, 15), (0, 0, 17), (0, 0, 18.6)])
    for side, sign in (("L", 1.0), ("R", -1.0)):
        bones += _dotted_side(side, sign)
    return bones


def _dotted_side(side: str, sign: float) -> list[RigBone]:
    def at(x: float, y: float, z: float) -> Point:
        return sign * x, y, z

    def named(*stems: str) -> list[str]:
        return [f"DEF-{stem.format(side)}" for stem in stems]

    bones = [bone(f"DEF-pelvis.{side}", "DEF-spine", (0, 0, 10.2), at(1.0, -0.3, 10.9)),
             bone(f"DEF-breast.{side}", "DEF-spine.003", at(0.9, -0.3, 15), at(0.9, -1.8, 14.9))]
    bones += chain(named("thigh.{}", "thigh.{}.001", "shin.{}", "shin.{}.001", "foot.{}", "toe.{}"), "DEF-spine",
                   [at(1.4, 0, 9.2), at(1.6, -0.1, 6.9), at(1.8, -0.2, 4.6), at(1.85, -0.05, 2.7), at(1.9, 0.1, 0.9), at(2.05, -1.3, 0.35),
                    at(2.15, -2.2, 0.3)])
    bones += chain(named("shoulder.{}"), "DEF-spine.003", [at(0.4, -0.3, 16.2), at(2.3, 0, 15.9)])
    bones += chain(named("upper_arm.{}", "upper_arm.{}.001", "forearm.{}", "forearm.{}.001", "hand.{}"), f"DEF-shoulder.{side}",
                   [at(2.6, 0, 15.6), at(4.45, 0.1, 14.1), at(6.3, 0.2, 12.6), at(7.6, 0, 11), at(8.9, -0.2, 9.4), at(9.2, -0.15, 8.9)])
    for number, (finger, y) in enumerate(FINGER_ROWS.items(), 1):
        own = [f"palm.0{number}.{{}}", *(f"f_{finger.lower()}.0{k}.{{}}" for k in (1, 2, 3))]
        bones += chain(named(*own), f"DEF-hand.{side}",
                       [at(9.1, -0.15 + 0.3 * y, 9.1), at(10, -0.1 + y, 7.7), at(10.4, -0.1 + 1.1 * y, 7.0),
                        at(10.7, -0.1 + 1.2 * y, 6.4), at(11.05, -0.1 + 1.3 * y, 5.55)])
    return bones + chain(named("thumb.01.{}", "thumb.02.{}", "thumb.03.{}"), f"DEF-palm.01.{side}",
                         [at(9.1, -0.4, 9.0), at(9.25, -1.1, 8.6), at(9.4, -1.8, 8.2), at(9.6, -2.4, 7.5)])


def arms_at_the_neck() -> list[RigBone]:
    """The biped with arms that hang from the neck's bone and legs from a pelvis of their own, beside a spine that hangs from its root."""
    hung = {"UpLeg": "Pelvis", "Shoulder": "Neck"}
    bones = [bone("Pelvis", "Hips", (0, 0, 10.2), (0, 0, 9.4))]
    for each in limb_bones(tail=False, prefixed=False):
        bones.append(replace(each, parent=hung.get(each.name.partition(".")[0], each.parent)))
    return bones


def quadruped(*, tail: bool, cells: int = 240) -> Shape:
    """A four-legged creature with three toes a paw, facing -y."""
    chains = {"trunk": _limb([(0, 6, 9), (0, 2, 9.4), (0, -2, 9.2), (0, -5, 9.6)], 2.0, 2.2, 2.4, 2.0),
              "neck": _limb([(0, -5.5, 10), (0, -8, 12.5), (0, -9.5, 14)], 1.5, 1.2, 1.1)}
    if tail:
        chains["tail"] = _limb([(0, 6.5, 9.3), (0, 9, 9.6), (0, 12, 8.5), (0, 14.5, 8)], 1.0, 0.75, 0.6, 0.4)
    for sign in (1.0, -1.0):
        chains[f"hind {sign}"] = _limb([(sign * 1.3, 5.5, 8.3), (sign * 1.6, 4.4, 5), (sign * 1.6, 6, 2.6), (sign * 1.6, HIND, 1)],
                                       1.5, 1.1, 0.75, 0.75)
        chains[f"fore {sign}"] = _limb([(sign * 1.5, -3.8, 8.2), (sign * 1.7, -3, 5), (sign * 1.7, -3.4, 2.4), (sign * 1.7, FORE, 1)],
                                       1.3, 1.0, 0.75, 0.7)
        for y in (HIND, FORE):
            chains[f"paw {y} {sign}"] = _limb([(sign * 1.65, y, 1), (sign * 1.65, y - 1.2, 0.7)], 0.8, 0.75)
            for x in PAW_ACROSS:
                chains[f"toe {y} {sign} {x}"] = _limb(_toe(sign, y, x, -1.2), 0.42, 0.36, 0.3)
    return grown(chains, 0.25, cells)


def quadruped_bones(*, tail: bool) -> list[RigBone]:
    """Its bones, from the hips on."""
    bones = chain(["hips", "spine1", "spine2", "chest", "neck1", "neck2"], "",
                  [(0, 5.5, 9.2), (0, 3, 9.4), (0, 0.5, 9.4), (0, -2.5, 9.3), (0, -5, 9.8), (0, -7.5, 12.2), (0, -9.5, 14)])
    bones += chain(["tail1", "tail2", "tail3"], "hips", [(0, 6.8, 9.3), (0, 9, 9.6), (0, 12, 8.5), (0, 14.4, 8.05)]) if tail else []
    for side, sign in (("L", 1.0), ("R", -1.0)):
        bones += chain([f"{stem}.{side}" for stem in ("thigh", "shin", "hock", "paw")], "hips",
                       [(sign * 1.3, 5.5, 8.3), (sign * 1.6, 4.4, 5), (sign * 1.6, 6, 2.6), (sign * 1.6, HIND, 1),
                        (sign * 1.65, HIND - 1.1, 0.7)])
        bones += chain([f"{stem}.{side}" for stem in ("scapula", "upperleg", "lowerleg", "forepaw")], "chest",
                       [(sign, -4.2, 10), (sign * 1.5, -3.8, 8.2), (sign * 1.7, -3, 5), (sign * 1.7, -3.5, 1.2),
                        (sign * 1.65, FORE - 1.1, 0.7)])
        for paw, y in (("paw", HIND), ("forepaw", FORE)):
            for number, x in enumerate(PAW_ACROSS):
                bones += chain([f"{paw}toe{number}_{k}.{side}" for k in (1, 2)], f"{paw}.{side}", _toe(sign, y, x, -1.3))
    return bones


def _toe(sign: float, paw: float, across: float, begin: float) -> list[Point]:
    middle = sign * 1.65
    return [(middle + 0.6 * across, paw + begin, 0.7), (middle + across, paw - 2.1, 0.55), (middle + 1.1 * across, paw - 2.8, 0.45)]


def many_armed(arms: int, cells: int = 130) -> tuple[Shape, list[RigBone]]:
    """A round body with arms all round its lower end, and its bones."""
    chains = {"body": _limb([(0, 0, 5), (0, 0, 2), (0, 0, 0)], 2.2, 2.4, 2.0)}
    bones = chain(["head", "body"], "", [(0, 0, 6), (0, 0, 3), (0, 0, 0.2)])
    for number in range(arms):
        turn = 2 * np.pi * (number + 0.5) / arms
        points = [(float(away * np.cos(turn)), float(away * np.sin(turn)), z)
                  for away, z in ((1.2, 0.3), (3.2, -0.4), (5.0, -1.2), (7.0, -1.0), (8.8, -0.6))]
        chains[f"arm {number}"] = _limb(points, 0.75, 0.7, 0.6, 0.45, 0.3)
        bones += chain([f"arm{number + 1}_{k}" for k in range(1, 5)], "body", [*points[:4], tuple(np.array(points[3:]).T @ [0.2, 0.8])])
    return grown(chains, 0.5, cells), bones


def winged(cells: int = 150) -> tuple[Shape, list[RigBone]]:
    """The biped with a tail and an arm-like wing on each side of its back."""
    chains, bones = dict(biped_chains()), limb_bones(tail=True, prefixed=False)
    chains["tail"] = _limb([(0, 1.0, 11.0), *TAIL[1:3], (0, 10, 14.0)], 1.2, 0.9, 0.7, 0.5)
    for side, sign in (("L", 1.0), ("R", -1.0)):
        points = [(sign * x, y, z) for x, y, z in ((1.2, 1.6, 15.6), (4, 4.5, 17.5), (7.5, 6, 16.5), (12, 7, 13.8), (13, 7.2, 13))]
        chains[f"wing {side}"] = _limb(points, 0.9, 0.75, 0.65, 0.4, 0.35)
        bones += chain([f"WingArm.{side}", f"WingFore.{side}", f"WingHand.{side}"], "Spine2", points[:4])
    return grown(chains, 0.6, cells), bones


def bird(cells: int = 170) -> tuple[Shape, list[RigBone]]:
    """A bird with wings, three toes before and one behind, and a tail."""
    chains = {"body": _limb([(0, -3, 6), (0, 1, 5.5), (0, 3, 5)], 1.4, 1.9, 1.2),
              "neck": _limb([(0, -3.3, 6.5), (0, -5, 8.5), (0, -5.5, 10)], 1.0, 0.8, 0.75),
              "tail": _limb([(0, 3, 5), (0, 6, 4.6), (0, 8, 4.3)], 0.9, 0.7, 0.5)}
    bones = chain(["pelvis", "spine", "chest", "neck", "head"], "",
                  [(0, 2.5, 5.1), (0, 1, 5.4), (0, -1, 5.8), (0, -3.2, 6.4), (0, -5, 8.5), (0, -5.5, 9.8)])
    bones += chain(["tail_01", "tail_02"], "pelvis", [(0, 3.5, 5), (0, 6, 4.6), (0, 7.9, 4.3)])
    for side, sign in (("l", 1.0), ("r", -1.0)):
        wing = [(sign * x, y, z) for x, y, z in ((1.2, -1.5, 6.4), (4, -0.5, 7.2), (7, -1.5, 7.4), (9.5, -0.7, 7.1), (10, -0.5, 7))]
        leg = [(sign * x, y, z) for x, y, z in ((0.9, 1, 4.6), (1.1, 0.3, 3.2), (1.1, 1.2, 1.4), (1.1, 0.4, 0.4))]
        chains |= {f"wing {side}": _limb(wing, 0.8, 0.6, 0.5, 0.38, 0.35), f"leg {side}": _limb(leg, 0.9, 0.6, 0.4, 0.4)}
        bones += chain([f"{stem}_{side}" for stem in ("wing_01", "wing_02", "wing_03")], "chest", wing[:4])
        bones += chain([f"{stem}_{side}" for stem in ("thigh", "shin", "tarsus")], "pelvis", leg)
        toes = {f"toe{number}": [(sign * 1.1 + 0.3 * x, 0.3, 0.4), (sign * 1.1 + x, -0.9, 0.3), (sign * 1.1 + 1.3 * x, -1.8, 0.28)]
                for number, x in enumerate((-0.9, 0.0, 0.9), 1)}
        for name, points in {**toes, "backtoe": [(sign * 1.1, 0.5, 0.4), (sign * 1.1, 1.5, 0.3), (sign * 1.1, 2.1, 0.28)]}.items():
            chains[f"{name} {side}"] = _limb(points, 0.32, 0.28, 0.24)
            bones += chain([f"{name}_1_{side}", f"{name}_2_{side}"], f"tarsus_{side}", points)
    return grown(chains, 0.3, cells), bones


def _limb(points: Sequence[Point], *radii: float) -> LimbChain:
    return LimbChain(np.array(points, dtype=np.float64), np.array(radii))
