"""A hand whose sizes are written down: what the counts are solved for, without a target."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ringwright.core.bend_rows import BLEND_RADII, JointTurn, bend_rows
from ringwright.core.limb_size import LimbSize
from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice

FINGERS = ("little", "ring", "middle", "index")


def limb(name: str, *, bones: int = 1, sides: int | None = None, spans: int | None = None, tip: str = "open", joint_loops: int = 3) -> Limb:
    joints = np.column_stack([np.zeros((bones + 1, 2)), np.arange(bones + 1.0)])
    return Limb(name, joints, sides, None if spans is None else (spans,) * bones, joint_loops, tip)


def size(length: float, girth: float, bones: int = 1, shortened: float = 1.0, root_turn: float = 90.0) -> LimbSize:
    """Bones of equal length and girth, straight, that bend at the joints between them.

    root_turn : of the limb's root, degrees
    """
    reaches, rows = np.zeros((bones, 2)), np.zeros((bones, 2))
    inner = [(bone, end) for bone in range(bones) for end in range(2) if 0 < bone + end < bones]
    for place in inner:
        reaches[place], rows[place] = min(BLEND_RADII * girth / (2 * np.pi), 0.45 * length / bones), bend_rows(JointTurn(45.0, 0.0))
    return LimbSize(np.full(bones, length / bones), np.full(bones, girth), np.zeros(bones), reaches, rows, shortened, 0, root_turn)


def hand(*, sides: Mapping[str, int] | None = None, webs: tuple[int, ...] | None = None, budget: int | None = None) -> LimbPlan:
    """Four fingers on a palm, a thumb in its side and a forearm below."""
    given = sides or {}
    limbs = [limb(name, bones=3, sides=given.get(name), tip="closed") for name in (*FINGERS, "thumb")]
    limbs += [limb("palm", sides=given.get("palm")), limb("forearm", sides=given.get("forearm"))]
    joins = (Fork("palm", FINGERS, webs),), (Socket("palm", "thumb"),), (Splice("palm", "forearm"),)
    return LimbPlan(tuple(limbs), *joins, quad_budget=budget)


HAND_SIZES = {**{name: size(8, 5.5, 3) for name in FINGERS}, "thumb": size(6, 6.5, 3), "palm": size(9, 21), "forearm": size(25, 22)}
