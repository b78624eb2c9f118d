"""Invented creatures whose limbs part widely or crowd round one body, with their plans."""

from __future__ import annotations

import numpy as np

from ringwright.core.plan import Fork, Limb, LimbPlan, Socket

from .creatures import grown
from .shapes import LimbChain, Shape


def wide_fork(degrees: float, cells: int = 90) -> tuple[LimbPlan, Shape]:
    """Two branches of radius 0.6 in the xz plane that leave an upright trunk, each so many degrees aside of its direction."""
    turns = np.radians([-degrees, degrees])
    ways = np.column_stack([np.sin(turns), np.zeros(2), np.cos(turns)])
    chains = {"trunk": LimbChain(np.array([[0.0, 0, -5], [0, 0, 0]]), np.ones(2))}
    chains |= {name: LimbChain(np.outer([0.0, 2, 4], way), np.array([0.66, 0.6, 0.48]))
               for name, way in zip(("left", "right"), ways, strict=True)}
    limbs = tuple(Limb(name, chain.joints, tip="open" if name == "trunk" else "closed") for name, chain in chains.items())
    return LimbPlan(limbs, (Fork("trunk", ("left", "right")),)), grown(chains, 0.4, cells)


def many_armed(arms: int, cells: int = 110) -> tuple[LimbPlan, Shape]:
    """An upright body closed above, open below, with arms of radius 0.5 all round it at one height."""
    turns = np.arange(arms) * (2.0 * np.pi / arms)
    ways = np.column_stack([np.cos(turns), np.sin(turns), np.full(arms, -0.3)])
    low = np.array([0.0, 0, -0.6])
    chains = {f"arm {number + 1}": LimbChain(np.outer([0.8, 3, 5.5], way) + low, np.array([0.6, 0.5, 0.35]))
              for number, way in enumerate(ways)}
    body = {"body": LimbChain(np.array([[0.0, 0, -2], [0, 0, 2.5]]), np.array([2.0, 1.8]))}
    limbs = (Limb("body", np.array([[0.0, 0, -3.2], [0, 0, 0], [0, 0, 3.2]]), tip="closed"),
             *(Limb(name, chain.joints, tip="closed") for name, chain in chains.items()))
    return LimbPlan(limbs, sockets=tuple(Socket("body", name) for name in chains)), grown({**body, **chains}, 0.4, cells)
