"""Inspection profiles: the limits and severities of a studio's kind of work, as TOML text.

    schema = 1
    [limits]
    smallest_scaled_jacobian = 0.3     # keys as ``findings.Limits`` names them
    [severity]
    triangles = "note"                 # error, warning, note or off, by a finding's name
    [joints.elbow]
    flex = 130                         # degrees; kinds and keys as ``joint_motion.JOINT_RANGES`` names them
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from .errors import ProfileError
from .findings import CHECKS, SEVERITIES, Limits
from .joint_motion import JOINT_RANGES, JointRange, read_joint_ranges

OFF = "off"
SCHEMA = 1


@dataclass(frozen=True)
class Profile:
    """What an inspection judges by.

    severities : finding name to error, warning, note or off; findings that are not named keep their own
    joints : how far each kind of joint is bent when the mesh is tried
    about : one sentence for whoever chooses
    """

    limits: Limits = field(default_factory=Limits)
    severities: Mapping[str, str] = field(default_factory=dict)
    joints: Mapping[str, JointRange] = field(default_factory=lambda: JOINT_RANGES)
    about: str = ""


def read_profile(text: str) -> Profile:
    """Read a profile.

    Raises ProfileError that names the table and the key.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(f"The profile is not TOML: {error}.") from error
    _check_keys("The profile", data, {"schema", "about", "limits", "severity", "joints"})
    if data.get("schema") != SCHEMA:
        raise ProfileError(f"The profile: schema must be {SCHEMA}, not {data.get('schema')!r}.")
    about = data.get("about", "")
    if not isinstance(about, str):
        raise ProfileError("The profile: about must be a sentence in quotes.")
    return Profile(_limits(_table(data, "limits")), _severities(_table(data, "severity")), read_joint_ranges(_table(data, "joints")), about)


def _limits(table: Mapping[str, Any]) -> Limits:
    known = {item.name: item.type for item in fields(Limits)}
    _check_keys("[limits]", table, set(known))
    for key, value in table.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
            raise ProfileError(f"[limits], {key}: must be a number from 0 on, not {value!r}.")
        if "int" in str(known[key]) and not isinstance(value, int):
            raise ProfileError(f"[limits], {key}: must be a whole number, not {value!r}.")
    return Limits(**table)


def _severities(table: Mapping[str, Any]) -> Mapping[str, str]:
    _check_keys("[severity]", table, set(CHECKS))
    for key, value in table.items():
        if value not in (*SEVERITIES, OFF):
            raise ProfileError(f"[severity], {key}: must be one of {', '.join((*SEVERITIES, OFF))}, not {value!r}.")
    return dict(table)


def _table(data: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = data.get(name, {})
    if not isinstance(table, dict):
        raise ProfileError(f"The profile: {name} must be a table, [{name}].")
    return table


def _check_keys(where: str, table: Mapping[str, Any], known: set[str]) -> None:
    for key in table:
        if key not in known:
            raise ProfileError(f"{where}: there is no key {key!r}; there are {', '.join(sorted(known))}.")
