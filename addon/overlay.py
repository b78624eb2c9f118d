"""The overlay: what the core gathers of the cage, drawn over every 3D viewport; gathered anew only when the cage changes."""

from __future__ import annotations

import time
from itertools import pairwise
from typing import Any

import bmesh
import bpy
import gpu
import numpy as np
from bpy.app.handlers import persistent

from ..core.count_figures import JoinCounts
from ..core.heat import Heat, heat_colours
from ..core.overlay_data import OverlayData, overlay_data
from ..core.plan import Limb
from ..core.planned import Planned, join_labels
from ..core.polymesh import PolyMesh
from . import plan_preview
from .cage_object import read_cage, transformed
from .draft_view import redrawn_limb
from .gpu_shapes import (
    GREEN,
    INK,
    ORANGE,
    PAPER,
    PURPLE,
    SKY,
    VERMILION,
    YELLOW,
    LineBatch,
    blended,
    coloured_batch,
    draw_coloured_batch,
    draw_line_batch,
    draw_lines,
    draw_markers,
    draw_triangles,
    draw_words,
    faces_viewer,
    interface_scale,
    lifted_drawing,
    line_batch,
    on_screen,
    project,
    with_alpha,
)
from .hanging_view import hanging_view
from .phrases import phrase
from .plan_storage import active_limb_name, cage_of, readable_plan
from .rigging import is_bent

LEAST_PAUSE = 0.4
"""Seconds between two readings of a mesh that is being dragged about."""
MOST_WORDS = 200
"""Ring counts that are written at most; a mesh with more open rings has other troubles."""
POLE_MARKS = ((3, 3, SKY), (5, 5, ORANGE))
"""Valence, corners of the marker, colour; all other poles get a square."""


class Overlay:
    """The drawing callbacks of one session, and the data of the cage that they saw last."""

    def __init__(self) -> None:
        self._handles: list[Any] = []
        self._key: tuple[Any, ...] = ()
        self._data: OverlayData | None = None
        self._batches: dict[str, LineBatch | None] = {}
        self._heat: Heat | None = None
        self._heat_batch: Any = None
        self._planned: Planned | None = None
        self._planned_batch: LineBatch | None = None
        self._read_at = 0.0
        self.stale = True

    def start(self) -> None:
        """Hang the callbacks on all 3D viewports."""
        space = bpy.types.SpaceView3D
        self._handles = [space.draw_handler_add(self._draw_space, (), "WINDOW", "POST_VIEW"),
                         space.draw_handler_add(self._draw_pixels, (), "WINDOW", "POST_PIXEL")]

    def stop(self) -> None:
        """Take the callbacks down and forget the data."""
        for handle in self._handles:
            bpy.types.SpaceView3D.draw_handler_remove(handle, "WINDOW")
        self._handles, self._data, self._key = [], None, ()
        self._batches, self._heat, self._heat_batch = {}, None, None
        self._planned = self._planned_batch = None

    def show_heat(self, heat: Heat | None) -> None:
        """Draw a deviation map until the cage changes, or none."""
        self._heat, self._heat_batch = heat, None

    @property
    def has_heat(self) -> bool:
        """Whether a deviation map is shown."""
        return self._heat is not None

    def mark_stale(self) -> None:
        """The cage has changed: read it again soon; its deviation is no longer known."""
        self.stale = True
        self.show_heat(None)

    def _cage_data(self, scene: bpy.types.Scene) -> OverlayData | None:
        cage = cage_of(scene)
        if cage is None or not cage.visible_get():
            return None
        key = (cage.name, cage.data.name, cage.mode, tuple(map(tuple, cage.matrix_world)))
        due = self.stale and time.monotonic() - self._read_at > LEAST_PAUSE
        if self._data is None or key != self._key or due:
            self._data, self._key = overlay_data(_current_mesh(cage)), key
            self._batches = {"joints": line_batch(self._data.joint_edges), "rings": line_batch(self._data.ring_edges)}
            self._read_at, self.stale = time.monotonic(), False
        return self._data

    def _draw_space(self) -> None:
        context = bpy.context
        settings = _shown_settings(context)
        if settings is None:
            return
        data = self._cage_data(context.scene)
        cage = cage_of(context.scene)
        if cage is not None and data is not None:
            self._draw_on_faces(context, settings, data, in_front=cage.show_in_front)
        with blended():
            if _shows_plan(settings):
                self._draw_planned(plan_preview.planned_of(context.scene))
            if settings.show_limbs:
                _draw_limb_lines(context)
            if data is not None and settings.show_counts:
                draw_line_batch(self._batches["rings"], GREEN, 2.5)
                draw_lines(data.unlike_lines, VERMILION, 3.5)

    def _draw_on_faces(self, context: bpy.types.Context, settings: Any, data: OverlayData, *, in_front: bool) -> None:
        """What lies on the cage's faces; of a cage that the host draws in front of everything only what faces the viewer."""
        with blended("NONE" if in_front else "LESS_EQUAL"), lifted_drawing(context):
            if self._heat is not None:
                self._draw_heat(self._heat)
            if settings.show_joints and in_front:
                seen = faces_viewer(context.region_data, data.joint_middles, data.joint_normals)
                draw_lines(data.joint_edges[seen], with_alpha(PURPLE, 0.85), 2.0)
            elif settings.show_joints:
                draw_line_batch(self._batches["joints"], with_alpha(PURPLE, 0.85), 2.0)
            if settings.show_faces:
                draw_triangles(data.odd_triangles, with_alpha(VERMILION, 0.45))

    def _draw_planned(self, plan: Planned | None) -> None:
        """The rows and step-downs of a cage that is not built yet."""
        if plan is not self._planned:
            self._planned, self._planned_batch = plan, None if plan is None else line_batch(plan.edges)
        if plan is not None:
            draw_line_batch(self._planned_batch, with_alpha(SKY, 0.4), 1.0)
            draw_lines(plan.step_downs, GREEN, 4.0)

    def _draw_heat(self, heat: Heat) -> None:
        if self._heat_batch is None:
            self._heat_batch = coloured_batch(heat.positions, heat.triangles, heat.colours)
        gpu.state.face_culling_set("BACK")
        draw_coloured_batch(self._heat_batch)
        gpu.state.face_culling_set("NONE")

    def _draw_pixels(self) -> None:
        context = bpy.context
        settings = _shown_settings(context)
        if settings is None:
            return
        data = self._cage_data(context.scene)
        plan = plan_preview.planned_of(context.scene) if _shows_plan(settings) else None
        with blended():
            if settings.show_limbs:
                _draw_joints(context)
            if plan is not None:
                _draw_step_downs(context, plan)
            if settings.show_counts:
                _draw_joins(context)
            if data is not None and settings.show_poles:
                _draw_poles(context, data)
            if data is not None and settings.show_counts:
                _draw_counts(context, data)
            if data is not None and self._heat is not None:
                _draw_legend(context, self._heat)


