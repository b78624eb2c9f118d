"""The limb plan of the fork made by code."""

from __future__ import annotations

from ringwright.core.plan import Fork, Limb, LimbPlan

from .shapes import fork_chains


def fork_plan() -> LimbPlan:
    """An open trunk with two closed branches."""
    trunk, *branches = fork_chains()
    limbs = tuple(Limb(name, chain.joints, tip="open" if name == trunk else "closed") for name, chain in fork_chains().items())
    return LimbPlan(limbs, (Fork(trunk, tuple(branches)),))
