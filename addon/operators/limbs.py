"""Limbs of the plan: add by points, change, rename, turn round, remove."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
import numpy as np
from bpy.props import BoolProperty, CollectionProperty, EnumProperty, FloatProperty, FloatVectorProperty, IntProperty, StringProperty

from ...core.errors import PlanError
from ...core.plan import DEFAULT_JOINT_LOOPS, JOINT_LOOPS_RANGE, SIDES_RANGE, Limb, LimbPlan
from ...core.plan_edits import add_limb, change_limb, remove_limb, rename_limb, turn_limb
from ...core.polymesh import FloatArray
from ..cage_object import transformed
from ..phrases import told
from ..plan_storage import active_limb_name, load_plan, require_plan, store_plan, target_of
from ..properties import MOST_SPANS_SHOWN, even_sides
from .asking import Refusing, has_limbs, has_scene, limb_choices


class RINGWRIGHT_PG_joint(bpy.types.PropertyGroup):
    """A joint that a script gives."""

    position: FloatVectorProperty(name="Position", description="Where the joint lies, in the world", size=3, subtype="XYZ", unit="LENGTH")


class OneLimb:
    """Mixin: an operator on one limb of the plan, the active one unless another is named."""

    limb: StringProperty(name="Limb", description="Name of the limb; empty for the active one", search=limb_choices,
                         options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Whether there is a limb."""
        return has_limbs(cls, context)

    def named_limb(self, context: bpy.types.Context) -> str:
        """Name of the limb that is meant."""
        return self.limb or active_limb_name(context.scene)


class LimbValues:
    """Mixin: what every new limb is given; 0 leaves a number to be chosen."""

    limb_name: StringProperty(name="Name", description="Name of the new limb; it gets a number where the name is taken", default="limb")
    sides: IntProperty(name="Sides", description="Edges round the limb, an even number; 0 leaves it to be chosen from the girth", min=0,
                       max=SIDES_RANGE[1], step=2, default=0)
    spans: IntProperty(name="Spans", description="Rows of quads between every two joints; 0 leaves them to be chosen", min=0,
                       max=MOST_SPANS_SHOWN, default=0)
    joint_loops: IntProperty(name="Joint Loops", description="Rings gathered round every inner joint so that it bends well",
                             min=JOINT_LOOPS_RANGE[0], max=JOINT_LOOPS_RANGE[1], default=DEFAULT_JOINT_LOOPS)
    closed: BoolProperty(name="Closed Tip", description="Close the limb's end with quads, as at a fingertip", default=False)

    def limb_of(self, joints: FloatArray, name: str = "") -> Limb:
        """A limb with these values."""
        spans = None if self.spans <= 0 else (int(self.spans),) * (len(joints) - 1)
        return Limb(name or self.limb_name, np.asarray(joints, dtype=np.float64), even_sides(self.sides), spans, self.joint_loops,
                    "closed" if self.closed else "open")


