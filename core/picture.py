"""Pictures of a cage over its target, by numpy alone: clay, hidden lines, poles by shape, deviation by heat.

Everything is drawn at twice the size and averaged down. Colours are a blue and a vermilion that stay
apart for every common colour vision (Okabe and Ito, "Color Universal Design", 2008), and every
mark differs in shape as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .deviation import DeviationMap
from .face_geometry import face_area_vectors
from .poles import PoleCensus
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .raster import DepthBuffer, View, interpolate, rasterise

Canvas = npt.NDArray[np.float32]
"""Picture under way: (h, w, 3), 0 black to 1 white."""

OVERSAMPLING = 2
PAPER = (1.0, 1.0, 1.0)
CLAY = (0.86, 0.82, 0.77)
LINE = (0.10, 0.11, 0.14)
OPEN_END = (0.0, 0.45, 0.70)
THREE_POLE = (0.0, 0.45, 0.70)
FIVE_POLE = (0.84, 0.37, 0.0)
OTHER_POLE = (0.0, 0.0, 0.0)
FOCUS = (0.80, 0.47, 0.65)
FOCUS_EDGE = (0.55, 0.05, 0.35)

HEAT = ((0.97, 0.96, 0.90), (0.98, 0.80, 0.42), (0.91, 0.47, 0.23), (0.62, 0.18, 0.33), (0.20, 0.05, 0.25))
"""Little to much; darker step by step, so that it reads in grey too."""

_KEY_LIGHT = np.array([-0.45, 0.60, 0.66])
_FILL_LIGHT = np.array([0.80, -0.10, 0.58])
_LINE_STEP = 0.6
_CLOSEST_LINES = 2.5
"""Pixels of the larger picture: inner edges shorter than this, by their median, would only blacken it and are left out."""
_MOST_MARKERS = 2000
"""More poles than this at once would only cover the picture and are left out."""
_CAGE_BIAS = 2.5
"""Depth, in pixels, by which a line may lie behind the cage and still be drawn: it is on the cage, between pixel centres."""
_TARGET_BIAS = 0.03
"""The same behind the target, in cage diagonals: chords of a cage run inside the target."""


@dataclass(frozen=True)
class Mark:
    """A number that is shown over a picture.

    x, y : pixels from the left and from the top
    """

    number: int
    x: float
    y: float


@dataclass(frozen=True)
class Picture:
    """A finished picture.

    name : short, for file names and anchors
    caption : one sentence for the reader
    image : (h, w, 3) uint8
    number : of the finding that it shows; 0 for none
    marks : numbers to be shown over it
    """

    name: str
    caption: str
    image: npt.NDArray[np.uint8]
    number: int = 0
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class Dense:
    """The target as a picture needs it.

    positions : (V, 3) float64
    triangles : (T, 3) int32
    """

    positions: FloatArray
    triangles: IntArray


def draw_cage(view: View, cage: PolyMesh, adjacency: Adjacency, *, target: Dense | None = None, poles: PoleCensus | None = None,
              focus: IntArray | None = None) -> npt.NDArray[np.uint8]:
    """Draw the cage's edges over the target's clay, or over its own.

    poles : marked where given: 3-poles as triangles, 5-poles as pentagons, others as squares
    focus : (k,) int, faces to tint; the first one's outline is drawn through whatever hides it
    Returns (h, w, 3) uint8 of the view's size.
    """
    large = view.enlarged(OVERSAMPLING)
    screen, triangles = large.project(cage.positions), cage.triangles()
    own = rasterise(screen, triangles, large.width, large.height)
    if target is None:
        canvas, hiding = shade(large, cage.positions, triangles, own), [(own, _CAGE_BIAS / large.scale)]
    else:
        dense = rasterise(large.project(target.positions), target.triangles, large.width, large.height)
        canvas = shade(large, target.positions, target.triangles, dense)
        hiding = [(own, _CAGE_BIAS / large.scale), (dense, _TARGET_BIAS * _size(cage.positions))]
    if focus is not None:
        _tint(canvas, own, cage, focus)
    _draw_edges(canvas, large, screen, cage, adjacency, hiding)
    if poles is not None:
        _draw_poles(canvas, large, screen, cage, poles, hiding)
    if focus is not None and len(focus):
        corners = screen[cage.face(int(focus[0]))]
        _stamp(canvas, _points_on(corners, np.roll(corners, -1, axis=0)), 2.4, FOCUS_EDGE, 1.0)
    return finish(canvas)


def draw_deviation(view: View, cage: PolyMesh, adjacency: Adjacency, heat: DeviationMap, highest: float) -> npt.NDArray[np.uint8]:
    """Draw the cage coloured by its distance from the target, from 0 to ``highest`` and beyond.

    Returns (h, w, 3) uint8 of the view's size.
    """
    large = view.enlarged(OVERSAMPLING)
    screen = large.project(heat.positions)
    buffer = rasterise(screen, heat.triangles, large.width, large.height)
    canvas = _blank(large.width, large.height)
    pixels, values = interpolate(screen, heat.triangles, buffer, heat.distances)
    light = _light(_pixel_normals(large, heat.positions, heat.triangles, buffer, pixels))
    shares = values / highest if highest > 0.0 else np.zeros_like(values)
    canvas.reshape(-1, 3)[pixels] = heat_colours(shares) * (0.85 + 0.15 * light[:, None])
    hiding = [(buffer, _CAGE_BIAS / large.scale)]
    _draw_edges(canvas, large, large.project(cage.positions), cage, adjacency, hiding, strength=0.45)
    return finish(canvas)


def seen_from(view: View, cage: PolyMesh, places: FloatArray) -> BoolArray:
    """Whether places (n, 3) near the cage lie in the picture and no deeper than its nearest skin, (n,) bool."""
    own = rasterise(view.project(cage.positions), cage.triangles(), view.width, view.height)
    return _in_front(view.project(places), [(own, _TARGET_BIAS * _size(cage.positions))])


def draw_scale(width: int, height: int) -> npt.NDArray[np.uint8]:
    """The heat scale from little on the left to much on the right, (height, width, 3) uint8."""
    row = heat_colours(np.linspace(0.0, 1.0, width))
    return np.repeat((row * 255.0 + 0.5).astype(np.uint8)[None], height, axis=0)


def contact_sheet(images: Sequence[npt.NDArray[np.uint8]], *, columns: int = 2, gap: int = 6) -> npt.NDArray[np.uint8]:
    """Put pictures of any sizes side by side and under one another on white, (h, w, 3) uint8."""
    rows = [images[start : start + columns] for start in range(0, len(images), columns)]
    width = max(sum(image.shape[1] for image in row) + gap * (len(row) - 1) for row in rows)
    heights = [max(image.shape[0] for image in row) for row in rows]
    sheet = np.full((sum(heights) + gap * (len(rows) - 1), width, 3), 255, dtype=np.uint8)
    top = 0
    for row, height in zip(rows, heights, strict=True):
        left = 0
        for image in row:
            sheet[top : top + image.shape[0], left : left + image.shape[1]] = image
            left += image.shape[1] + gap
        top += height + gap
    return sheet


def heat_colours(shares: FloatArray) -> FloatArray:
    """Colours (n, 3) of shares of the highest value (n,), clipped to 0 and 1."""
    stops = np.linspace(0.0, 1.0, len(HEAT))
    return np.column_stack([np.interp(np.clip(shares, 0.0, 1.0), stops, channel) for channel in np.array(HEAT).T])


def shade(view: View, positions: FloatArray, triangles: IntArray, buffer: DepthBuffer) -> Canvas:
    """Clay under two lights, with its outline darkened; a fresh canvas."""
    canvas = _blank(view.width, view.height)
    pixels = np.flatnonzero(buffer.triangles.ravel() >= 0)
    light = _light(_pixel_normals(view, positions, triangles, buffer, pixels))
    canvas.reshape(-1, 3)[pixels] = np.array(CLAY, dtype=np.float32) * light[:, None]
    _darken_outline(canvas, buffer, 0.02 * _size(positions))
    return canvas


def finish(canvas: Canvas) -> npt.NDArray[np.uint8]:
    """Average the canvas down and round it to bytes."""
    shifts = [canvas[down::OVERSAMPLING, right::OVERSAMPLING] for down in range(OVERSAMPLING) for right in range(OVERSAMPLING)]
    small = sum(shifts[1:], start=shifts[0]) / len(shifts)
    return (np.clip(small, 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8)


def _blank(width: int, height: int) -> Canvas:
    return np.tile(np.array(PAPER, dtype=np.float32), (height, width, 1))


def _size(positions: FloatArray) -> float:
    """Diagonal of the box round points (n, 3)."""
    return float(np.linalg.norm(np.ptp(positions, axis=0))) if len(positions) else 0.0


def _pixel_normals(view: View, positions: FloatArray, triangles: IntArray, buffer: DepthBuffer, pixels: IntArray) -> FloatArray:
    """Unit normals in the view's axes of what the pixels (n,) see, turned towards the viewer, (n, 3)."""
    seen, inverse = np.unique(buffer.triangles.ravel()[pixels], return_inverse=True)
    first, second, third = (positions[triangles[seen, corner]] @ view.axes.T for corner in range(3))
    normals = np.cross(second - first, third - first)
    normals *= np.where(normals[:, 2:] < 0.0, -1.0, 1.0)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), np.finfo(float).tiny)
    return np.asarray(normals[inverse.reshape(-1)], dtype=np.float64)