_overlay = Overlay()


def show_heat(heat: Heat | None) -> None:
    """Draw a deviation map over the cage until it changes, or take it away."""
    _overlay.show_heat(heat)


def has_heat() -> bool:
    """Whether a deviation map is shown."""
    return _overlay.has_heat


def _shown_settings(context: bpy.types.Context) -> Any:
    """The scene's settings where the overlay is on in this viewport, else None: also while the cage is bent, for it is drawn at rest."""
    space, settings = context.space_data, getattr(context.scene, "ringwright", None)
    hidden = settings is None or not settings.overlay or space is None or not space.overlay.show_overlays
    return None if hidden or is_bent(cage_of(context.scene)) else settings


def _current_mesh(cage: bpy.types.Object) -> PolyMesh:
    """The cage in world coordinates; under edit from the editable mesh, which a drawing callback may only read."""
    if cage.mode != "EDIT":
        return read_cage(cage)
    host = bmesh.from_edit_mesh(cage.data)
    positions = np.array([vertex.co[:] for vertex in host.verts]).reshape(-1, 3)
    mesh = PolyMesh.from_faces(positions, [[corner.index for corner in face.verts] for face in host.faces])
    return mesh.with_positions(transformed(positions, np.array(cage.matrix_world, dtype=np.float64)))


def _shows_plan(settings: Any) -> bool:
    """Whether planned rows are drawn: a tool that is running shows its own rings, which must not drown among them."""
    return bool(settings.show_planned) and hanging_view() is None


def _standing_limbs(context: bpy.types.Context) -> list[Limb]:
    """The plan's limbs without the one that is being drawn anew: the tool shows that."""
    return [limb for limb in readable_plan(context.scene).limbs if limb.name != redrawn_limb()]


def _draw_limb_lines(context: bpy.types.Context) -> None:
    active = active_limb_name(context.scene)
    bones = {True: [np.zeros((0, 2, 3))], False: [np.zeros((0, 2, 3))]}
    for limb in _standing_limbs(context):
        bones[limb.name == active].append(np.stack([limb.joints[:-1], limb.joints[1:]], axis=1))
    draw_lines(np.concatenate([*bones[True], *bones[False]]), INK, 4.5)
    draw_lines(np.concatenate(bones[False]), PAPER, 2.0)
    draw_lines(np.concatenate(bones[True]), YELLOW, 2.0)


