"""Choose how fine a cage is, so that it keeps its budget of quads and fits and bends as well as it can.

Sides and rows are weighed by the deviation that they are likely to leave; rows where limbs bend come first.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from .counts import DEFAULT_DETAIL, SQUARE, CountPlan, Fineness, count_cage
from .errors import PlanError
from .limb_size import LimbSize
from .plan import LimbPlan
from .two_sided import is_two_sided, limb_images, paired_means

MOST_DETAIL = 64.0
ROW_DENSITY = 0.6
"""Rows per square face with which levels of detail that meet a budget are looked for: a limb bends round more than along, so faces
longer than wide fit its skin better with as many quads."""
LEAST_DENSITY = 0.45
"""Faces between the bends are at most some two times as long as wide under a budget (common practice)."""
MOST_DENSITY = 1.6
BEND_DENSITIES = (1.0, 0.7, 0.5, 0.25)
"""Shares of their rows that bends may have to do with under a budget."""
SHARED = ("bone_lengths", "bone_girths", "bone_curvatures", "bend_reaches", "bend_rows")
"""Sizes that a limb shares with its image."""


def solve_counts(plan: LimbPlan, sizes: Mapping[str, LimbSize]) -> CountPlan:
    """Solve all counts of a plan.

    plan : checked by ``check_plan``; the counts are of the side that is built, before it is mirrored
    sizes : every limb's size by name
    Raises PlanError where no all-quad cage has these counts, with the nearest that has.
    """
    two_sided = is_two_sided(plan)
    sizes = _alike_on_both_sides(plan, sizes) if two_sided else sizes
    if plan.quad_budget is None:
        return count_cage(plan, sizes, SQUARE)
    copies = 1 if plan.symmetry is None or two_sided else 2
    coarsest = _coarsest(plan, sizes)
    if copies * coarsest.quads > plan.quad_budget:
        least = copies * coarsest.quads
        raise PlanError(f"[budget] quads is {plan.quad_budget}; the coarsest cage that this plan allows has {least} quads, "
                        f"so raise the budget to {least} or take limbs out.")
    return _within_budget(plan, sizes, plan.quad_budget // copies, coarsest)


def _alike_on_both_sides(plan: LimbPlan, sizes: Mapping[str, LimbSize]) -> dict[str, LimbSize]:
    """Sizes of which those of two limbs that are each other's image are the same, so that both get the same counts."""
    means: dict[str, dict[str, Any]] = {
        field: dict(paired_means(plan, {name: getattr(size, field) for name, size in sizes.items()})) for field in SHARED}
    return {name: replace(size, **{field: means[field][name] for field in SHARED}) for name, size in sizes.items()}


def _within_budget(plan: LimbPlan, sizes: Mapping[str, LimbSize], budget: int, coarsest: CountPlan) -> CountPlan:
    """The counts within the budget whose faces are likely to stand off the skin least; bends get all their rows, as long as the
    thinnest limb keeps its usual sides. Quads that are left go to the bones that are shortest of rows."""
    found: list[tuple[Fineness, CountPlan]] = []
    for bending in BEND_DENSITIES:
        found += _finest_counts(plan, sizes, budget, bending)
        usual = [each for each in found if 2 * round(each[0].detail / 2) >= DEFAULT_DETAIL]
        if usual:
            found = usual
            break
    if not found:
        return coarsest
    fineness, counts = min(found, key=lambda each: _likely_deviation(each[1], sizes))
    return _fuller(plan, sizes, budget, fineness, counts)


