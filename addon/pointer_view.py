"""The view of a tool that points at places: what a click would take, and words beside the pointer."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import bpy
import numpy as np

from ..core.polymesh import FloatArray
from .gpu_shapes import PAPER, Colour, draw_markers, draw_words, interface_scale, project, words_width
from .hanging_view import HangingView


@dataclass
class PointerView(HangingView):
    """What the drawing callbacks show; the tool fills it in.

    hover : (3,) the place that a click would take, or None
    words : a line beside the pointer
    pointer : (2,) pixels in the region that holds it
    region : that region
    """

    hover: FloatArray | None = None
    words: str = ""
    pointer: FloatArray = field(default_factory=lambda: np.zeros(2))
    region: Any = None

    def draw_hover(self) -> None:
        """A marker where a click would take a place; in the region's pixels."""
        if self.hover is not None:
            place, before = project(bpy.context.region, bpy.context.region_data, self.hover[None])
            draw_markers(place[before], 16, 4.5, PAPER)

    def draw_beside(self, words: str, colour: Colour, line: int = 0) -> None:
        """Words beside the pointer, in the region that holds it, left of the sidebar; line : how many lines higher."""
        if words and bpy.context.region == self.region:
            place = self.pointer + np.array([18.0, 22.0 + 24.0 * line]) * interface_scale()
            place[0] = max(0.0, min(place[0], _free_width(self.region) - words_width(words)))
            draw_words(place[None], [words], colour, 12.0, centred=False)


def _free_width(region: bpy.types.Region) -> float:
    """Pixels of a region from its left edge to the sidebar that lies over it."""
    area = bpy.context.area
    over = [] if area is None else [each.x - region.x for each in area.regions if each.type == "UI" and each.width > 1]
    return float(min([region.width, *(left for left in over if left > 0)]))
