"""Joins of the plan: fork, socket, splice."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
from bpy.props import EnumProperty, IntProperty, StringProperty

from ...core.errors import PlanError
from ...core.plan import ROWS_RANGE, WEB_RANGE
from ...core.plan_edits import add_fork, add_socket, add_splice, change_rows, change_webs, remove_join
from ..phrases import told
from ..plan_storage import active_limb_name, load_plan, marked_limb_names, require_plan, store_plan
from .asking import NO_LIMB, Refusing, has_scene, limb_choices, refuse

TOO_FEW = "A join needs more limbs; draw another one first"


def _has_limbs(operator: type, context: bpy.types.Context, least: int) -> bool:
    """Whether the list holds enough limbs; a broken plan passes, so that running says what is wrong."""
    if not has_scene(operator, context):
        return False
    count = len(context.scene.ringwright.limbs)
    return count >= least or refuse(operator, NO_LIMB if count == 0 else TOO_FEW)


def _has_joins(operator: type, context: bpy.types.Context) -> bool:
    """Whether the plan has a join."""
    if not _has_limbs(operator, context, 1):
        return False
    try:
        plan = load_plan(context.scene)
    except PlanError as error:
        return refuse(operator, str(error).rstrip("."))
    return bool(plan.forks or plan.sockets or plan.splices) or refuse(operator, "The plan has no join yet")


class AddsJoin:
    """Mixin: an operator that joins limbs of the plan."""

    least_limbs = 2

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Whether there are limbs enough."""
        return _has_limbs(cls, context, cls.least_limbs)


class OneJoin:
    """Mixin: an operator on one join, by its number among those of its kind."""

    index: IntProperty(name="Number", description="Which one of its kind, from 0", min=0)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Whether there is a join."""
        return _has_joins(cls, context)


def limb_property(name: str, description: str) -> StringProperty:
    """A property that names a limb, offered among those of the plan."""
    return StringProperty(name=name, description=description, search=limb_choices, options={"SKIP_SAVE"})


def _others(context: bpy.types.Context, trunk: str) -> list[str]:
    return [name for name in marked_limb_names(context.scene) if name != trunk]


class RINGWRIGHT_OT_add_fork(Refusing, AddsJoin, bpy.types.Operator):
    """Let the marked limbs run side by side into the active one, as fingers run into a palm"""

    bl_idname = "ringwright.add_fork"
    bl_label = "Add Fork"
    bl_options = {"REGISTER", "UNDO"}
    least_limbs = 3

    trunk: limb_property("Trunk", "Limb that the branches run into; empty for the active one")
    branches: StringProperty(name="Branches", description="Names of the branches with commas between; empty for the marked limbs",
                             options={"SKIP_SAVE"})
    web: IntProperty(name="Web", description="Quads between two neighbouring branches; 0 leaves them to be chosen", min=0,
                     max=WEB_RANGE[1], default=0)

    def run(self, context: bpy.types.Context) -> set[str]:
        trunk = self.trunk or active_limb_name(context.scene)
        named = [name.strip() for name in self.branches.split(",") if name.strip()]
        plan = add_fork(require_plan(context.scene), trunk, named or _others(context, trunk))
        if self.web:
            plan = change_webs(plan, len(plan.forks) - 1, self.web)
        store_plan(context.scene, plan)
        self.report({"INFO"}, told('{count} branches run into "{trunk}"', count=len(plan.forks[-1].branches), trunk=trunk))
        return {"FINISHED"}


class RINGWRIGHT_OT_add_socket(Refusing, AddsJoin, bpy.types.Operator):
    """Let the marked limb leave the active one's side, as a thumb leaves a palm"""

    bl_idname = "ringwright.add_socket"
    bl_label = "Add Socket"
    bl_options = {"REGISTER", "UNDO"}

    trunk: limb_property("Trunk", "Limb whose side is left; empty for the active one")
    branch: limb_property("Branch", "Limb that leaves the side; empty for the marked one")

    def run(self, context: bpy.types.Context) -> set[str]:
        trunk = self.trunk or active_limb_name(context.scene)
        branches = [self.branch] if self.branch else _others(context, trunk)
        if not branches:
            raise PlanError("No branch is marked; mark the limb that leaves the active one's side.")
        plan = require_plan(context.scene)
        for branch in branches:
            plan = add_socket(plan, trunk, branch)
        store_plan(context.scene, plan)
        self.report({"INFO"}, told('{branches} in the side of "{trunk}"', branches=", ".join(branches), trunk=trunk))
        return {"FINISHED"}


