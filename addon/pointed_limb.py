"""Which limb of the plan lies under the pointer."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..core.frames import arc_lengths, sample_polyline
from ..core.limb_draft import place_on_limb
from ..core.limb_pointing import ThickPlace
from ..core.plan import Limb
from ..core.polymesh import FloatArray
from .gpu_shapes import interface_scale
from .viewports import Viewport

JOINT_REACH = 14.0
"""Pixels within which the pointer takes hold of a joint."""
LINE_REACH = 8.0
"""Pixels within which the pointer touches a centre line."""


def limb_under(limbs: Iterable[Limb], viewport: Viewport, place: FloatArray,
               through: ThickPlace | None) -> tuple[str, str, FloatArray | None]:
    """Name of the limb under a place of the viewport, the part of it that lies there, and the joint to snap to at an end.

    through : the part of the target under that place; a limb before or behind it does not count
    """
    for limb in limbs:
        part, point = _part_under(limb, viewport.pixels(limb.joints), place)
        if part and (through is None or through.holds(point)):
            return limb.name, part, None if part == "side" else point
    return "", "", None


def _part_under(limb: Limb, pixels: FloatArray, place: FloatArray) -> tuple[str, FloatArray]:
    """Which part of a limb a place of the viewport touches, empty for none, and the point of its centre line there, (3,)."""
    for part, joint in (("tip", -1), ("root", 0)):
        if np.linalg.norm(pixels[joint] - place) <= JOINT_REACH * interface_scale():
            return part, limb.joints[joint]
    distances, shares = line_distances(pixels, place)
    bone = int(np.argmin(distances))
    knots = arc_lengths(limb.joints)
    length = knots[bone] + shares[bone] * (knots[bone + 1] - knots[bone])
    part = place_on_limb(limb, float(length / knots[-1])) if distances[bone] <= LINE_REACH * interface_scale() else ""
    ends = {"tip": limb.joints[-1], "root": limb.joints[0]}
    return part, ends.get(part, sample_polyline(limb.joints, np.array([length]))[0])


def line_distances(pixels: FloatArray, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance of a place from every bone, and the share of the bone at which its nearest point lies; both (k - 1,)."""
    bones = np.diff(pixels, axis=0)
    squared = np.maximum(np.einsum("ij,ij->i", bones, bones), 1e-12)
    shares = np.clip(np.einsum("ij,ij->i", place - pixels[:-1], bones) / squared, 0, 1)
    return np.linalg.norm(pixels[:-1] + shares[:, None] * bones - place, axis=1), shares
