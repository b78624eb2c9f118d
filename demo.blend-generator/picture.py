"""The demo's picture: the sculpt, the cage's edges laid on it, and the cage itself (needs the host's Python module)."""

# mypy: disable-error-code="union-attr,attr-defined,misc"

from __future__ import annotations

import sys
from pathlib import Path

import bpy
import numpy as np
import numpy.typing as npt

from .scene import INK, add_camera, material, upright_axes

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.int32]

VIEW_FROM = np.array([0.22, 0.66, 0.72])
"""Direction from the limb to the camera: above and on the thumb's side."""
WIDTH = 1600
SAMPLES, QUICK_SAMPLES = 16, 4
LINE_WIDTH = 0.0016
"""Thickness of a drawn cage edge as a share of the target's diagonal."""
LINE_PIECES = 8
"""Straight pieces that one cage edge is drawn with where it lies on the sculpt."""
ROW_STEP = 1.02
"""Distance from one row of the picture to the next, as a share of the limb's height in it."""
TOWARDS_CAMERA = 7.0
"""How much nearer each row stands than the one above, in the same unit, so that no row throws its shadow on another."""


def render_picture(blend: Path, png: Path, *, quick: bool = False, view_from: FloatArray = VIEW_FROM) -> None:
    """Draw the demo's .blend to a picture of three rows.

    blend : a file that ``save_scene`` wrote; it is opened and not changed
    png : where the picture goes
    quick : a quarter of the width and height and fewer samples
    view_from : (3,) float, direction from the limb to the camera
    """
    bpy.ops.wm.open_mainfile(filepath=str(blend), load_ui=False)
    target, cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    positions = vertex_positions(target)
    line_width = LINE_WIDTH * float(np.linalg.norm(np.ptp(positions, axis=0)))
    axes = level_axes(positions, view_from)
    row = float(np.ptp(positions @ axes[:, 1])) * (TOWARDS_CAMERA * axes[:, 2] - ROW_STEP * axes[:, 1])
    ink = material("Ink", INK, roughness=0.9)
    _move(_link_copy(target), row)
    _move(_link_lines("Edges on the sculpt", edges_on_target(cage, target), line_width, ink), row)
    _move(_link_lines("Edges", straight_edges(cage, 1), line_width, ink), 2.0 * row)
    _move(cage, 2.0 * row)
    shown = np.concatenate([positions, positions + 2.0 * row, vertex_positions(cage) + 2.0 * row])
    seen = np.ptp(shown @ axes, axis=0)
    height = round(WIDTH * seen[1] / seen[0] / 20.0) * 20
    add_camera(shown, axes, WIDTH / height)
    _render(png, WIDTH, height, QUICK_SAMPLES if quick else SAMPLES, 25 if quick else 100)


def level_axes(positions: FloatArray, view_from: FloatArray) -> FloatArray:
    """Camera directions as columns, rolled so that the long way of (n, 3) points runs across the picture, (3, 3) float64."""
    axes = upright_axes(view_from)
    seen = (positions - positions.mean(axis=0)) @ axes[:, :2]
    _, directions = np.linalg.eigh(seen.T @ seen)
    long_way = directions[:, 1] * (1.0 if directions[0, 1] >= 0 else -1.0)
    right, up = axes[:, :2] @ long_way, axes[:, :2] @ np.array([-long_way[1], long_way[0]])
    return np.stack([right, up, axes[:, 2]], axis=1)


def straight_edges(cage: bpy.types.Object, pieces: int) -> FloatArray:
    """Points along every edge of a mesh object, (E, pieces + 1, 3) float64."""
    pairs = np.empty(2 * len(cage.data.edges), dtype=np.int32)
    cage.data.attributes[".edge_verts"].data.foreach_get("value", pairs)
    ends = vertex_positions(cage)[pairs.reshape(-1, 2)]
    fractions = np.linspace(0.0, 1.0, pieces + 1)[None, :, None]
    return np.asarray(ends[:, None, 0] * (1.0 - fractions) + ends[:, None, 1] * fractions)


def edges_on_target(cage: bpy.types.Object, target: bpy.types.Object) -> FloatArray:
    """The cage's edges moved to the nearest points of the target, (E, LINE_PIECES + 1, 3) float64."""
    lines = straight_edges(cage, LINE_PIECES)
    points = bpy.data.meshes.new("Edge points")
    points.vertices.add(lines.size // 3)
    points.attributes["position"].data.foreach_set("vector", lines.astype(np.float32).ravel())
    placed = bpy.data.objects.new("Edge points", points)
    bpy.context.scene.collection.objects.link(placed)
    wrap = placed.modifiers.new("On the sculpt", "SHRINKWRAP")
    wrap.target = target
    evaluated = placed.evaluated_get(bpy.context.evaluated_depsgraph_get())
    moved = vertex_positions(evaluated).reshape(lines.shape)
    bpy.data.meshes.remove(points)
    return moved


def vertex_positions(placed: bpy.types.Object) -> FloatArray:
    """Positions of a mesh object in its own space, (V, 3) float64."""
    flat = np.empty(3 * len(placed.data.vertices), dtype=np.float32)
    placed.data.attributes["position"].data.foreach_get("vector", flat)
    return flat.reshape(-1, 3).astype(np.float64)


def _link_lines(name: str, lines: FloatArray, width: float, surface: bpy.types.Material) -> bpy.types.Object:
    """Round bars along (E, k, 3) lines."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "3D"
    curve.bevel_depth = width / 2.0
    curve.bevel_resolution = 1
    curve.materials.append(surface)
    homogeneous = np.concatenate([lines, np.ones((*lines.shape[:2], 1))], axis=2)
    for line in homogeneous:
        spline = curve.splines.new("POLY")
        spline.points.add(len(line) - 1)
        spline.points.foreach_set("co", line.astype(np.float32).ravel())
    placed = bpy.data.objects.new(name, curve)
    bpy.context.scene.collection.objects.link(placed)
    return placed


def _link_copy(original: bpy.types.Object) -> bpy.types.Object:
    copied = original.copy()
    bpy.context.scene.collection.objects.link(copied)
    return copied


def _move(placed: bpy.types.Object, shift: FloatArray) -> None:
    placed.location = shift.tolist()


def _render(png: Path, width: int, height: int, samples: int, percentage: int) -> None:
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    scene.cycles.samples = samples
    # some builds of the host come without the denoiser; the picture is then a little grainy
    scene.cycles.use_denoising = bool(getattr(sys.modules.get("_cycles"), "with_openimagedenoise", False))
    scene.cycles.max_bounces = 3
    scene.cycles.seed = 0
    scene.view_settings.view_transform = "Standard"
    scene.render.resolution_x, scene.render.resolution_y = width, height
    scene.render.resolution_percentage = percentage
    scene.render.image_settings.file_format = "PNG"
    scene.render.filepath = str(png.resolve())
    bpy.ops.render.render(write_still=True)
