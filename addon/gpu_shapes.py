"""Draw lines, triangles, markers and words over a viewport, from arrays."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

import blf
import bpy
import gpu
import numpy as np
import numpy.typing as npt
from gpu_extras.batch import batch_for_shader

from ..core.polymesh import BoolArray, FloatArray
from .preferences import preference

Colour = tuple[float, float, float, float]

# A palette that colour-blind readers tell apart (Okabe and Ito, "Color Universal Design", 2008).
ORANGE: Colour = (0.90, 0.62, 0.00, 1.0)
SKY: Colour = (0.34, 0.71, 0.91, 1.0)
GREEN: Colour = (0.00, 0.62, 0.45, 1.0)
YELLOW: Colour = (0.94, 0.89, 0.26, 1.0)
VERMILION: Colour = (0.84, 0.37, 0.00, 1.0)
PURPLE: Colour = (0.80, 0.47, 0.65, 1.0)
INK: Colour = (0.04, 0.05, 0.07, 0.9)
PAPER: Colour = (1.0, 1.0, 1.0, 1.0)

FONT = 0
THIN_FROM = 6000
"""So many lines are drawn as plain hairlines: lines with a width cost about ten times as much."""
BESIDE = 40.0
"""Pixels beside a region from which a marker or a word still reaches into it."""
LIFT = 0.003
"""Share of the distance to the viewer by which lines stand off the faces that they lie on."""


def with_alpha(colour: Colour, alpha: float) -> Colour:
    """The colour at another opacity."""
    return (*colour[:3], alpha)


def interface_scale() -> float:
    """How large the artist has set the interface, 1 at the host's own size."""
    return float(bpy.context.preferences.system.ui_scale)


@contextmanager
def blended(depth: str = "NONE") -> Iterator[None]:
    """Blend colours inside the block; the state is as before afterwards.

    depth : "NONE" draws through everything, "LESS_EQUAL" only what nothing hides
    """
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_test_set(depth)
    try:
        yield
    finally:
        gpu.state.blend_set("NONE")
        gpu.state.depth_test_set("NONE")


def _buffer(points: npt.NDArray[Any]) -> Any:
    """Points as the host's batches take them without a loop over elements."""
    return np.ascontiguousarray(points, dtype=np.float32)


def _viewport_size() -> Any:
    """Width and height in pixels of what is being drawn to."""
    state: Any = gpu.state
    return state.viewport_get()[2:]


class LineBatch(NamedTuple):
    """Lines on the graphics card, and the program that draws them."""

    shader: Any
    batch: Any
    has_width: bool


def draw_lines(lines: FloatArray, colour: Colour, width: float) -> None:
    """Draw (n, 2, 3) line segments, width in pixels."""
    draw_line_batch(line_batch(lines), colour, width)


def line_batch(lines: FloatArray) -> LineBatch | None:
    """(n, 2, 3) line segments put up once, to be drawn many times; None without any."""
    if not len(lines):
        return None
    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR" if len(lines) < THIN_FROM else "UNIFORM_COLOR")
    return LineBatch(shader, batch_for_shader(shader, "LINES", {"pos": _buffer(lines.reshape(-1, 3))}), len(lines) < THIN_FROM)


def draw_line_batch(lines: LineBatch | None, colour: Colour, width: float) -> None:
    """Draw what ``line_batch`` put up, width in pixels where lines are few."""
    if lines is None:
        return
    lines.shader.bind()
    if lines.has_width:
        lines.shader.uniform_float("viewportSize", _viewport_size())
        lines.shader.uniform_float("lineWidth", width * interface_scale() * preference("line_width"))
    lines.shader.uniform_float("color", colour)
    lines.batch.draw(lines.shader)


def coloured_batch(positions: FloatArray, triangles: npt.NDArray[np.int32], colours: FloatArray) -> Any:
    """Triangles with a colour at every vertex, put up once.

    positions : (n, 3) float64
    triangles : (t, 3) int32
    colours : (n, 4) float64
    """
    shader = gpu.shader.from_builtin("SMOOTH_COLOR")
    return batch_for_shader(shader, "TRIS", {"pos": _buffer(positions), "color": _buffer(colours)}, indices=triangles)


def draw_coloured_batch(batch: Any) -> None:
    """Draw what ``coloured_batch`` put up."""
    shader = gpu.shader.from_builtin("SMOOTH_COLOR")
    shader.bind()
    batch.draw(shader)


def draw_triangles(triangles: FloatArray, colour: Colour) -> None:
    """Fill (n, 3, 3) triangles; (n, 3, 2) ones in pixels."""
    if not len(triangles):
        return
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    points = triangles.reshape(-1, triangles.shape[-1])
    if points.shape[1] == 2:
        points = np.column_stack([points, np.zeros(len(points))])
    batch = batch_for_shader(shader, "TRIS", {"pos": _buffer(points)})
    shader.bind()
    shader.uniform_float("color", colour)
    batch.draw(shader)


