"""Draw Limb: click along a limb in the viewport; nothing in the scene changes before it is confirmed."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from dataclasses import replace
from typing import Any

import bpy
import numpy as np
from bpy.props import StringProperty

from ...core.errors import PlanError, RingwrightError
from ...core.limb_draft import (
    LimbDraft,
    draft_of,
    drawn_plan,
    place_on_limb,
    with_inserted_joint,
    with_joint,
    with_more_sides,
    with_more_spans,
    with_moved_joint,
    without_joint,
)
from ...core.limb_pointing import limb_middle, pierce, preview_rings
from ...core.outward import FlippedSurface
from ...core.polymesh import FloatArray
from ...core.surface import Surface
from ..draft_view import DraftView
from ..gpu_shapes import interface_scale
from ..plan_storage import load_plan, store_plan, target_of
from ..preferences import preference
from ..properties import even_sides
from ..ray_tree import RayTree
from ..viewports import Viewport, redraw_viewports, viewport_under
from .asking import Refusing, has_target, in_object_mode, limb_choices

JOINT_REACH = 14.0
"""Pixels within which the pointer takes hold of a joint."""
LINE_REACH = 8.0
"""Pixels within which the pointer touches a centre line."""
NAVIGATION = {"MIDDLEMOUSE", "NDOF_MOTION", "TRACKPADPAN", "TRACKPADZOOM", "MOUSEROTATE", "MOUSESMARTZOOM", "NUMPAD_0", "NUMPAD_1",
              "NUMPAD_2", "NUMPAD_3", "NUMPAD_4", "NUMPAD_5", "NUMPAD_6", "NUMPAD_7", "NUMPAD_8", "NUMPAD_9", "NUMPAD_PERIOD",
              "NUMPAD_PLUS", "NUMPAD_MINUS"}
WHEEL = {"WHEELUPMOUSE": 1, "WHEELDOWNMOUSE": -1}
CONFIRM = {"RET", "NUMPAD_ENTER"}
CANCEL = {"ESC", "RIGHTMOUSE"}
STATUS = (("MOUSE_LMB", "Add or Drag Joint"), ("EVENT_CTRL", "Insert"), ("EVENT_X", "Delete"), ("MOUSE_MMB_SCROLL", "Sides"),
          ("EVENT_CTRL", "Wheel: Spans"), ("EVENT_T", "Closed Tip"), ("EVENT_C", "Centre"), ("EVENT_SHIFT", "No Join"),
          ("EVENT_BACKSPACE", "Step Back"), ("EVENT_RETURN", "Confirm"), ("EVENT_ESC", "Cancel"))

WIDE_ICONS = {"EVENT_CTRL", "EVENT_ESC", "EVENT_BACKSPACE"}
"""Their picture reaches past its square into the words beside it."""


class RINGWRIGHT_OT_draw_limb(Refusing, bpy.types.Operator):
    """Draw a limb on the target: each click puts a joint in the middle of what lies under the pointer"""

    bl_idname = "ringwright.draw_limb"
    bl_label = "Draw Limb"
    bl_options = {"REGISTER", "UNDO"}

    limb: StringProperty(name="Limb", description="Limb of the plan whose joints are changed; empty draws a new one",
                         search=limb_choices, options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_target(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        raise PlanError("Draw Limb is used with the mouse in a 3D viewport; a script adds limbs with Add Limb.")

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        try:
            self._begin(context)
        except RingwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        context.window_manager.modal_handler_add(self)
        context.workspace.status_text_set(_draw_status)
        self._view.start()
        redraw_viewports(context)
        return {"RUNNING_MODAL"}

    def _begin(self, context: bpy.types.Context) -> None:
        self._plan = load_plan(context.scene)
        names = [limb.name for limb in self._plan.limbs]
        if self.limb and self.limb not in names:
            raise PlanError(f'There is no limb "{self.limb}"; choose one of the plan.')
        self._surface: Surface = RayTree(target_of(context.scene), context.evaluated_depsgraph_get())
        self._faces_known = False
        first = draft_of(self._plan.limb(self.limb)) if self.limb else LimbDraft(
            sides=even_sides(preference("sides")), joint_loops=preference("joint_loops"))
        self._history = [first]
        self._redone: list[LimbDraft] = []
        self._dragged = -1
        self._centred = bool(preference("centre_joints"))
        self._view = DraftView(first)
        self._viewport: Viewport | None = None
        self._place = np.zeros(2)

    @property
    def _draft(self) -> LimbDraft:
        return self._history[-1]

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        try:
            return self._take(context, event)
        except Exception:
            self._end(context, {"CANCELLED"})  # a fault must not leave callbacks behind that draw for ever
            raise

    def _take(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """One event of the running tool."""
        if event.type in NAVIGATION or (event.type in WHEEL and (event.shift or event.alt)):
            return {"PASS_THROUGH"}
        if event.type in CANCEL and event.value == "PRESS":
            return self._end(context, {"CANCELLED"})
        if event.type in CONFIRM and event.value == "PRESS":
            return self._confirm(context)
        viewport = viewport_under(context.window, event.mouse_x, event.mouse_y)
        if event.type == "MOUSEMOVE" or viewport is not None:
            self._viewport = viewport
            self._place = np.zeros(2) if viewport is None else viewport.local(event.mouse_x, event.mouse_y)
            self._handle(event)
            self._show(event)
            redraw_viewports(context)
        return {"RUNNING_MODAL"}

    def cancel(self, context: bpy.types.Context) -> None:
        """The host ends the tool by itself, as when a file is opened."""
        self._end(context, {"CANCELLED"})

    def _end(self, context: bpy.types.Context, result: set[str]) -> set[str]:
        self._view.stop()
        context.workspace.status_text_set(None)
        redraw_viewports(context)
        return result

    def _confirm(self, context: bpy.types.Context) -> set[str]:
        draft = self._draft
        if len(draft.joints) < 2:
            self.report({"WARNING"}, "A limb needs at least two joints; click once more, or press Esc to give up")
            return {"RUNNING_MODAL"}
        try:
            plan = drawn_plan(self._plan, draft, self.limb or "limb", new=not self.limb)
        except RingwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"RUNNING_MODAL"}
        store_plan(context.scene, plan)
        names = [limb.name for limb in plan.limbs]
        context.scene.ringwright.active_limb = names.index(self.limb) if self.limb else len(names) - 1
        self.report({"INFO"}, f'Limb "{self.limb or names[-1]}" with {len(draft.joints)} joints')
        return self._end(context, {"FINISHED"})

    def _step(self, draft: LimbDraft) -> None:
        if draft != self._draft:
            self._history.append(draft)

    def _handle(self, event: bpy.types.Event) -> None:
        """One event on the draft."""
        if event.type == "MOUSEMOVE":
            self._drag()
        elif event.type == "LEFTMOUSE":
            if event.value in {"PRESS", "DOUBLE_CLICK"}:
                self._press(event)
            elif event.value == "RELEASE":
                self._dragged = -1
        elif event.value == "PRESS" and event.type in WHEEL:
            self._wheel(WHEEL[event.type], spans=event.ctrl)
        elif event.value == "PRESS":
            self._key(event)

    def _key(self, event: bpy.types.Event) -> None:
        if event.type == "BACK_SPACE" or (event.type == "Z" and event.ctrl):
            if len(self._history) > 1:
                self._history.pop()
        elif event.type == "T":
            self._step(replace(self._draft, closed=not self._draft.closed))
        elif event.type == "C":
            self._centred = not self._centred
        elif event.type in {"X", "DEL"} and self._view.near_joint >= 0:
            self._step(without_joint(self._draft, self._view.near_joint))

    def _wheel(self, steps: int, *, spans: bool) -> None:
        if spans:
            bones = max(len(self._draft.joints) - 1 + (self._view.hover is not None), 1)
            self._step(with_more_spans(self._draft, steps, max(1, round((len(self._view.rings) - 1) / bones))))
        else:
            self._step(with_more_sides(self._draft, steps))

    def _press(self, event: bpy.types.Event) -> None:
        if self._viewport is None:
            return
        joint = self._joint_under()
        if joint >= 0:
            self._dragged = joint
            self._history.append(self._draft)  # the drag is one step of its own
            return
        point = self._point_under()
        if point is None:
            return
        if event.ctrl and len(self._draft.joints) > 1:
            self._step(with_inserted_joint(self._draft, self._bone_under(), point))
        else:
            self._step(self._joined_draft(point, joins=not event.shift))

    def _joined_draft(self, point: FloatArray, *, joins: bool) -> LimbDraft:
        """The draft with one more joint, joined to the limb that lies under the pointer."""
        name, part, place = self._limb_under() if joins else ("", "", None)
        point = point if place is None else place
        draft = with_joint(self._draft, point)
        if len(draft.joints) == 1:
            return replace(draft, root_tip_of=name if part == "tip" else "", root_side_of=name if part == "side" else "")
        return replace(draft, tip_root_of=name if part == "root" else "")

    def _drag(self) -> None:
        if self._dragged < 0 or self._viewport is None:
            return
        point = self._point_under()
        if point is None:
            point = self._viewport.shift(self._draft.points[self._dragged], self._place)
        self._history[-1] = with_moved_joint(self._draft, self._dragged, point)

    def _show(self, event: bpy.types.Event) -> None:
        """Bring what is drawn in line with the draft and the pointer."""
        view, draft = self._view, self._draft
        view.draft, view.near_joint = draft, self._joint_under()
        busy = self._viewport is None or self._dragged >= 0 or view.near_joint >= 0 or event.ctrl
        view.hover = None if busy else self._point_under()
        chain = draft.points if view.hover is None else np.concatenate([draft.points, view.hover[None]])
        lengths = np.linalg.norm(np.diff(chain, axis=0), axis=1)
        drawable = len(chain) > 1 and bool(np.all(lengths > 1e-6 * self._surface.diagonal))
        view.rings = preview_rings(self._surface, chain, draft.sides, draft.spans) if drawable else np.zeros((0, 0, 3))
        view.pointer, view.region = self._place, None if self._viewport is None else self._viewport.region
        view.words = self._words(draft)
        view.join_words = self._join_words(event)

    def _words(self, draft: LimbDraft) -> str:
        sides = f"{draft.sides} sides" if draft.sides else "sides chosen"
        spans = f"{draft.spans} spans" if draft.spans else "spans chosen"
        return ", ".join([sides, spans, *(["closed tip"] if draft.closed else []), *([] if self._centred else ["not centred"])])

    def _join_words(self, event: bpy.types.Event) -> str:
        name, part, _ = ("", "", None) if event.shift or self._view.near_joint >= 0 else self._limb_under()
        if not self._draft.joints:
            return {"tip": f"goes on from {name}", "side": f"leaves the side of {name}"}.get(part, "")
        return f"goes on into {name}" if part == "root" else ""

    def _point_under(self) -> FloatArray | None:
        """The joint that a click would set, (3,); None where the pointer is off the target."""
        if self._viewport is None:
            return None
        origin, direction = self._viewport.ray(self._place)
        through = pierce(self._surface, origin, direction)
        if through is None:
            return None
        if not self._faces_known:
            first = self._surface.cast(origin[None], direction[None])
            if float(first.normals[0] @ direction) > 0:
                self._surface = FlippedSurface(self._surface)
            self._faces_known = True
        return limb_middle(self._surface, through.middle) if self._centred else through.middle

    def _joint_under(self) -> int:
        """The draft's joint under the pointer, or -1."""
        points = self._draft.points
        if self._viewport is None or not len(points):
            return -1
        distances = np.linalg.norm(self._viewport.pixels(points) - self._place, axis=1)
        nearest = int(np.argmin(distances))
        return nearest if distances[nearest] <= JOINT_REACH * interface_scale() else -1

    def _bone_under(self) -> int:
        """The draft's bone nearest to the pointer, counted from 0."""
        if self._viewport is None:
            return 0
        return int(np.argmin(_line_distances(self._viewport.pixels(self._draft.points), self._place)[0]))

    def _limb_under(self) -> tuple[str, str, FloatArray | None]:
        """The plan's limb under the pointer, which part of it, and the joint to snap to where that is an end."""
        if self._viewport is None:
            return "", "", None
        for limb in self._plan.limbs:
            pixels = self._viewport.pixels(limb.joints)
            for part, joint in (("tip", -1), ("root", 0)):
                if limb.name != self.limb and np.linalg.norm(pixels[joint] - self._place) <= JOINT_REACH * interface_scale():
                    return limb.name, part, limb.joints[joint]
            distances, along = _line_distances(pixels, self._place)
            if limb.name != self.limb and distances.min() <= LINE_REACH * interface_scale():
                part = place_on_limb(limb, float(along[int(np.argmin(distances))]))
                return limb.name, part, {"tip": limb.joints[-1], "root": limb.joints[0]}.get(part)
        return "", "", None


def _line_distances(pixels: FloatArray, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance of a place from every bone and where along the whole line its nearest point lies, 0 to 1; both (k - 1,)."""
    bones = np.diff(pixels, axis=0)
    squared = np.maximum(np.einsum("ij,ij->i", bones, bones), 1e-12)
    share = np.clip(np.einsum("ij,ij->i", place - pixels[:-1], bones) / squared, 0, 1)
    lengths = np.sqrt(squared)
    before = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    distances = np.linalg.norm(pixels[:-1] + share[:, None] * bones - place, axis=1)
    return distances, (before + share * lengths) / lengths.sum()


def _draw_status(header: Any, _: bpy.types.Context) -> None:
    row = header.layout.row(align=True)
    for icon, text in STATUS:
        row.label(text="", icon=icon)
        row.separator(factor=2.0 if icon in WIDE_ICONS else 0.1)
        row.label(text=text)
        row.separator(factor=1.2)


CLASSES = (RINGWRIGHT_OT_draw_limb,)