class RINGWRIGHT_OT_add_limb(Refusing, LimbValues, bpy.types.Operator):
    """Add a limb by the positions of its joints, or a straight one along the target's longest side"""

    bl_idname = "ringwright.add_limb"
    bl_label = "Add Limb"
    bl_options = {"REGISTER", "UNDO"}

    joints: CollectionProperty(type=RINGWRIGHT_PG_joint, name="Joints", description="Joints from the root to the tip",
                               options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_scene(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        joints = np.array([list(joint.position) for joint in self.joints]) if len(self.joints) else _through_target(context)
        plan = add_limb(load_plan(context.scene), self.limb_of(joints))
        store_plan(context.scene, plan)
        context.scene.ringwright.active_limb = len(plan.limbs) - 1
        self.report({"INFO"}, told('Limb "{name}" with {count} joints added', name=plan.limbs[-1].name, count=len(joints)))
        return {"FINISHED"}


def _through_target(context: bpy.types.Context) -> FloatArray:
    """Two joints through the middle of the target's box along its longest side, short of both ends."""
    target = target_of(context.scene)
    if target is None:
        raise PlanError("A limb needs joints; name them, or choose a target so that one can be laid through it.")
    corners = transformed(np.array([list(corner) for corner in target.bound_box]), np.array(target.matrix_world))
    low, high = corners.min(axis=0), corners.max(axis=0)
    axis = int(np.argmax(high - low))
    ends = np.tile((low + high) / 2, (2, 1))
    ends[0, axis], ends[1, axis] = low[axis] + 0.05 * (high - low)[axis], high[axis] - 0.05 * (high - low)[axis]
    return ends


class RINGWRIGHT_OT_remove_limb(Refusing, OneLimb, bpy.types.Operator):
    """Take a limb out of the plan, with the joins that need it"""

    bl_idname = "ringwright.remove_limb"
    bl_label = "Remove Limb"
    bl_options = {"REGISTER", "UNDO"}

    def run(self, context: bpy.types.Context) -> set[str]:
        name = self.named_limb(context)
        store_plan(context.scene, remove_limb(require_plan(context.scene), name))
        self.report({"INFO"}, told('Limb "{name}" removed', name=name))
        return {"FINISHED"}


class RINGWRIGHT_OT_rename_limb(Refusing, OneLimb, bpy.types.Operator):
    """Give a limb another name, in its joins too"""

    bl_idname = "ringwright.rename_limb"
    bl_label = "Rename Limb"
    bl_options = {"REGISTER", "UNDO"}

    new_name: StringProperty(name="New Name", description="What the limb shall be called")

    def run(self, context: bpy.types.Context) -> set[str]:
        name = self.named_limb(context)
        store_plan(context.scene, rename_limb(require_plan(context.scene), name, self.new_name))
        self.report({"INFO"}, told('Limb "{name}" is now "{new}"', name=name, new=self.new_name))
        return {"FINISHED"}


class RINGWRIGHT_OT_turn_limb(Refusing, OneLimb, bpy.types.Operator):
    """Let a limb's root and tip change places"""

    bl_idname = "ringwright.turn_limb"
    bl_label = "Turn Limb Round"
    bl_options = {"REGISTER", "UNDO"}

    def run(self, context: bpy.types.Context) -> set[str]:
        name = self.named_limb(context)
        store_plan(context.scene, turn_limb(require_plan(context.scene), name))
        self.report({"INFO"}, told('Root and tip of limb "{name}" changed places', name=name))
        return {"FINISHED"}


class RINGWRIGHT_OT_change_limb(Refusing, OneLimb, bpy.types.Operator):
    """Change sides, spans, joint loops, largest radius or tip of one limb or of all marked ones"""

    bl_idname = "ringwright.change_limb"
    bl_label = "Change Limb"
    bl_options = {"REGISTER", "UNDO"}

    marked: BoolProperty(name="All Marked Limbs", description="Change all marked limbs instead of one", options={"SKIP_SAVE"})
    sides: IntProperty(name="Sides", description="Edges round the limb; 0 leaves it to be chosen, -1 leaves it as it is", min=-1,
                       max=SIDES_RANGE[1], default=-1, options={"SKIP_SAVE"})
    spans: IntProperty(name="Spans", description="Rows of quads in a bone; 0 leaves them to be chosen, -1 leaves them as they are",
                       min=-1, max=MOST_SPANS_SHOWN, default=-1, options={"SKIP_SAVE"})
    bone: IntProperty(name="Bone", description="Number of the bone whose spans change, from 0 at the root; -1 for all", min=-1,
                      default=-1, options={"SKIP_SAVE"})
    joint_loops: IntProperty(name="Joint Loops", description="Rings gathered round every inner joint; -1 leaves them as they are",
                             min=-1, max=JOINT_LOOPS_RANGE[1], default=-1, options={"SKIP_SAVE"})
    radius: FloatProperty(name="Largest Radius", description="How far from its middle the limb's skin lies at most; 0 where nothing else "
                          "comes near, -1 leaves it as it is", min=-1.0, default=-1.0, subtype="DISTANCE", options={"SKIP_SAVE"})
    tip: EnumProperty(name="Tip", description="What becomes of the limb's end", default="KEEP", options={"SKIP_SAVE"},
                      items=(("KEEP", "Keep", "Leave the tip as it is"), ("open", "Open Tip", "End in an open ring"),
                             ("closed", "Closed Tip", "Close the end with quads")))

    def run(self, context: bpy.types.Context) -> set[str]:
        plan = require_plan(context.scene)
        rows = context.scene.ringwright.limbs
        names = [row.key for row in rows if row.marked] if self.marked else [self.named_limb(context)]
        if not names:
            raise PlanError("No limb is marked; mark some in the list, or change one limb.")
        for name in names:
            plan = change_limb(plan, name, **self._values(plan, name))
        store_plan(context.scene, plan)
        one = len(names) == 1
        self.report({"INFO"}, told('Limb "{name}" changed', name=names[0]) if one else told("{count} limbs changed", count=len(names)))
        return {"FINISHED"}

    def _values(self, plan: LimbPlan, name: str) -> dict[str, object]:
        values: dict[str, object] = {}
        if self.sides >= 0:
            values["sides"] = even_sides(self.sides)
        if self.spans >= 0:
            values["spans"] = self._spans(plan, name)
        if self.joint_loops >= 0:
            values["joint_loops"] = self.joint_loops
        if self.radius >= 0:
            values["radius"] = self.radius or None
        if self.tip != "KEEP":
            values["tip"] = self.tip
        return values

    def _spans(self, plan: LimbPlan, name: str) -> tuple[int, ...] | None:
        limb = next((limb for limb in plan.limbs if limb.name == name), None)
        bones = len(limb.joints) - 1 if limb is not None else 1
        if self.bone < 0 or self.spans == 0:
            return (self.spans,) * bones if self.spans else None
        if self.bone >= bones:
            raise PlanError(f'The limb "{name}" has {bones} bones; name one from 0 to {bones - 1}.')
        spans = list(limb.spans or (1,) * bones) if limb is not None else [1]
        spans[self.bone] = self.spans
        return tuple(spans)


CLASSES = (RINGWRIGHT_PG_joint, RINGWRIGHT_OT_add_limb, RINGWRIGHT_OT_remove_limb, RINGWRIGHT_OT_rename_limb, RINGWRIGHT_OT_turn_limb,
           RINGWRIGHT_OT_change_limb)