def _light(normals: FloatArray) -> FloatArray:
    """Brightness of surfaces with these normals (n, 3), about 0.46 to 1.1."""
    key = np.maximum(normals @ (_KEY_LIGHT / np.linalg.norm(_KEY_LIGHT)), 0.0)
    fill = np.maximum(normals @ (_FILL_LIGHT / np.linalg.norm(_FILL_LIGHT)), 0.0)
    return np.asarray(0.46 + 0.50 * key + 0.16 * fill, dtype=np.float64)


def _darken_outline(canvas: Canvas, buffer: DepthBuffer, jump: float) -> None:
    """Darken pixels beside a nearer surface's edge or the background, where depth jumps."""
    depth = np.where(np.isfinite(buffer.depth), buffer.depth, np.float32(3e38))
    edge = np.zeros(depth.shape, dtype=np.bool_)
    for axis in (0, 1):
        step = np.abs(np.diff(depth, axis=axis)) > jump
        near_first = np.diff(depth, axis=axis) > 0
        before = (slice(None, -1), slice(None)) if axis == 0 else (slice(None), slice(None, -1))
        after = (slice(1, None), slice(None)) if axis == 0 else (slice(None), slice(1, None))
        edge[before] |= step & near_first
        edge[after] |= step & ~near_first
    canvas[edge & (buffer.triangles >= 0)] *= np.float32(0.45)