def _fuller(plan: LimbPlan, sizes: Mapping[str, LimbSize], budget: int, fineness: Fineness, counts: CountPlan) -> CountPlan:
    """The counts with a row more on those bones that are shortest of rows, as many as the budget has room for; images get theirs
    together."""
    images = limb_images(plan, plan.symmetry) if plan.symmetry is not None and is_two_sided(plan) else {}
    short = {(name, bone): wanted / rows for name, limb in counts.limbs.items()
             for bone, (wanted, rows) in enumerate(zip(limb.wanted, limb.spans, strict=True))}
    for name, bone in sorted(short, key=lambda each: -short[each]):
        fuller = replace(fineness, fuller=fineness.fuller | {(name, bone), (images.get(name, name), bone)})
        tried = _counted(plan, sizes, fuller)
        if tried is not None and counts.quads < tried.quads <= budget:
            fineness, counts = fuller, tried
    return counts


def _counted(plan: LimbPlan, sizes: Mapping[str, LimbSize], fineness: Fineness) -> CountPlan | None:
    """The counts of a cage so fine, None where no all-quad cage has them."""
    try:
        return count_cage(plan, sizes, fineness)
    except PlanError:
        return None


def _likely_deviation(counts: CountPlan, sizes: Mapping[str, LimbSize]) -> float:
    """Distance of a cage's faces from the skin, root mean square over the bones: a chord of length c over curvature k stands k c^2 / 12
    off in the mean."""
    area, spread = 0.0, 0.0
    for name, size in sizes.items():
        rings = np.cumsum([0, *counts.limbs[name].spans])
        for bone, (first, last) in enumerate(itertools.pairwise(rings)):
            girth, length = float(size.bone_girths[bone]), float(size.bone_lengths[bone])
            sides = float(counts.limbs[name].rings[first : last + 1].mean())
            around = (girth / sides) ** 2 * 2 * math.pi / girth
            along = (length / (last - first)) ** 2 * float(size.bone_curvatures[bone])
            area += girth * length
            spread += girth * length * (around + along) ** 2
    return math.sqrt(spread / area) / 12


def _coarsest(plan: LimbPlan, sizes: Mapping[str, LimbSize]) -> CountPlan:
    refusal: PlanError | None = None
    for detail in (4.0, 5.0, 6.0, 8.0, 12.0, 16.0):
        try:
            return count_cage(plan, sizes, Fineness(detail, LEAST_DENSITY, BEND_DENSITIES[-1]))
        except PlanError as error:
            refusal = refusal or error
    raise refusal or PlanError("The limb plan cannot be counted.")


def _finest_counts(plan: LimbPlan, sizes: Mapping[str, LimbSize], budget: int, bending: float) -> list[tuple[Fineness, CountPlan]]:
    """Counts at many levels of detail, each with as many rows as the budget has room for."""
    start = Fineness(_detail_near(plan, sizes, budget, bending), ROW_DENSITY, bending)
    details = start.detail * np.geomspace(0.75, 1.3, 10)
    tried = (_finest_rows(plan, sizes, budget, replace(start, detail=float(detail))) for detail in details)
    return [each for each in tried if each is not None]


def _detail_near(plan: LimbPlan, sizes: Mapping[str, LimbSize], budget: int, bending: float) -> float:
    """The level of detail whose cage with rows of the usual density meets the budget."""
    low, high = 4.0, MOST_DETAIL
    for _ in range(7):
        detail = math.sqrt(low * high)
        counts = _counted(plan, sizes, Fineness(detail, ROW_DENSITY, bending))
        low, high = (detail, high) if counts is None or counts.quads <= budget else (low, detail)
    return low


def _finest_rows(plan: LimbPlan, sizes: Mapping[str, LimbSize], budget: int, fineness: Fineness) -> tuple[Fineness, CountPlan] | None:
    """The densest rows within the budget at one level of detail; None where none fits."""
    best: tuple[Fineness, CountPlan] | None = None
    low, high = LEAST_DENSITY, MOST_DENSITY
    for _ in range(7):
        tried = replace(fineness, density=math.sqrt(low * high))
        counts = _counted(plan, sizes, tried)
        if counts is not None and counts.quads > budget:
            high = tried.density
            continue
        low = tried.density
        best = best if counts is None else (tried, counts)
    return best
