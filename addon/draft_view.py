"""Draw a limb that is being drawn: joints, centre line, rings round the target, and a line of words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import bpy
import numpy as np

from ..core.limb_draft import LimbDraft
from ..core.polymesh import FloatArray
from .gpu_shapes import (
    GREEN,
    INK,
    ORANGE,
    PAPER,
    SKY,
    YELLOW,
    blended,
    draw_lines,
    draw_markers,
    lifted,
    project,
    with_alpha,
)
from .hanging_view import hanging_view
from .pointer_view import PointerView


@dataclass
class DraftView(PointerView):
    """What the drawing callbacks show; the tool fills it in.

    draft : the joints so far
    rings : (m, n, 3) preview, hover included
    reflect : gives points on the other side of the mirror plane, or None
    redraws : the plan's limb that is drawn anew, or empty
    near_joint : joint under the pointer, or -1
    join_words : a second line beside the pointer
    """

    draft: LimbDraft = field(default_factory=LimbDraft)
    rings: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 3)))
    reflect: Callable[[FloatArray], FloatArray] | None = None
    redraws: str = ""
    near_joint: int = -1
    join_words: str = ""

    def _chain(self) -> FloatArray:
        points = self.draft.points
        return points if self.hover is None else np.concatenate([points, self.hover[None]])

    def draw_space(self) -> None:
        lines, columns = _ring_lines(self.rings)
        chain = self._chain()
        bones = np.stack([chain[:-1], chain[1:]], axis=1) if len(chain) > 1 else np.zeros((0, 2, 3))
        with blended():
            draw_lines(columns, with_alpha(SKY, 0.22), 1.0)
            draw_lines(lines, with_alpha(SKY, 0.35), 1.5)
            if self.reflect is not None:
                draw_lines(self.reflect(lines), with_alpha(SKY, 0.35), 1.5)
                draw_lines(self.reflect(bones), with_alpha(YELLOW, 0.5), 2.5)
        with blended("LESS_EQUAL"):
            draw_lines(lifted(bpy.context, lines), SKY, 2.5)
            draw_lines(lifted(bpy.context, columns), with_alpha(SKY, 0.8), 1.2)
        with blended():
            draw_lines(bones, INK, 5.0)
            draw_lines(bones, YELLOW, 2.5)

    def draw_pixels(self) -> None:
        with blended():
            places, front = project(bpy.context.region, bpy.context.region_data, self.draft.points)
            for index in np.flatnonzero(front):
                near, colour = index == self.near_joint, GREEN if index == self.draft.root else YELLOW
                draw_markers(places[index][None], 16, 7.5 if near else 5.5, ORANGE if near else colour)
            self.draw_hover()
            self.draw_beside(self.words, PAPER)
            self.draw_beside(self.join_words, ORANGE, line=1)


def _ring_lines(rings: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Edges round every ring and edges from ring to ring, each (n, 2, 3)."""
    lines = np.stack([rings, np.roll(rings, -1, axis=1)], axis=2).reshape(-1, 2, 3) if rings.size else np.zeros((0, 2, 3))
    columns = np.stack([rings[:-1], rings[1:]], axis=2).reshape(-1, 2, 3) if len(rings) > 1 else np.zeros((0, 2, 3))
    return lines, columns


def redrawn_limb() -> str:
    """Name of the plan's limb that is being drawn anew; empty where there is none."""
    view = hanging_view()
    return view.redraws if isinstance(view, DraftView) else ""