def _tint(canvas: Canvas, buffer: DepthBuffer, cage: PolyMesh, faces: IntArray) -> None:
    face_of = np.repeat(np.arange(cage.face_count), np.maximum(cage.face_sizes - 2, 0))
    chosen = np.isin(face_of, faces)
    pixels = np.flatnonzero((buffer.triangles.ravel() >= 0) & chosen[np.maximum(buffer.triangles.ravel(), 0)])
    flat = canvas.reshape(-1, 3)
    flat[pixels] = 0.35 * flat[pixels] + 0.65 * np.array(FOCUS, dtype=np.float32)


def _draw_edges(canvas: Canvas, view: View, screen: FloatArray, cage: PolyMesh, adjacency: Adjacency,
                hiding: Sequence[tuple[DepthBuffer, float]], *, strength: float = 1.0) -> None:
    """Draw the edges that face the viewer and lie in front, where they do not lie too close; open ends thicker."""
    facing = face_area_vectors(cage) @ view.backward > 0.0
    shown = np.zeros(adjacency.edge_count, dtype=np.bool_)
    shown[adjacency.corner_edges[facing[adjacency.corner_faces]]] = True
    border = adjacency.edge_face_count == 1
    for chosen, colour, radius in ((shown & ~border, LINE, 0.85), (border, OPEN_END, 2.0)):
        ends = screen[adjacency.edge_verts[chosen]]
        if colour is LINE and len(ends) and np.median(np.linalg.norm(ends[:, 1, :2] - ends[:, 0, :2], axis=1)) < _CLOSEST_LINES:
            continue
        points = _points_on(ends[:, 0], ends[:, 1])
        _stamp(canvas, points[_in_front(points, hiding)], radius, colour, strength)


