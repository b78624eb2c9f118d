"""Plans whose limbs lie on both sides of their mirror plane, as those of a whole body do.

Such a plan is not doubled: its cage is built whole, then one half becomes the other's image. For that a strip of quads must
run along the plane, so limbs on the plane share one ring count.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .mirror import AXES, mirrored
from .plan import Limb, LimbPlan
from .polymesh import FloatArray

ON_PLANE = 0.02
"""A limb whose joints all lie within this share of the plan's extent from the plane lies on it."""
ALIKE = 0.05
"""Joints of two limbs may lie this share of the plan's extent from each other's images."""
EVEN = 0.01
"""The same where a plan is mirrored unasked: a body that is posed or built unevenly keeps its two sides."""


def is_two_sided(plan: LimbPlan) -> bool:
    """Whether a plan with a mirror plane has limbs on both of its sides."""
    if plan.symmetry is None:
        return False
    sides = {_side(limb, AXES[plan.symmetry], ON_PLANE * _extent(plan)) for limb in plan.limbs}
    return {-1, 1} <= sides


def limbs_on_plane(plan: LimbPlan) -> frozenset[str]:
    """Names of the limbs that lie on the mirror plane of a two-sided plan; none for any other plan."""
    if plan.symmetry is None or not is_two_sided(plan):
        return frozenset()
    reach, axis = ON_PLANE * _extent(plan), AXES[plan.symmetry]
    return frozenset(limb.name for limb in plan.limbs if _side(limb, axis, reach) == 0)


def spliced_on_plane(plan: LimbPlan) -> list[list[str]]:
    """Limbs on the mirror plane in groups that splices hold together."""
    lying = limbs_on_plane(plan)
    group = {name: name for name in lying}
    for splice in plan.splices:
        if splice.upper in lying and splice.lower in lying:
            kept, gone = group[splice.lower], group[splice.upper]
            group = {name: kept if own == gone else own for name, own in group.items()}
    return [[name for name in group if group[name] == key] for key in sorted(set(group.values()))]


def limb_images(plan: LimbPlan, plane: str, alike: float = ALIKE) -> dict[str, str]:
    """For every limb off a plane the one on its other side whose joints are its image, where there is one.

    alike : share of the plan's extent that joints may lie from the image
    """
    extent, images = _extent(plan), {}
    sided = [limb for limb in plan.limbs if _side(limb, AXES[plane], ON_PLANE * extent)]
    for limb in sided:
        others = [(_apart(mirrored(limb.joints, plane), other.joints), other.name) for other in sided if other is not limb]
        distance, name = min(others, default=(np.inf, ""))
        if distance <= alike * extent:
            images[limb.name] = name
    return {name: other for name, other in images.items() if images.get(other) == name}


def mirror_plane_of(plan: LimbPlan) -> str | None:
    """The plane through the origin that a plan's limbs are built alike on both sides of, as a body's are; None where there is none.

    Every limb lies on the plane or has its image; on it lies nothing but a trunk: no closed limb and no branch.
    """
    for plane in AXES:
        if _mirrors(plan, plane):
            return plane
    return None


def _mirrors(plan: LimbPlan, plane: str) -> bool:
    reach, images = ON_PLANE * _extent(plan), limb_images(plan, plane, EVEN)
    lying = [limb for limb in plan.limbs if _side(limb, AXES[plane], reach) == 0]
    trunk_only = all(limb.tip == "open" and not plan.is_branch(limb.name) for limb in lying)
    return bool(images) and bool(lying) and trunk_only and len(images) + len(lying) == len(plan.limbs)


def paired_means(plan: LimbPlan, values: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Values by limb, those of two limbs that are each other's image replaced by their mean where they are as many.

    values : (k,) float64 by limb name
    """
    found = dict(values)
    for name, other in limb_images(plan, plan.symmetry or "x").items():
        if found[name].shape == values[other].shape:
            found[name] = 0.5 * (values[name] + values[other])
    return found


def _side(limb: Limb, axis: int, reach: float) -> int:
    """-1 or 1 for a limb on one side of the plane, 0 for one that lies on it."""
    heights = limb.joints[:, axis]
    return 0 if np.abs(heights).max() <= reach else int(np.sign(heights.mean()) or 1)


def _extent(plan: LimbPlan) -> float:
    joints = np.concatenate([limb.joints for limb in plan.limbs])
    return float(np.linalg.norm(np.ptp(joints, axis=0)))


def _apart(first: FloatArray, second: FloatArray) -> float:
    """Greatest distance between joints of the same number; infinite where there are more of one than of the other."""
    return float(np.linalg.norm(first - second, axis=1).max()) if first.shape == second.shape else np.inf


def image_numbers(names: Sequence[str], images: Mapping[str, str]) -> dict[int, int]:
    """Limb images by number, as mesh attributes name limbs."""
    number = {name: index for index, name in enumerate(names)}
    return {number[name]: number[other] for name, other in images.items()}
