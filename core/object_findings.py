"""Findings about the object that carries a mesh: its name, transform and size."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .findings import NO_ELEMENTS, Finding, Limits, Severity
from .polymesh import FloatArray

NEAR = 1e-5
"""A scale or rotation this close to none counts as none: what single precision leaves."""
_LEFT_OVER = re.compile(r"\.\d{3,}$")
_UNNAMED = re.compile(r"^(Cube|Sphere|Cylinder|Plane|Cone|Torus|Grid|Circle|Icosphere|Suzanne|Mesh|Object|Untitled)$", re.IGNORECASE)


@dataclass(frozen=True)
class ObjectFacts:
    """What a host says about an object.

    name : of the object
    matrix : (4, 4) float64, object to world
    extent : longest side of its box in the world, metres
    """

    name: str
    matrix: FloatArray
    extent: float


def object_findings(objects: Sequence[ObjectFacts], limits: Limits) -> list[Finding]:
    """Judge names, transforms and sizes of objects."""
    found: list[Finding] = []
    for item in objects:
        found += [*_of_name(item), *_of_transform(item), *_of_size(item, limits)]
    return found


def _of_name(item: ObjectFacts) -> list[Finding]:
    if _LEFT_OVER.search(item.name) or _UNNAMED.match(item.name):
        return [_finding("object_name", "note", item, "has a name that the host gave", "Name it after what it is.")]
    return []


def _of_transform(item: ObjectFacts) -> list[Finding]:
    linear = item.matrix[:3, :3]
    scale = np.linalg.norm(linear, axis=0)
    found = []
    if np.linalg.det(linear) < 0:
        found.append(_finding("mirrored_object", "error", item, "is mirrored by a negative scale, which turns its faces inside out",
                              "Apply the scale and recalculate the normals."))
    if np.ptp(scale) > NEAR * scale.max(initial=0.0):
        words = ", ".join(f"{value:.4g}" for value in scale)
        found.append(_finding("uneven_scale", "warning", item, f"is scaled unevenly ({words})", "Apply the scale."))
    elif abs(scale[0] - 1.0) > NEAR:
        found.append(_finding("unapplied_scale", "warning", item, f"is scaled by {scale[0]:.4g}", "Apply the scale."))
    if np.abs(linear / np.maximum(scale, 1e-300) - np.diag(np.sign(np.diag(linear)))).max() > NEAR:
        found.append(_finding("unapplied_rotation", "note", item, "is turned", "Apply the rotation before rigging."))
    return found


def _of_size(item: ObjectFacts, limits: Limits) -> list[Finding]:
    low, high = limits.smallest_extent, limits.largest_extent
    if low is not None and item.extent < low:
        return [_finding("object_size", "warning", item, f"is {item.extent:.3g} m long, under {low:g} m", "Check the unit and scale.")]
    if high is not None and item.extent > high:
        return [_finding("object_size", "warning", item, f"is {item.extent:.3g} m long, over {high:g} m", "Check the unit and scale.")]
    return []


def _finding(name: str, severity: Severity, item: ObjectFacts, what: str, mend: str) -> Finding:
    return Finding(name, severity, "mesh", NO_ELEMENTS, None, f'Object "{item.name}" {what}.', mend)