def _points_on(start: FloatArray, end: FloatArray) -> FloatArray:
    """Points along segments (n, 3), about half a pixel apart, (m, 3)."""
    length = np.linalg.norm(end[:, :2] - start[:, :2], axis=1)
    counts = np.minimum(np.ceil(np.nan_to_num(length) / _LINE_STEP), 20_000).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(start)), counts)
    share = (np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)) / np.maximum(counts[owner] - 1, 1)
    return np.asarray(start[owner] + share[:, None] * (end[owner] - start[owner]), dtype=np.float64)


def _in_front(points: FloatArray, hiding: Sequence[tuple[DepthBuffer, float]]) -> BoolArray:
    """Whether screen points (n, 3) lie in the picture and no more than each bias behind what is seen there."""
    height, width = hiding[0][0].depth.shape
    whole = np.floor(np.nan_to_num(points[:, :2], nan=-1.0))
    visible = ((whole >= 0) & (whole < [width, height])).all(axis=1)
    column, row = np.where(visible[:, None], whole, 0).astype(np.int64).T
    for buffer, bias in hiding:
        visible &= points[:, 2] <= buffer.depth[row, column] + bias
    return visible


def _stamp(canvas: Canvas, points: FloatArray, radius: float, colour: tuple[float, float, float], strength: float) -> None:
    """Lay a round stamp of ``radius`` pixels at every screen point (n, 3)."""
    height, width = canvas.shape[:2]
    covered = np.zeros(height * width, dtype=np.bool_)
    reach = int(np.ceil(radius))
    corner = np.floor(points[:, :2]).astype(np.int64).T
    for down in range(-reach, reach + 1):
        for right in range(-reach, reach + 1):
            column, row = corner[0] + right, corner[1] + down
            inside = (column + 0.5 - points[:, 0]) ** 2 + (row + 0.5 - points[:, 1]) ** 2 <= radius**2
            inside &= (column >= 0) & (column < width) & (row >= 0) & (row < height)
            covered[row[inside] * width + column[inside]] = True
    flat = canvas.reshape(-1, 3)
    flat[covered] = (1.0 - strength) * flat[covered] + strength * np.array(colour, dtype=np.float32)


def _draw_poles(canvas: Canvas, view: View, screen: FloatArray, cage: PolyMesh, poles: PoleCensus,
                hiding: Sequence[tuple[DepthBuffer, float]]) -> None:
    """Mark the inner poles that face the viewer and lie in front, where they are not too many."""
    facing = face_area_vectors(cage) @ view.backward > 0.0
    turned = np.zeros(cage.vertex_count, dtype=np.bool_)
    turned[cage.corner_verts[np.repeat(facing, cage.face_sizes)]] = True
    inner = ~poles.on_boundary
    vertices, valences = poles.vertices[inner], poles.valences[inner]
    seen = turned[vertices] & _in_front(screen[vertices], hiding)
    if np.count_nonzero(seen) > _MOST_MARKERS:
        return
    for vertex, valence in zip(vertices[seen].tolist(), valences[seen].tolist(), strict=True):
        corners, colour = {3: (3, THREE_POLE), 5: (5, FIVE_POLE)}.get(valence, (4, OTHER_POLE))
        draw_marker(canvas, screen[vertex, :2], 4.6 * OVERSAMPLING, corners, colour)


def draw_marker(canvas: Canvas, place: FloatArray, radius: float, corners: int, colour: tuple[float, float, float]) -> None:
    """Fill a regular polygon with one corner on top round a screen point (2,), with a white rim."""
    height, width = canvas.shape[:2]
    low = np.maximum(np.floor(place - radius * 1.6), 0).astype(int)
    high = np.minimum(np.ceil(place + radius * 1.6), [width, height]).astype(int)
    if (high <= low).any():
        return
    x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5 - place[0], np.arange(low[1], high[1]) + 0.5 - place[1])
    angles = 2.0 * np.pi * (np.arange(corners) + 0.5) / corners - 0.5 * np.pi
    reach = np.max([np.cos(angle) * x + np.sin(angle) * y for angle in angles], axis=0)
    inner = radius * np.sqrt(2.0 * np.pi / (corners * np.sin(2.0 * np.pi / corners))) * np.cos(np.pi / corners) * 0.8
    patch = canvas[low[1] : high[1], low[0] : high[0]]
    patch[reach <= inner + 0.28 * radius] = 1.0
    patch[reach <= inner] = colour