def _draw_joints(context: bpy.types.Context) -> None:
    limbs = _standing_limbs(context)
    if not limbs:
        return
    region, view, active = context.region, context.region_data, active_limb_name(context.scene)
    joints = np.concatenate([limb.joints for limb in limbs])
    is_active = np.repeat([limb.name == active for limb in limbs], [len(limb.joints) for limb in limbs])
    places, front = project(region, view, joints)
    draw_markers(places[front & ~is_active], 12, 3.5, PAPER)
    draw_markers(places[front & is_active], 12, 3.5, YELLOW)
    middles = np.array([limb.joints[len(limb.joints) // 2 - 1 : len(limb.joints) // 2 + 1].mean(axis=0) for limb in limbs])
    places, front = project(region, view, middles)
    shown = [index for index in np.flatnonzero(front) if limbs[index].name == active]
    draw_words(places[shown], [limbs[index].name for index in shown], YELLOW, 11.0)


def _draw_poles(context: bpy.types.Context, data: OverlayData) -> None:
    region, view = context.region, context.region_data
    places, front = project(region, view, data.pole_positions)
    seen = front & on_screen(region, places) & faces_viewer(view, data.pole_positions, data.pole_normals)
    for valence, corners, colour in POLE_MARKS:
        draw_markers(places[seen & (data.pole_valences == valence)], corners, 6.0, colour)
    draw_markers(places[seen & (data.pole_valences != 3) & (data.pole_valences != 5)], 4, 6.5, VERMILION)


def _draw_step_downs(context: bpy.types.Context, plan: Planned) -> None:
    """A hexagon where two columns of the plan will end."""
    places, front = project(context.region, context.region_data, plan.step_downs.mean(axis=1))
    draw_markers(places[front], 6, 6.0, GREEN)


def _draw_joins(context: bpy.types.Context) -> None:
    """The counts that meet at every join of the plan, where they are known."""
    labels = [label for label in join_labels(readable_plan(context.scene), plan_preview.shown_figures(context.scene))
              if label.join.above is not None and label.join.below is not None]
    if not labels:
        return
    places, front = project(context.region, context.region_data, np.array([label.place for label in labels]))
    for unlike, colour in ((False, PAPER), (True, ORANGE)):
        chosen = [index for index in np.flatnonzero(front) if (labels[index].join.step_downs > 0) == unlike]
        draw_words(places[chosen] + [0.0, 14.0 * interface_scale()], [_join_words(labels[index].join) for index in chosen], colour, 12.0)


def _join_words(join: JoinCounts) -> str:
    if join.step_downs:
        return phrase("{below} to {above}, step-downs: {count}", below=join.below, above=join.above, count=join.step_downs)
    return str(join.above)


def _draw_counts(context: bpy.types.Context, data: OverlayData) -> None:
    region, view = context.region, context.region_data
    places, front = project(region, view, data.ring_centres[:MOST_WORDS])
    front &= on_screen(region, places)
    draw_words(places[front], [str(count) for count in data.ring_counts[:MOST_WORDS][front]], PAPER, 13.0)
    if len(data.unlike_lines):
        places, front = project(region, view, data.unlike_lines.mean(axis=1))
        words = [f"{fuller} to {sparser}" for fuller, sparser in data.unlike_counts[front]]
        draw_words(places[front], words, ORANGE, 13.0)


def _draw_legend(context: bpy.types.Context, heat: Heat) -> None:
    """What the colours of the deviation map mean, low in the middle of the viewport."""
    scale = interface_scale()
    left, bottom, width, height = context.region.width / 2 - 120 * scale, 40 * scale, 240 * scale, 12 * scale
    steps = np.linspace(0.0, 1.0, 25)
    for low, high in pairwise(steps):
        corners = np.array([[low, 0], [high, 0], [high, 1], [low, 1.0]]) * [width, height] + [left, bottom]
        colour = heat_colours(np.array([(low + high) / 2]), 1.0)[0]
        draw_triangles(corners[[[0, 1, 2], [0, 2, 3]]], (float(colour[0]), float(colour[1]), float(colour[2]), 1.0))
    places = np.array([[left, bottom + height + 14 * scale], [left + width, bottom + height + 14 * scale]])
    draw_words(places, ["0 %", f"{heat.percent:.2g} % of the target"], PAPER, 11.0)


@persistent  # type: ignore[untyped-decorator]
def _geometry_changed(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    settings = getattr(scene, "ringwright", None)
    cage = None if settings is None else settings.cage
    if cage is None:
        return
    if any(update.is_updated_geometry and update.id.original in (cage, cage.data) for update in depsgraph.updates):
        _overlay.mark_stale()


@persistent  # type: ignore[untyped-decorator]
def _file_changed(*_: Any) -> None:
    _overlay.mark_stale()
    plan_preview.ask(bpy.context.scene)


HANDLERS = (("depsgraph_update_post", _geometry_changed), ("undo_post", _file_changed), ("redo_post", _file_changed),
            ("load_post", _file_changed))


def register() -> None:
    """Start drawing and watching the cage."""
    for name, handler in HANDLERS:
        getattr(bpy.app.handlers, name).append(handler)
    if not bpy.app.background:
        _overlay.start()


def unregister() -> None:
    """Stop both."""
    _overlay.stop()
    for name, handler in HANDLERS:
        getattr(bpy.app.handlers, name).remove(handler)
