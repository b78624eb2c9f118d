"""Where a file keeps its limb plan: as text on the cage object and, before there is a cage, on the scene.

Coordinates in the plan are world coordinates, as they are for the commands.
"""

from __future__ import annotations

from functools import lru_cache

import bpy

from ..core.errors import PlanError
from ..core.plan import LimbPlan, format_plan, read_plan
from .files import PLAN_PROPERTY

EMPTY = LimbPlan(())


def present(scene: bpy.types.Scene, item: bpy.types.Object | None) -> bpy.types.Object | None:
    """The object, unless it has left the scene: a pointer keeps deleted objects alive."""
    return item if item is not None and scene.objects.get(item.name) == item else None


def target_of(scene: bpy.types.Scene) -> bpy.types.Object | None:
    """The scene's target."""
    return present(scene, scene.ringwright.target)


def cage_of(scene: bpy.types.Scene) -> bpy.types.Object | None:
    """The scene's cage."""
    return present(scene, scene.ringwright.cage)


def plan_text(scene: bpy.types.Scene) -> str:
    """The plan's text, the cage's own first; empty where there is none."""
    for owner in (cage_of(scene), scene):
        text = owner.get(PLAN_PROPERTY) if owner is not None else None
        if isinstance(text, str) and text:
            return text
    return ""


def load_plan(scene: bpy.types.Scene) -> LimbPlan:
    """The scene's plan, without limbs where nothing is stored.

    Raises PlanError where the text is not a plan.
    """
    text = plan_text(scene)
    return _parsed(text) if text else EMPTY


@lru_cache(maxsize=8)
def _parsed(text: str) -> LimbPlan:
    return read_plan(text)


def require_plan(scene: bpy.types.Scene) -> LimbPlan:
    """The scene's plan.

    Raises PlanError where it has no limb.
    """
    plan = load_plan(scene)
    if not plan.limbs:
        raise PlanError("The plan has no limb yet; draw one, or take one from bones or empties.")
    return plan


def store_plan(scene: bpy.types.Scene, plan: LimbPlan) -> None:
    """Keep the plan in its place and bring the rows that the panels show in line with it."""
    cage = cage_of(scene)
    _write(scene if cage is None else cage, format_plan(plan) if plan.limbs else "")
    if cage is not None:
        _write(scene, "")  # the plan has moved on to its cage
    sync_rows(scene)


def _write(owner: bpy.types.ID, text: str) -> None:
    if text:
        owner[PLAN_PROPERTY] = text
    elif PLAN_PROPERTY in owner:
        del owner[PLAN_PROPERTY]


def sync_rows(scene: bpy.types.Scene) -> None:
    """One row for every limb; rows keep their mark, and the active one stays the active one."""
    settings = scene.ringwright
    rows = settings.limbs
    active = rows[settings.active_limb].key if settings.active_limb < len(rows) else ""
    marked = {row.key for row in rows if row.marked}
    names = limb_names(scene)
    rows.clear()
    for name in names:
        row = rows.add()
        row.key, row.marked = name, name in marked
    settings.active_limb = names.index(active) if active in names else 0


def limb_names(scene: bpy.types.Scene) -> list[str]:
    """Names of the plan's limbs; none where the text is not a plan."""
    try:
        return [limb.name for limb in load_plan(scene).limbs]
    except PlanError:
        return []


def active_limb_name(scene: bpy.types.Scene) -> str:
    """Name of the limb that the list shows as active; empty where there is none."""
    settings = scene.ringwright
    return settings.limbs[settings.active_limb].key if settings.active_limb < len(settings.limbs) else ""


def marked_limb_names(scene: bpy.types.Scene) -> list[str]:
    """Names of the limbs that are marked in the list."""
    return [row.key for row in scene.ringwright.limbs if row.marked]
