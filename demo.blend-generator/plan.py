"""The forelimb's limb plan as a TOML file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .creature import DIGITS

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LimbSettings:
    """How one limb is to be laid out: edges round it, and whether its tip closes."""

    sides: int | None
    tip: str


LIMBS: dict[str, LimbSettings] = {
    "upper_arm": LimbSettings(16, "open"),
    "forearm": LimbSettings(18, "open"),
    "palm": LimbSettings(None, "open"),
    **{name: LimbSettings(8, "closed") for name in DIGITS},
    "thumb": LimbSettings(8, "closed"),
}
"""From the shoulder to the tips; the palm's sides follow from its digits."""

WEB = 2
SPLICES = (("forearm", "upper_arm"), ("palm", "forearm"))
"""Upper limb and lower limb of every splice."""


def plan_text(joints: Mapping[str, FloatArray]) -> str:
    """The limb plan of a forelimb as TOML.

    joints : joints of every limb from root to tip, name to (k, 3) float64, metres
    """
    tables = [_limb(name, settings, joints[name]) for name, settings in LIMBS.items()]
    branches = ", ".join(f'"{name}"' for name in DIGITS)
    tables.append(f'[[fork]]\ntrunk = "palm"\nbranches = [{branches}]\nweb = {WEB}\n')
    tables.append('[[socket]]\ntrunk = "palm"\nbranch = "thumb"\n')
    tables.extend(f'[[splice]]\nupper = "{upper}"\nlower = "{lower}"\n' for upper, lower in SPLICES)
    return "\n".join(['schema = 1\nunit = "m"\n', *tables])


def _limb(name: str, settings: LimbSettings, joints: FloatArray) -> str:
    rows = ",\n".join("    [" + ", ".join(f"{value:.6f}" for value in joint) + "]" for joint in joints)
    lines = ["[[limb]]", f'name = "{name}"', f"joints = [\n{rows},\n]"]
    if settings.sides is not None:
        lines.append(f"sides = {settings.sides}")
    lines.append(f'tip = "{settings.tip}"')
    return "\n".join(lines) + "\n"