def draw_markers(places: FloatArray, corners: int, radius: float, colour: Colour, rim: Colour = INK) -> None:
    """Fill a regular polygon with a dark rim round each of (n, 2) places in pixels.

    corners : of the polygon, the first one up; many make a disc
    radius : pixels at the interface's own size
    """
    if not len(places):
        return
    size = radius * interface_scale() * preference("marker_size")
    draw_triangles(_polygons(places, corners, size + 1.5 * interface_scale()), rim)
    draw_triangles(_polygons(places, corners, size), colour)


def _polygons(places: FloatArray, corners: int, radius: float) -> FloatArray:
    turn = np.pi / 2 + (np.pi / 4 if corners == 4 else 0.0)
    angles = turn + 2 * np.pi * np.arange(corners + 1) / corners
    rim = radius * np.column_stack([np.cos(angles), np.sin(angles)])
    triangles = np.stack([np.zeros((corners, 2)), rim[:-1], rim[1:]], axis=1)
    return np.asarray((places[:, None, None] + triangles[None]).reshape(-1, 3, 2), dtype=np.float64)


def project(region: bpy.types.Region, view: bpy.types.RegionView3D, points: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Where (n, 3) points of the world lie in a region, (n, 2) pixels, and which of them lie before the viewer, (n,) bool."""
    matrix = np.array(view.perspective_matrix, dtype=np.float64)
    seen = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    front = seen[:, 3] > 1e-9
    depth = np.where(front, seen[:, 3], 1.0)[:, None]
    return (seen[:, :2] / depth + 1) / 2 * np.array([region.width, region.height]), front


def on_screen(region: bpy.types.Region, places: FloatArray) -> BoolArray:
    """Which of (n, 2) places in pixels lie in the region or just beside it, (n,) bool: the rest need not be drawn."""
    size = np.array([region.width, region.height])
    return np.asarray(np.all((places > -BESIDE) & (places < size + BESIDE), axis=1))


def faces_viewer(view: bpy.types.RegionView3D, points: FloatArray, normals: FloatArray) -> BoolArray:
    """Which of (n, 3) points with these normals look towards the viewer, (n,) bool."""
    inverse = np.array(view.view_matrix.inverted(), dtype=np.float64)
    towards = inverse[:3, 3] - points if view.is_perspective else np.broadcast_to(inverse[:3, 2], points.shape)
    return np.asarray(np.einsum("ij,ij->i", normals, towards) > 0)


@contextmanager
def lifted_drawing(context: bpy.types.Context) -> Iterator[None]:
    """Inside the block everything is drawn a little nearer to the viewer, as ``lifted`` moves lines."""
    view = context.region_data
    gpu.matrix.push()
    try:
        if view is not None:
            inverse = view.view_matrix.inverted()
            if view.is_perspective:
                gpu.matrix.translate(LIFT * inverse.translation)
                gpu.matrix.scale_uniform(1.0 - LIFT)
            else:
                gpu.matrix.translate(LIFT * view.view_distance * inverse.col[2].xyz)
        yield
    finally:
        gpu.matrix.pop()


def lifted(context: bpy.types.Context, lines: FloatArray) -> FloatArray:
    """Lines a little nearer to the viewer, so that they do not flicker on the faces that they lie on."""
    view = context.region_data
    if view is None or not len(lines):
        return lines
    inverse = np.array(view.view_matrix.inverted(), dtype=np.float64)
    if view.is_perspective:
        return np.asarray(lines + LIFT * (inverse[:3, 3] - lines), dtype=np.float64)
    return np.asarray(lines + LIFT * view.view_distance * inverse[:3, 2], dtype=np.float64)


def words_width(words: str, size: float = 12.0) -> float:
    """How wide ``draw_words`` draws a line of words with its plate, pixels."""
    scale = interface_scale() * preference("text_size")
    blf.size(FONT, size * scale)
    return float(blf.dimensions(FONT, words)[0]) + 8 * scale


def draw_words(places: FloatArray, words: Sequence[str], colour: Colour = PAPER, size: float = 12.0, *, centred: bool = True) -> None:
    """Write a word at each of (n, 2) places in pixels, on a dark plate that makes it readable over anything.

    size : letters' height in points at the interface's own size
    """
    scale = interface_scale() * preference("text_size")
    blf.size(FONT, size * scale)
    pad = 4 * scale
    boxes = []
    for (x, y), word in zip(places, words, strict=True):
        width, height = blf.dimensions(FONT, word)
        left = x - width / 2 if centred else x
        boxes.append((left, y - height / 2, width, height))
    plates = [[[x - pad, y - pad], [x + w + pad, y - pad], [x + w + pad, y + h + pad], [x - pad, y + h + pad]] for x, y, w, h in boxes]
    corners = np.array(plates).reshape(-1, 4, 2)
    draw_triangles(np.concatenate([corners[:, [0, 1, 2]], corners[:, [0, 2, 3]]]), INK)
    blf.color(FONT, *colour)
    for (x, y, _, _), word in zip(boxes, words, strict=True):
        blf.position(FONT, x, y, 0)
        blf.draw(FONT, word)
