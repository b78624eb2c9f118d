"""Ready-Made Plan: point at a few named places of the target; limbs, joints and joins follow from them."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from functools import partial

import bpy
import numpy as np
from bpy.props import BoolProperty, CollectionProperty, EnumProperty, FloatVectorProperty

from ...core.errors import PlanError
from ...core.plan import LimbPlan
from ...core.plan_templates import TEMPLATES, Place, PlanTemplate, template_of
from ...core.polymesh import FloatArray
from ...core.ready_plan import fit_plan, line_from, with_ready_plan
from ..host_surface import read_evaluated
from ..phrases import phrase, told
from ..places_view import PlacesView
from ..plan_storage import load_plan, store_plan, target_of
from ..target_pieces import skin_surface
from ..viewports import redraw_viewports
from .asking import Refusing
from .viewport_tool import CANCEL, CONFIRM, NAVIGATION, WHEEL, ViewportTool, draw_keys

SKIP = {"SPACE", "TAB"}
STATUS = (("EVENT_SPACEKEY", "Leave Out"), ("EVENT_BACKSPACE", "Step Back"), ("EVENT_RETURN", "Make Plan"), ("EVENT_ESC", "Cancel"))
TEMPLATE_ITEMS = tuple((template.name, template.label, "") for template in TEMPLATES)
PLANE_ITEMS = tuple((plane.upper(), plane.upper(), f"Across the plane {plane.upper()} = 0") for plane in "xyz")


class RINGWRIGHT_PG_place(bpy.types.PropertyGroup):
    """A named place that a script gives, or that was pointed at; its name is one of the template's."""

    position: FloatVectorProperty(name="Position", description="On the target's skin or inside it, in the world", size=3, subtype="XYZ",
                                  unit="LENGTH")


