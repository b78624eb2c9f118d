"""Draw Limb: click along a limb in the viewport; nothing in the scene changes before it is confirmed."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from dataclasses import replace
from functools import partial

import bpy
import numpy as np
from bpy.props import CollectionProperty, EnumProperty, StringProperty

from ...core.errors import PlanError
from ...core.limb_draft import (
    LimbDraft,
    draft_of,
    drawn_plan,
    fitting_part,
    with_inserted_joint,
    with_joined_joint,
    with_more_sides,
    with_more_spans,
    with_moved_joint,
    with_next_mirror,
    without_joint,
)
from ...core.limb_pointing import limb_middle, preview_rings
from ...core.mirror import mirrored
from ...core.polymesh import FloatArray
from ..draft_view import DraftView
from ..gpu_shapes import interface_scale
from ..phrases import phrase, told
from ..plan_storage import load_plan, store_plan
from ..pointed_limb import JOINT_REACH, limb_under, line_distances
from ..preferences import preference
from ..properties import MIRROR_ITEMS, even_sides
from ..viewports import redraw_viewports
from .asking import Refusing, limb_choices
from .limbs import LimbValues, RINGWRIGHT_PG_joint
from .viewport_tool import CANCEL, CONFIRM, NAVIGATION, WHEEL, ViewportTool, draw_keys

STEPS = {**WHEEL, "PAGE_UP": 1, "PAGE_DOWN": -1}
"""A pen has no wheel: the page keys do the same."""
STATUS = (("MOUSE_LMB", "Add or Drag Joint"), ("EVENT_RETURN", "Confirm"), ("EVENT_ESC", "Cancel"), ("EVENT_BACKSPACE", "Step Back"),
          ("MOUSE_MMB_SCROLL", "Sides"), ("EVENT_CTRL", "Wheel: Spans"), ("EVENT_CTRL", "Insert"), ("EVENT_X", "Delete"),
          ("EVENT_T", "Closed Tip"), ("EVENT_SHIFT", "No Join"), ("EVENT_M", "Mirror"), ("EVENT_C", "Centre"))
"""What the status bar says, the most needed first: a narrow window shows only so many."""


class RINGWRIGHT_OT_draw_limb(ViewportTool, Refusing, LimbValues, bpy.types.Operator):
    """Draw a limb on the target: each click puts a joint in the middle of what lies under the pointer"""

    bl_idname = "ringwright.draw_limb"
    bl_label = "Draw Limb"
    bl_options = {"REGISTER", "UNDO"}

    limb: StringProperty(name="Limb", description="Limb of the plan whose joints are changed; empty draws a new one",
                         search=limb_choices, options={"SKIP_SAVE"})
    joints: CollectionProperty(type=RINGWRIGHT_PG_joint, name="Joints", description="Joints from the root to the tip",
                               options={"SKIP_SAVE"})
    mirror: EnumProperty(name="Mirror", items=MIRROR_ITEMS, description="Plane across which the cage is mirrored", options={"SKIP_SAVE"})
    root_tip_of: StringProperty(name="Goes On From", search=limb_choices, options={"SKIP_SAVE"},
                                description="Limb at whose tip the new one begins; a further one there makes a fork")
    root_side_of: StringProperty(name="Leaves the Side Of", search=limb_choices, options={"SKIP_SAVE"},
                                 description="Limb whose side the new one leaves, as a socket")
    tip_root_of: StringProperty(name="Goes On Into", search=limb_choices, options={"SKIP_SAVE"},
                                description="Limb at whose root the new one ends, as a splice")

    def draw(self, _: bpy.types.Context) -> None:
        """What can be changed afterwards, in the panel of the last operation."""
        column = self.layout.column()
        column.use_property_split = True
        for name in (*(() if self.limb else ("limb_name",)), "sides", "spans", "joint_loops", "closed", "mirror"):
            column.prop(self, name)

    def run(self, context: bpy.types.Context) -> set[str]:
        """Draw the limb that the properties describe: after drawing, from the panel of the last operation, from a script."""
        if not len(self.joints):
            raise PlanError("Draw Limb is used with the mouse in a 3D viewport; a script names the joints.")
        plan = drawn_plan(load_plan(context.scene), self._described(), self.limb or self.limb_name, new=not self.limb)
        store_plan(context.scene, plan)
        name = self.limb or plan.limbs[-1].name
        context.scene.ringwright.active_limb = [limb.name for limb in plan.limbs].index(name)
        self.report({"INFO"}, told('Limb "{name}" with {count} joints', name=name, count=len(self.joints)))
        return {"FINISHED"}

    def _described(self) -> LimbDraft:
        """The draft that the properties describe."""
        joints = tuple((float(x), float(y), float(z)) for x, y, z in (joint.position for joint in self.joints))
        return LimbDraft(joints, even_sides(self.sides), self.spans or None, self.joint_loops, self.closed,
                         mirror=None if self.mirror == "NONE" else self.mirror.lower(), root_tip_of=self.root_tip_of,
                         root_side_of=self.root_side_of, tip_root_of=self.tip_root_of)

    def _describe(self, draft: LimbDraft) -> None:
        """Let the properties describe a draft."""
        self.joints.clear()
        for joint in draft.joints[::-1] if draft.from_tip else draft.joints:
            self.joints.add().position = joint
        self.sides, self.spans, self.joint_loops, self.closed = draft.sides or 0, draft.spans or 0, draft.joint_loops, draft.closed
        self.mirror = "NONE" if draft.mirror is None else draft.mirror.upper()
        self.root_tip_of, self.root_side_of, self.tip_root_of = draft.root_tip_of, draft.root_side_of, draft.tip_root_of

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        return self.refusing(partial(self._begin, context))

    def _begin(self, context: bpy.types.Context) -> set[str]:
        self._plan = load_plan(context.scene)
        names = [limb.name for limb in self._plan.limbs]
        if self.limb and self.limb not in names:
            raise PlanError(f'There is no limb "{self.limb}"; choose one of the plan.')
        self.limb_name = "limb"
        mirror = self._plan.symmetry
        first = draft_of(self._plan.limb(self.limb), mirror) if self.limb else LimbDraft(
            sides=even_sides(preference("sides")), joint_loops=preference("joint_loops"), mirror=mirror)
        self._history = [first]
        self._redone: list[LimbDraft] = []
        self._dragged = -1
        self._centred = bool(preference("centre_joints"))
        self._shown = DraftView(draft=first, redraws=self.limb)
        running = self.begin(context, self._shown)
        context.workspace.status_text_set(lambda header, _: draw_keys(header, STATUS))
        return running

    @property
    def _draft(self) -> LimbDraft:
        return self._history[-1]

    def take(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """One event of the running tool."""
        if event.type in NAVIGATION or (event.type in WHEEL and (event.shift or event.alt)):
            return {"PASS_THROUGH"}
        if event.type in CANCEL and event.value == "PRESS":
            return self.end(context, {"CANCELLED"})
        if event.type in CONFIRM and event.value == "PRESS":
            return self._confirm(context)
        self.point(context, event)
        if event.type == "MOUSEMOVE" or self._viewport is not None:
            self._handle(event)
            self._show(event)
            redraw_viewports(context)
        return {"RUNNING_MODAL"}

    def _confirm(self, context: bpy.types.Context) -> set[str]:
        if len(self._draft.joints) < 2:
            self.report({"WARNING"}, told("A limb needs at least two joints; click once more, or press Esc to give up"))
            return {"RUNNING_MODAL"}
        self._describe(self._draft)
        if self.execute(context) == {"CANCELLED"}:
            return {"RUNNING_MODAL"}  # the report says why; the artist can mend it and confirm again
        return self.end(context, {"FINISHED"})

    def _step(self, draft: LimbDraft) -> None:
        if draft != self._draft:
            self._history.append(draft)
            self._redone.clear()

    def _step_back(self) -> None:
        if len(self._history) > 1:
            self._redone.append(self._history.pop())

    def _step_forth(self) -> None:
        if self._redone:
            self._history.append(self._redone.pop())

    def _handle(self, event: bpy.types.Event) -> None:
        """One event on the draft."""
        if event.type == "MOUSEMOVE":
            self._drag()
        elif event.type == "LEFTMOUSE":
            if event.value in {"PRESS", "DOUBLE_CLICK"}:
                self._press(event)
            elif event.value == "RELEASE":
                self._dragged = -1
        elif event.value == "PRESS" and event.type in STEPS:
            self._wheel(STEPS[event.type], spans=event.ctrl)
        elif event.value == "PRESS":
            self._key(event)

    def _key(self, event: bpy.types.Event) -> None:
        if event.type == "Z" and event.ctrl and event.shift:
            self._step_forth()
        elif event.type == "BACK_SPACE" or (event.type == "Z" and event.ctrl):
            self._step_back()
        elif event.type == "M":
            self._step(with_next_mirror(self._draft))
        elif event.type == "T":
            self._step(replace(self._draft, closed=not self._draft.closed))
        elif event.type == "C":
            self._centred = not self._centred
        elif event.type in {"X", "DEL"} and self._shown.near_joint >= 0:
            self._step(without_joint(self._draft, self._shown.near_joint))

    def _wheel(self, steps: int, *, spans: bool) -> None:
        if spans:
            bones = max(len(self._draft.joints) - 1 + (self._shown.hover is not None), 1)
            self._step(with_more_spans(self._draft, steps, max(1, round((len(self._shown.rings) - 1) / bones))))
        else:
            self._step(with_more_sides(self._draft, steps))

    def _press(self, event: bpy.types.Event) -> None:
        if self._viewport is None:
            return
        joint = self._joint_under()
        if joint >= 0:
            self._dragged = joint
            self._history.append(self._draft)  # the drag is one step of its own
            self._redone.clear()
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
        return with_joined_joint(self._draft, point if place is None else place, name, part)

    def _drag(self) -> None:
        if self._dragged < 0 or self._viewport is None:
            return
        point = self._point_under()
        if point is None:
            point = self._viewport.shift(self._draft.points[self._dragged], self._pointer)
        self._history[-1] = with_moved_joint(self._draft, self._dragged, point)

    def _show(self, event: bpy.types.Event) -> None:
        """Bring what is drawn in line with the draft and the pointer."""
        view, draft = self._shown, self._draft
        view.draft, view.near_joint = draft, self._joint_under()
        busy = self._viewport is None or self._dragged >= 0 or view.near_joint >= 0 or event.ctrl
        view.hover = None if busy else self._point_under()
        chain = draft.points if view.hover is None else np.concatenate([draft.points, view.hover[None]])
        lengths = np.linalg.norm(np.diff(chain, axis=0), axis=1)
        drawable = len(chain) > 1 and bool(np.all(lengths > 1e-6 * self._surface.diagonal))
        view.rings = preview_rings(self._surface, chain, draft.sides, draft.spans) if drawable else np.zeros((0, 0, 3))
        view.reflect = None if draft.mirror is None else partial(mirrored, plane=draft.mirror)
        view.pointer, view.region = self._pointer, None if self._viewport is None else self._viewport.region
        view.words = self._words(draft)
        view.join_words = self._join_words(event)

    def _words(self, draft: LimbDraft) -> str:
        words = [phrase("{count} sides", count=draft.sides) if draft.sides else phrase("sides chosen"),
                 phrase("{count} spans", count=draft.spans) if draft.spans else phrase("spans chosen")]
        words += [phrase("closed tip")] if draft.closed else []
        words += [] if self._centred else [phrase("not centred")]
        words += [phrase("mirrored across {plane}", plane=draft.mirror.upper())] if draft.mirror else []
        return ", ".join(words)

    def _join_words(self, event: bpy.types.Event) -> str:
        """The joins that stand, and the one that a click would make."""
        draft = self._draft
        name, part, _ = ("", "", None) if event.shift or self._shown.near_joint >= 0 else self._limb_under()
        pointed = self._joined_words(fitting_part(draft, part), name)
        stands = [self._joined_words("tip", draft.root_tip_of), self._joined_words("side", draft.root_side_of),
                  self._joined_words("root", draft.tip_root_of)]
        return ", ".join(dict.fromkeys(words for words in (*stands, pointed) if words))

    def _joined_words(self, part: str, name: str) -> str:
        """What joining that part of a limb makes."""
        if not name or not part:
            return ""
        if part == "side":
            return phrase("socket in the side of {limb}", limb=name)
        if part == "tip" and self._plan.tip_join(name) is not None:
            return phrase("fork at the tip of {limb}", limb=name)
        return phrase("splice with the tip of {limb}", limb=name) if part == "tip" else phrase("splice with the root of {limb}", limb=name)

    def _point_under(self) -> FloatArray | None:
        """The joint that a click would set, (3,); None where the pointer is off the target."""
        through = self.thick_place()
        if through is None:
            return None
        return limb_middle(self._surface, through.middle) if self._centred else through.middle

    def _joint_under(self) -> int:
        """The draft's joint under the pointer, or -1."""
        points = self._draft.points
        if self._viewport is None or not len(points):
            return -1
        distances = np.linalg.norm(self._viewport.pixels(points) - self._pointer, axis=1)
        nearest = int(np.argmin(distances))
        return nearest if distances[nearest] <= JOINT_REACH * interface_scale() else -1

    def _bone_under(self) -> int:
        """The draft's bone nearest to the pointer, counted from 0."""
        if self._viewport is None:
            return 0
        return int(np.argmin(line_distances(self._viewport.pixels(self._draft.points), self._pointer)[0]))

    def _limb_under(self) -> tuple[str, str, FloatArray | None]:
        """The plan's limb under the pointer, which part of it, and the joint to snap to where that is an end."""
        if self._viewport is None:
            return "", "", None
        others = [limb for limb in self._plan.limbs if limb.name != self.limb]
        return limb_under(others, self._viewport, self._pointer, self.thick_place())


CLASSES = (RINGWRIGHT_OT_draw_limb,)
