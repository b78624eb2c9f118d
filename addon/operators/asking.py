"""What all operators share: polls that explain themselves, and refusals in one sentence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import bpy

from ...core.errors import MeshError, RingwrightError
from ..phrases import told
from ..plan_storage import cage_of, limb_names, plan_text, target_of

NO_SCENE = "There is no scene to work in"
NO_TARGET = "Choose a target first: the dense mesh that the cage must fit"
NO_CAGE = "There is no cage yet; build one, or choose a mesh as the cage"
NO_LIMB = "The plan has no limb yet; draw one, or take one from bones or empties"
NO_EDIT = "Enter edit mode on the mesh and select there what to change"
MOST_NAMED = 4
"""Names that a report lists before it breaks off."""


class Refusing:
    """Mixin: execute() calls run() and turns a refusal into an error report; nothing may have been changed by then."""

    def run(self, context: bpy.types.Context) -> set[str]:
        """The operator's work."""
        raise NotImplementedError

    def execute(self, context: bpy.types.Context) -> set[str]:
        """Run, or say in one sentence why not."""
        return self.refusing(partial(self.run, context))

    def refusing(self: Any, work: Callable[[], set[str]]) -> set[str]:
        """What some work returns; CANCELLED, with an error report, where it is refused."""
        try:
            return set(work())
        except RingwrightError as error:
            self.report({"ERROR"}, told(str(error)))
            return {"CANCELLED"}


class OnCage:
    """Mixin: an operator on the cage in object mode."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Whether there is a cage, and no object is in a mode of its own."""
        return has_cage(cls, context) and in_object_mode(cls, context)


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


def asked_row(wanted: int, active: int, count: int, what: str) -> int:
    """Number of the row of a list that is asked for; the active one's where it is -1.

    count : rows of the list
    what : what a row is, such as "finding"
    Raises MeshError where there is no such row.
    """
    index = active if wanted < 0 else wanted
    if not 0 <= index < count:
        raise MeshError(f"There is no {what} {index}; the list holds {count}.")
    return index


def first_names(names: Sequence[str]) -> str:
    """The first few of some names, for a report."""
    return ", ".join(names[:MOST_NAMED]) + (" ..." if len(names) > MOST_NAMED else "")


def limb_choices(operator: Any, context: bpy.types.Context | None, _: str) -> list[str]:
    """Limb names that a text field offers."""
    return limb_names(context.scene) if context is not None and context.scene is not None else []
