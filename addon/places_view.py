"""Draw the places of a ready-made plan while they are pointed at: markers with names, lines along limbs, and what comes next."""

from __future__ import annotations

from dataclasses import dataclass, field

import bpy
import numpy as np

from ..core.polymesh import FloatArray
from .gpu_shapes import (
    GREEN,
    INK,
    PAPER,
    SKY,
    YELLOW,
    blended,
    draw_lines,
    draw_markers,
    draw_words,
    interface_scale,
    project,
)
from .pointer_view import PointerView


@dataclass
class PlacesView(PointerView):
    """What the drawing callbacks show; the tool fills it in.

    places : (3,) by name, in the order in which they were pointed at
    lines : (n, 3) each, along the limbs that are known so far
    """

    places: dict[str, FloatArray] = field(default_factory=dict)
    lines: list[FloatArray] = field(default_factory=list)

    def draw_space(self) -> None:
        bones = [np.stack([line[:-1], line[1:]], axis=1) for line in self.lines if len(line) > 1]
        if bones:
            with blended():
                draw_lines(np.concatenate(bones), INK, 5.0)
                draw_lines(np.concatenate(bones), SKY, 2.5)

    def draw_pixels(self) -> None:
        with blended():
            if self.places:
                places, front = project(bpy.context.region, bpy.context.region_data, np.array(list(self.places.values())))
                for index in np.flatnonzero(front):
                    draw_markers(places[index][None], 16, 5.5, YELLOW if index else GREEN)
                names = list(self.places)
                beside = places[front] + np.array([9.0, -4.0]) * interface_scale()
                draw_words(beside, [names[index] for index in np.flatnonzero(front)], PAPER, 11.0, centred=False)
            self.draw_hover()
            self.draw_beside(self.words, PAPER)
