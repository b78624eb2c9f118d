"""Seams and unwrap of the cage, checked."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
from bpy.props import BoolProperty

from ...core.skeleton import skeleton_of
from ...core.uv_quality import UnwrapFigures
from ...core.uv_seams import find_seams
from ..cage_object import read_cage
from ..plan_storage import require_plan
from ..unwrapping import map_figures, mark_seams, unwrap
from .asking import Refusing, has_cage, in_object_mode
from .rigs import require_cage

MOST_STRETCH = 1.2
"""A map that stretches more in all (root mean square; 1 is none) deserves a warning (common practice)."""
LEAST_MARGIN = 2
"""Pixels between islands on a map of 1024, below which colours bleed (common practice)."""


class RINGWRIGHT_OT_unwrap_cage(Refusing, bpy.types.Operator):
    """Cut the cage round the roots of its branches and along the hidden side of its limbs, unwrap it and check the map"""

    bl_idname = "ringwright.unwrap_cage"
    bl_label = "Unwrap Cage"
    bl_options = {"REGISTER", "UNDO"}

    seams_only: BoolProperty(name="Seams Only", description="Mark the seams and leave the map as it is", default=False)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        cage, plan = require_cage(context.scene), require_plan(context.scene)
        mesh = read_cage(cage)
        seams = find_seams(mesh, plan, skeleton_of(plan))
        mark_seams(cage.data, mesh, seams)
        if self.seams_only:
            self.report({"INFO"}, f"{len(seams)} edges marked as seams")
            return {"FINISHED"}
        unwrap(cage)
        figures = map_figures(cage, mesh)
        if figures is not None:
            faults = map_faults(figures)
            self.report({"WARNING" if faults else "INFO"}, "; ".join(faults) if faults else describe_map(figures))
        return {"FINISHED"}


def describe_map(figures: UnwrapFigures) -> str:
    """A map in words."""
    return (f"{figures.islands} islands, stretch {figures.stretch:.2f}, {figures.used:.0%} of the map used, "
            f"{figures.margin} pixels between islands")


def map_faults(figures: UnwrapFigures) -> list[str]:
    """What is wrong with a map, a few words each."""
    return [words for fault, words in (
        (len(figures.flipped) > 0, f"{len(figures.flipped)} faces are turned over on the map"),
        (figures.overlap > 0, f"{figures.overlap:.2%} of the map lies double"),
        (figures.outside > 0, f"{figures.outside:.1%} of the corners lie outside the map"),
        (figures.stretch > MOST_STRETCH, f"the map stretches by {figures.stretch:.2f}"),
        (figures.margin < LEAST_MARGIN, f"islands lie {figures.margin} pixels from each other")) if fault]


CLASSES = (RINGWRIGHT_OT_unwrap_cage,)
