"""The limb plan as a whole: load, save, clear."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from pathlib import Path

import bpy
from bpy.props import BoolProperty, StringProperty

from ...core.errors import FileError
from ...core.plan import LimbPlan, format_plan, read_plan
from ..phrases import told
from ..plan_storage import require_plan, store_plan, sync_rows
from ..written_beside import system_reason, write_text
from .asking import Refusing, has_limbs, has_scene


class RINGWRIGHT_OT_load_plan(Refusing, bpy.types.Operator):
    """Read a limb plan from a TOML file in place of the present one"""

    bl_idname = "ringwright.load_plan"
    bl_label = "Load Limb Plan"
    bl_options = {"REGISTER", "UNDO"}

    filepath: StringProperty(name="File", description="The limb plan to read", subtype="FILE_PATH")
    filter_glob: StringProperty(default="*.toml", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_scene(cls, context)

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def run(self, context: bpy.types.Context) -> set[str]:
        if not self.filepath:
            raise FileError("No file is named; choose a limb plan.")
        path = Path(bpy.path.abspath(self.filepath))
        try:
            plan = read_plan(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            raise FileError(f"{path} cannot be read: {system_reason(error)}; choose a limb plan.") from error
        store_plan(context.scene, plan)
        self.report({"INFO"}, told("Limb plan with {count} limbs read from {file}", count=len(plan.limbs), file=path.name))
        return {"FINISHED"}


class RINGWRIGHT_OT_save_plan(Refusing, bpy.types.Operator):
    """Write the limb plan to a TOML file, for another scene or for the commands"""

    bl_idname = "ringwright.save_plan"
    bl_label = "Save Limb Plan"
    bl_options = {"REGISTER"}

    filepath: StringProperty(name="File", description="The file to write", subtype="FILE_PATH")
    filter_glob: StringProperty(default="*.toml", options={"HIDDEN"})
    check_existing: BoolProperty(default=True, options={"HIDDEN"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_limbs(cls, context)

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        self.filepath = self.filepath or "limbs.toml"
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def run(self, context: bpy.types.Context) -> set[str]:
        if not self.filepath:
            raise FileError("No file is named; choose where to write the limb plan.")
        path = Path(bpy.path.abspath(self.filepath)).with_suffix(".toml")
        plan = require_plan(context.scene)
        write_text(path, format_plan(plan))
        self.report({"INFO"}, told("Limb plan with {count} limbs written to {file}", count=len(plan.limbs), file=path.name))
        return {"FINISHED"}


class RINGWRIGHT_OT_clear_plan(Refusing, bpy.types.Operator):
    """Take all limbs and joins out of the plan; target and cage stay"""

    bl_idname = "ringwright.clear_plan"
    bl_label = "Clear Limb Plan"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_limbs(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        return context.window_manager.invoke_confirm(self, event)

    def run(self, context: bpy.types.Context) -> set[str]:
        store_plan(context.scene, LimbPlan(()))
        self.report({"INFO"}, told("The limb plan is empty"))
        return {"FINISHED"}


class RINGWRIGHT_OT_refresh_plan(Refusing, bpy.types.Operator):
    """Read the plan that is stored with the cage once more, after another tool changed it"""

    bl_idname = "ringwright.refresh_plan"
    bl_label = "Refresh Limbs"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_limbs(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        plan = require_plan(context.scene)
        sync_rows(context.scene)
        self.report({"INFO"}, told("The plan has {count} limbs", count=len(plan.limbs)))
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_load_plan, RINGWRIGHT_OT_save_plan, RINGWRIGHT_OT_clear_plan, RINGWRIGHT_OT_refresh_plan)
