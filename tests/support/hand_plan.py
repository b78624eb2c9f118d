"""Limb plans of the shapes made by code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice

from .shapes import hand_chains

FINGERS = ("little", "ring", "middle", "index")


def hand_plan(*, webs: tuple[int, ...] | None = None, budget: int | None = None, **limbs: Mapping[str, Any]) -> LimbPlan:
    """The plan of the invented hand: four fingers on a palm, a thumb in its side, a forearm below.

    limbs : keys of single limbs, by name (``palm={"sides": 18}``)
    """
    made = tuple(Limb(name, chain.joints, tip="open" if name in ("forearm", "palm") else "closed", **limbs.get(name, {}))
                 for name, chain in hand_chains().items())
    return LimbPlan(made, (Fork("palm", FINGERS, webs),), (Socket("palm", "thumb"),), (Splice("palm", "forearm"),), quad_budget=budget)