class RINGWRIGHT_OT_add_splice(Refusing, AddsJoin, bpy.types.Operator):
    """Join the marked limb's root end to the active one's tip end, as a palm goes on from a forearm"""

    bl_idname = "ringwright.add_splice"
    bl_label = "Add Splice"
    bl_options = {"REGISTER", "UNDO"}

    lower: limb_property("Lower Limb", "Limb whose tip end is joined; empty for the active one")
    upper: limb_property("Upper Limb", "Limb whose root end is joined; empty for the marked one")
    rows: IntProperty(name="Rows", description="Rows of quads that the step-downs may use; 0 leaves them to be chosen", min=0,
                      max=ROWS_RANGE[1], default=0)

    def run(self, context: bpy.types.Context) -> set[str]:
        lower = self.lower or active_limb_name(context.scene)
        uppers = [self.upper] if self.upper else _others(context, lower)
        if len(uppers) != 1:
            raise PlanError(f"A splice joins two limbs, but {len(uppers)} are marked beside the active one; mark exactly one.")
        plan = add_splice(require_plan(context.scene), uppers[0], lower)
        if self.rows:
            plan = change_rows(plan, len(plan.splices) - 1, self.rows)
        store_plan(context.scene, plan)
        self.report({"INFO"}, told('"{upper}" goes on from "{lower}"', upper=uppers[0], lower=lower))
        return {"FINISHED"}


KIND_ITEMS = (("fork", "Fork", "Branches side by side"), ("socket", "Socket", "A branch in a side"),
              ("splice", "Splice", "Two limbs end to end"))


class RINGWRIGHT_OT_remove_join(Refusing, OneJoin, bpy.types.Operator):
    """Take a join out of the plan; its limbs stay"""

    bl_idname = "ringwright.remove_join"
    bl_label = "Remove Join"
    bl_options = {"REGISTER", "UNDO"}

    kind: EnumProperty(name="Kind", description="Which kind of join", items=KIND_ITEMS)

    def run(self, context: bpy.types.Context) -> set[str]:
        store_plan(context.scene, remove_join(require_plan(context.scene), self.kind, self.index))
        self.report({"INFO"}, told("{join} removed", join=told(self.kind.capitalize())))
        return {"FINISHED"}


class RINGWRIGHT_OT_change_join(Refusing, OneJoin, bpy.types.Operator):
    """Change the width of a fork's webs or the rows of a splice"""

    bl_idname = "ringwright.change_join"
    bl_label = "Change Join"
    bl_options = {"REGISTER", "UNDO"}

    kind: EnumProperty(name="Kind", description="Which kind of join", items=(KIND_ITEMS[0], KIND_ITEMS[2]))
    web: IntProperty(name="Web", description="Quads between two neighbouring branches; 0 leaves them to be chosen", min=0,
                     max=WEB_RANGE[1])
    rows: IntProperty(name="Rows", description="Rows of quads that the step-downs may use; 0 leaves them to be chosen", min=0,
                      max=ROWS_RANGE[1])

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        plan = load_plan(context.scene)
        if self.kind == "fork" and self.index < len(plan.forks):
            webs = plan.forks[self.index].webs
            self.web = webs[0] if webs else 0
        if self.kind == "splice" and self.index < len(plan.splices):
            self.rows = plan.splices[self.index].rows or 0
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, _: bpy.types.Context) -> None:
        self.layout.prop(self, "web" if self.kind == "fork" else "rows")

    def run(self, context: bpy.types.Context) -> set[str]:
        plan = require_plan(context.scene)
        if self.kind == "fork":
            changed = change_webs(plan, self.index, self.web or None)
        else:
            changed = change_rows(plan, self.index, self.rows or None)
        store_plan(context.scene, changed)
        self.report({"INFO"}, told("{join} changed", join=told(self.kind.capitalize())))
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_add_fork, RINGWRIGHT_OT_add_socket, RINGWRIGHT_OT_add_splice, RINGWRIGHT_OT_remove_join,
           RINGWRIGHT_OT_change_join)
