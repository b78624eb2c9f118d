"""The plan of an invented hand with an arm: three digits, a thumb, an elbow and a wrist."""

from __future__ import annotations

import numpy as np

from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice


def limb(name: str, *joints: tuple[float, float, float], tip: str = "open") -> Limb:
    return Limb(name, np.array(joints, dtype=float), tip=tip)


def hand(**options: object) -> LimbPlan:
    """An invented hand along -z that curls toward +y, its digits side by side in x."""
    digits = [limb(f"digit {k}", (2 + 0.5 * k, 0, -2), (2 + 0.5 * k, 0.05, -3), (2 + 0.5 * k, 0.2, -4), tip="closed") for k in range(3)]
    limbs = (limb("arm", (2.5, 0, 4), (2.5, -0.3, 2), (2.5, 0, 0)), limb("palm", (2.5, 0, 0), (2.5, 0, -2)), *digits,
             limb("thumb", (1.8, 0, -0.5), (1.0, 0.2, -1.2), (0.9, 0.8, -1.8), tip="closed"))
    return LimbPlan(limbs, (Fork("palm", tuple(each.name for each in digits)),), (Socket("palm", "thumb"),),
                    (Splice("palm", "arm"),), **options)  # type: ignore[arg-type]
