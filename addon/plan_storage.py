"""Where a file keeps its limb plan: as text on the cage object and, before there is a cage, on the scene.

Coordinates in the plan are world coordinates, as they are for the commands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import bpy

from ..core.build import BuildResult
from ..core.count_figures import UNKNOWN, CountFigures, count_figures, figures_text, join_counts, read_figures
from ..core.errors import PlanError
from ..core.plan import LimbPlan, format_plan, read_plan
from .files import PLAN_PROPERTY

EMPTY = LimbPlan(())
BUILT_PROPERTY = "ringwright_built_plan"
"""Object property: the plan that the cage was built from, as text."""
COUNTS_PROPERTY = "ringwright_counts"
"""Object property: the counts that the build chose, in short."""
listeners: list[Callable[[bpy.types.Scene], None]] = []
"""Told whenever a scene's plan was stored."""


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


def readable_plan(scene: bpy.types.Scene) -> LimbPlan:
    """The scene's plan, without limbs also where the text is not a plan: for what only shows it."""
    try:
        return load_plan(scene)
    except PlanError:
        return EMPTY


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
    if cage is not None and BUILT_PROPERTY not in cage and PLAN_PROPERTY in cage:
        cage[BUILT_PROPERTY] = cage[PLAN_PROPERTY]  # built by the commands, from the plan that it keeps
    _write(scene if cage is None else cage, format_plan(plan) if plan.limbs else "")
    if cage is not None:
        _write(scene, "")  # the plan has moved on to its cage
    sync_rows(scene)
    for listener in listeners:
        listener(scene)


def note_built(cage: bpy.types.Object, built: BuildResult) -> None:
    """Note on the cage which plan it was built from, and the counts that were chosen."""
    _write(cage, format_plan(built.plan), BUILT_PROPERTY)
    _write(cage, figures_text(count_figures(built.counts)), COUNTS_PROPERTY)


def figures_of(scene: bpy.types.Scene) -> CountFigures:
    """The counts that the last build chose; unknown where there was none."""
    cage = cage_of(scene)
    text = None if cage is None else cage.get(COUNTS_PROPERTY)
    return _read_figures(text) if isinstance(text, str) else UNKNOWN


_read_figures = lru_cache(maxsize=8)(read_figures)


def built_plan(cage: bpy.types.Object) -> LimbPlan:
    """The plan that the cage was built from; one that the commands have built was built from the plan that it keeps."""
    text = cage.get(BUILT_PROPERTY) or cage.get(PLAN_PROPERTY)
    try:
        return _parsed(text) if isinstance(text, str) and text else EMPTY
    except PlanError:
        return EMPTY


def is_built(scene: bpy.types.Scene) -> bool:
    """Whether the scene's cage is the one that its plan asks for; the unit is for reports and changes nothing."""
    cage = cage_of(scene)
    try:
        return cage is not None and _shape_text(built_plan(cage)) == _shape_text(load_plan(scene))
    except PlanError:
        return False


def _shape_text(plan: LimbPlan) -> str:
    return format_plan(replace(plan, unit="m"))


def _write(owner: bpy.types.ID, text: str, name: str = PLAN_PROPERTY) -> None:
    if text:
        owner[name] = text
    elif name in owner:
        del owner[name]


def sync_rows(scene: bpy.types.Scene) -> None:
    """One row for every limb and every join; rows keep their mark, and the active one stays the active one."""
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
    settings.joins.clear()
    for join in join_counts(load_plan(scene), UNKNOWN) if names else ():
        row = settings.joins.add()
        row.kind, row.index = join.kind, join.index


def limb_names(scene: bpy.types.Scene) -> list[str]:
    """Names of the plan's limbs; none where the text is not a plan."""
    return [limb.name for limb in readable_plan(scene).limbs]


def active_limb_name(scene: bpy.types.Scene) -> str:
    """Name of the limb that the list shows as active; empty where there is none."""
    settings = scene.ringwright
    return settings.limbs[settings.active_limb].key if settings.active_limb < len(settings.limbs) else ""


def marked_limb_names(scene: bpy.types.Scene) -> list[str]:
    """Names of the limbs that are marked in the list."""
    return [row.key for row in scene.ringwright.limbs if row.marked]