class RINGWRIGHT_OT_ready_made_plan(ViewportTool, Refusing, bpy.types.Operator):
    """Point at a few places of the target, as the wrist and the fingertips of a hand; limbs, joints and joins follow from them"""

    bl_idname = "ringwright.ready_made_plan"
    bl_label = "Ready-Made Plan"
    bl_options = {"REGISTER", "UNDO"}

    template: EnumProperty(name="Plan", items=TEMPLATE_ITEMS, description="What is to be planned")
    places: CollectionProperty(type=RINGWRIGHT_PG_place, name="Places", description="Where the template's places lie",
                               options={"SKIP_SAVE"})
    plane: EnumProperty(name="Mirror", items=PLANE_ITEMS, description="Across which plane the other side of a whole body lies")
    replace_plan: BoolProperty(name="Replace Plan", description="Give up the limbs that the plan has already", default=False)

    def draw(self, _: bpy.types.Context) -> None:
        """What can be changed afterwards, in the panel of the last operation."""
        column = self.layout.column()
        column.use_property_split = True
        column.prop(self, "replace_plan")
        if template_of(self.template).two_sided:
            column.prop(self, "plane")
        for place in self.places:
            column.prop(place, "position", text=place.name)

    def run(self, context: bpy.types.Context) -> set[str]:
        template = template_of(self.template)
        if not len(self.places):
            raise PlanError(f"Ready-Made Plan is used with the mouse in a 3D viewport; a script names the places: "
                            f"{', '.join(place.name for place in template.places)}.")
        places = {place.name: np.array(place.position, dtype=np.float64) for place in self.places}
        before = LimbPlan(()) if self.replace_plan else load_plan(context.scene)
        with skin_surface(read_evaluated(target_of(context.scene), context.evaluated_depsgraph_get())) as (_, surface):
            fitted = fit_plan(template, places, surface, before.unit, self.plane.lower())
        plan = with_ready_plan(before, fitted)
        store_plan(context.scene, plan)
        context.scene.ringwright.active_limb = len(plan.limbs) - len(fitted.limbs)
        joins = len(fitted.forks) + len(fitted.sockets) + len(fitted.splices)
        self.report({"INFO"}, told("{limbs} limbs and {joins} joins from {places} places", limbs=len(fitted.limbs), joins=joins,
                                   places=len(places)))
        return {"FINISHED"}

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        self._template: PlanTemplate = template_of(self.template)
        self._steps: list[FloatArray | None] = []
        self._lines: dict[str, FloatArray] = {}
        self._shown = PlacesView()
        return self.refusing(partial(self._begin, context))

    def _begin(self, context: bpy.types.Context) -> set[str]:
        running = self.begin(context, self._shown)
        self._tell(context)
        return running

    @property
    def _next(self) -> Place | None:
        """The place to be pointed at; None when all have had their turn."""
        places = self._template.places
        return places[len(self._steps)] if len(self._steps) < len(places) else None

    def _pointed(self) -> dict[str, FloatArray]:
        """Places that were pointed at, by name."""
        return {place.name: step for place, step in zip(self._template.places, self._steps, strict=False) if step is not None}

    def take(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """One event of the running tool."""
        if event.type in NAVIGATION or event.type in WHEEL:
            return {"PASS_THROUGH"}
        if event.type in CANCEL and event.value == "PRESS":
            return self.end(context, {"CANCELLED"})
        self.point(context, event)
        result = self._handle(context, event) if event.value in {"PRESS", "DOUBLE_CLICK"} else {"RUNNING_MODAL"}
        if result == {"RUNNING_MODAL"}:
            self._show()
            self._tell(context)
            redraw_viewports(context)
        return result

    def _handle(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """A button or key that was pressed."""
        if event.type in CONFIRM:
            return self._confirm(context)
        if event.type == "BACK_SPACE" or (event.type == "Z" and event.ctrl):
            self._step_back()
        elif event.type in SKIP and self._next is not None:
            return self._skip(context)
        elif event.type == "LEFTMOUSE" and self._next is not None:
            return self._click(context)
        return {"RUNNING_MODAL"}

    def _click(self, context: bpy.types.Context) -> set[str]:
        place, point = self._next, self._point_under()
        if place is None or point is None:
            return {"RUNNING_MODAL"}
        try:
            line = line_from(self._template, {**self._pointed(), place.name: point}, place.name, self._surface)
        except PlanError as error:
            self.report({"WARNING"}, told(str(error)))
            return {"RUNNING_MODAL"}
        self._lines[place.name] = line
        self._steps.append(point)
        return self._confirm(context) if self._next is None else {"RUNNING_MODAL"}

    def _skip(self, context: bpy.types.Context) -> set[str]:
        place = self._next
        if place is not None and not place.optional:
            self.report({"WARNING"}, told("{place} cannot be left out", place=phrase(place.words).capitalize()))
            return {"RUNNING_MODAL"}
        self._steps.append(None)
        return self._confirm(context) if self._next is None else {"RUNNING_MODAL"}

    def _step_back(self) -> None:
        if self._steps:
            self._steps.pop()

    def _confirm(self, context: bpy.types.Context) -> set[str]:
        """Make the plan; where that is refused the tool goes on, so that the artist can step back and point anew."""
        self.places.clear()
        for name, point in self._pointed().items():
            place = self.places.add()
            place.name, place.position = name, point
        if self.execute(context) == {"CANCELLED"}:
            return {"RUNNING_MODAL"}
        return self.end(context, {"FINISHED"})

    def _point_under(self) -> FloatArray | None:
        """What a click would take: the skin for a tip, the middle of what lies under the pointer for any other place."""
        through = None if self._next is None else self.thick_place()
        if through is None or self._next is None:
            return None
        return through.entry if self._template.is_tip(self._next.name) else through.middle

    def _show(self) -> None:
        """Bring what is drawn in line with the places and the pointer."""
        view, pointed = self._shown, self._pointed()
        view.places, view.lines = pointed, [line for name, line in self._lines.items() if name in pointed]
        view.hover = self._point_under()
        view.pointer, view.region = self._pointer, None if self._viewport is None else self._viewport.region
        view.words = self._asked()

    def _asked(self) -> str:
        """What the artist is asked to do next."""
        place = self._next
        if place is None:
            return phrase("All places are there")
        if place.optional:
            return phrase("Click {place}, or leave it out with the space bar", place=phrase(place.words))
        return phrase("Click {place}", place=phrase(place.words))

    def _tell(self, context: bpy.types.Context) -> None:
        """The status line: what to click next, and the keys."""
        asked = f"{phrase(self._template.label)} {len(self._steps) + 1}/{len(self._template.places)}: {self._asked()}"
        keys = (("MOUSE_LMB", asked), *(STATUS if self._next is not None and self._next.optional else STATUS[1:]))
        context.workspace.status_text_set(lambda header, _: draw_keys(header, keys))


class RINGWRIGHT_MT_ready_made_plans(bpy.types.Menu):
    bl_idname = "RINGWRIGHT_MT_ready_made_plans"
    bl_label = "Ready-Made Plans"

    def draw(self, _: bpy.types.Context) -> None:
        for template in TEMPLATES:
            self.layout.operator("ringwright.ready_made_plan", text=template.label).template = template.name


CLASSES = (RINGWRIGHT_PG_place, RINGWRIGHT_OT_ready_made_plan, RINGWRIGHT_MT_ready_made_plans)
