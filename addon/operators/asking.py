"""What all operators share: polls that explain themselves, and refusals in one sentence."""

from __future__ import annotations

from typing import Any

import bpy

from ...core.errors import RingwrightError
from ...core.plan import LimbPlan
from ..phrases import told
from ..plan_storage import cage_of, load_plan, plan_text, target_of

NO_SCENE = "There is no scene to work in"
NO_TARGET = "Choose a target first: the dense mesh that the cage must fit"
NO_CAGE = "There is no cage yet; build one, or choose a mesh as the cage"
NO_LIMB = "The plan has no limb yet; draw one, or take one from bones or empties"
NO_EDIT = "Enter edit mode on the mesh and select there what to change"


class Refusing:
    """Mixin: execute() calls run() and turns a refusal into an error report; nothing may have been changed by then."""

    def run(self, context: bpy.types.Context) -> set[str]:
        """The operator's work."""
        raise NotImplementedError

    def execute(self: Any, context: bpy.types.Context) -> set[str]:
        """Run, or say in one sentence why not."""
        try:
            return set(self.run(context))
        except RingwrightError as error:
            self.report({"ERROR"}, told(str(error)))
            return {"CANCELLED"}


def refuse(operator: Any, reason: str) -> bool:
    """Say why a poll fails; returns False."""
    operator.poll_message_set(told(reason))
    return False


def has_scene(operator: Any, context: bpy.types.Context) -> bool:
    """Whether there is a scene with the extension's settings."""
    return hasattr(context.scene, "ringwright") or refuse(operator, NO_SCENE)


def has_target(operator: Any, context: bpy.types.Context) -> bool:
    """Whether a target is chosen."""
    return has_scene(operator, context) and (target_of(context.scene) is not None or refuse(operator, NO_TARGET))


def has_cage(operator: Any, context: bpy.types.Context) -> bool:
    """Whether there is a cage."""
    return has_scene(operator, context) and (cage_of(context.scene) is not None or refuse(operator, NO_CAGE))


def has_limbs(operator: Any, context: bpy.types.Context) -> bool:
    """Whether a plan is stored."""
    return has_scene(operator, context) and (bool(plan_text(context.scene)) or refuse(operator, NO_LIMB))


def has_limbs_and_target(operator: Any, context: bpy.types.Context) -> bool:
    """Whether there is all that a cage is built from."""
    return has_target(operator, context) and has_limbs(operator, context)


def in_edit_mode(operator: Any, context: bpy.types.Context) -> bool:
    """Whether the active object is a mesh in edit mode that may be changed."""
    item = context.edit_object
    if not has_scene(operator, context):
        return False
    if item is None or item.type != "MESH":
        return refuse(operator, NO_EDIT)
    return item.data.library is None or refuse(operator, "The mesh is linked from another file; make it local first")


def in_object_mode(operator: Any, context: bpy.types.Context) -> bool:
    """Whether no object is in a mode of its own."""
    return context.mode == "OBJECT" or refuse(operator, "Leave the current mode first; this works in object mode")


def plan_or_empty(context: bpy.types.Context) -> LimbPlan:
    """The scene's plan, without limbs where there is none."""
    return load_plan(context.scene)


def limb_choices(operator: Any, context: bpy.types.Context | None, _: str) -> list[str]:
    """Limb names that a text field offers."""
    from ..plan_storage import limb_names

    return limb_names(context.scene) if context is not None and context.scene is not None else []
