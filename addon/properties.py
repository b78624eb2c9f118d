"""What the scene keeps for the panels: one group under one pointer, ``Scene.ringwright``.

A limb's values are read from the plan and written back to it, so that the plan stays the only truth.
"""

# mypy: disable-error-code="valid-type"

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import bpy
import numpy as np
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    IntVectorProperty,
    PointerProperty,
    StringProperty,
)

from ..core.count_figures import spans_of, webs_of
from ..core.errors import RingwrightError
from ..core.plan import (
    DEFAULT_JOINT_LOOPS,
    JOINT_LOOPS_RANGE,
    QUADS_RANGE,
    ROWS_RANGE,
    SIDES_RANGE,
    SPANS_RANGE,
    UNITS,
    WEB_RANGE,
    Limb,
    LimbPlan,
    check_plan,
)
from ..core.plan_edits import change_limb, change_rows, change_webs, rename_limb
from . import kept_target, live_build, plan_preview
from .plan_storage import load_plan, readable_plan, store_plan, sync_rows

MOST_SPANS_SHOWN = min(64, SPANS_RANGE[1])
MOST_SHOWN = 32
"""Bones of a limb, and webs of a fork, that have a field of their own: the host's vectors are no longer."""
MIRROR_ITEMS = (
    ("NONE", "None", "Build what the limbs say and no more"),
    ("X", "X", "Build one side and mirror it across the plane X = 0"),
    ("Y", "Y", "Build one side and mirror it across the plane Y = 0"),
    ("Z", "Z", "Build one side and mirror it across the plane Z = 0"),
)
UNIT_ITEMS = (
    ("m", "Metres", "One unit of the scene is a metre"),
    ("cm", "Centimetres", "One unit of the scene is a centimetre"),
    ("mm", "Millimetres", "One unit of the scene is a millimetre"),
)
SEVERITY_ITEMS = (("error", "Error", ""), ("warning", "Warning", ""), ("note", "Note", ""))


def even_sides(value: int) -> int | None:
    """The side count that a number stands for: 0 leaves it to be chosen, everything else becomes even and at least 4."""
    return None if value <= 0 else min(max(value + value % 2, SIDES_RANGE[0]), SIDES_RANGE[1])


def _edit(scene: bpy.types.Scene, change: Callable[[LimbPlan], LimbPlan]) -> None:
    """Change the plan; a refusal is kept as the notice that the panel shows."""
    try:
        store_plan(scene, change(load_plan(scene)))
        scene.ringwright.notice = ""
    except RingwrightError as error:
        scene.ringwright.notice = str(error)


def _limb(row: Any) -> Limb | None:
    return next((limb for limb in readable_plan(row.id_data).limbs if limb.name == row.key), None)


def _getter(read: Callable[[Limb], Any], missing: Any) -> Callable[[Any], Any]:
    def get(row: Any) -> Any:
        limb = _limb(row)
        return missing if limb is None else read(limb)

    return get


def _setter(values: Callable[[Limb, Any], dict[str, Any]]) -> Callable[[Any, Any], None]:
    def put(row: Any, value: Any) -> None:
        limb = _limb(row)
        if limb is not None:
            _edit(row.id_data, lambda plan: change_limb(plan, limb.name, **values(limb, value)))

    return put


def _rename(row: Any, name: str) -> None:
    old = row.key
    settings = row.id_data.ringwright
    index = settings.active_limb
    _edit(row.id_data, lambda plan: rename_limb(plan, old, name))
    settings.active_limb = index


def _alike(limb: Limb, value: int) -> tuple[int, ...] | None:
    """The same spans for every bone; 0 leaves them to be chosen."""
    return None if value <= 0 else (value,) * (len(limb.joints) - 1)


def _shown(values: tuple[int, ...]) -> list[int]:
    """Numbers as a vector of the host's holds them."""
    return [*values, *[0] * MOST_SHOWN][:MOST_SHOWN]


def _changed(before: tuple[int, ...], wished: Sequence[int]) -> tuple[int, ...] | None:
    """Numbers with the fields' wishes in them; None, which leaves all to be chosen, where a field was set to 0."""
    after = tuple(wished[: len(before)]) + before[len(wished) :]
    if any(old and not new for old, new in zip(before, after, strict=True)):
        return None
    return tuple(max(number, 1) for number in after)


def _get_bone_spans(row: Any) -> list[int]:
    limb = _limb(row)
    return _shown(() if limb is None else spans_of(limb, plan_preview.shown_figures(row.id_data)))


def _set_bone_spans(row: Any, wished: Sequence[int]) -> None:
    limb = _limb(row)
    if limb is not None:
        spans = _changed(spans_of(limb, plan_preview.shown_figures(row.id_data)), wished)
        _edit(row.id_data, lambda plan: change_limb(plan, limb.name, spans=spans))


def _get_webs(row: Any) -> list[int]:
    forks = readable_plan(row.id_data).forks
    is_fork = row.kind == "fork" and row.index < len(forks)
    return _shown(webs_of(forks[row.index], row.index, plan_preview.shown_figures(row.id_data)) if is_fork else ())


def _set_webs(row: Any, wished: Sequence[int]) -> None:
    def change(plan: LimbPlan) -> LimbPlan:
        before = webs_of(plan.forks[row.index], row.index, plan_preview.shown_figures(row.id_data))
        return change_webs(plan, row.index, _changed(before, wished))

    _edit(row.id_data, change)


def _get_rows(row: Any) -> int:
    splices = readable_plan(row.id_data).splices
    return (splices[row.index].rows or 0) if row.kind == "splice" and row.index < len(splices) else 0


def _set_rows(row: Any, value: int) -> None:
    _edit(row.id_data, lambda plan: change_rows(plan, row.index, value or None))


def _get_up(limb: Limb) -> list[float]:
    return [0.0, 0.0, 0.0] if limb.up is None else limb.up.tolist()


def _up_values(_: Limb, value: Sequence[float]) -> dict[str, Any]:
    return {"up": np.array(value, dtype=np.float64) if any(value) else None}


class RINGWRIGHT_PG_limb(bpy.types.PropertyGroup):
    """A limb as the list shows it."""

    key: StringProperty(name="Limb", description="Name by which the row finds its limb in the plan")
    marked: BoolProperty(name="Marked", description="Whether the limb takes part in the next join as a branch")
    label: StringProperty(name="Name", description="Name of the limb, used once in the plan",
                          get=lambda row: row.key, set=_rename)
    sides: IntProperty(
        name="Sides", description="Edges round the limb, an even number; 0 leaves it to be chosen from the girth",
        min=0, max=SIDES_RANGE[1], step=2,
        get=_getter(lambda limb: limb.sides or 0, 0), set=_setter(lambda limb, value: {"sides": even_sides(value)}))
    spans: IntProperty(
        name="Spans", description="Rows of quads between every two joints; 0 leaves them to be chosen so that faces come out square",
        min=0, max=MOST_SPANS_SHOWN,
        get=_getter(lambda limb: limb.spans[0] if limb.spans else 0, 0),
        set=_setter(lambda limb, value: {"spans": _alike(limb, value)}))
    bone_spans: IntVectorProperty(
        name="Spans of Each Bone", size=MOST_SHOWN, min=0, max=MOST_SPANS_SHOWN,
        description="Rows of quads in this bone, counted from the root; 0 leaves all bones to be chosen",
        get=_get_bone_spans, set=_set_bone_spans)
    up: FloatVectorProperty(
        name="Up", size=3, subtype="XYZ", description="Direction in which the seam of the limb looks; 0, 0, 0 leaves it to be chosen",
        get=_getter(_get_up, (0.0, 0.0, 0.0)), set=_setter(_up_values))
    radius: FloatProperty(
        name="Largest Radius", min=0.0, soft_max=10.0, subtype="DISTANCE", precision=4,
        description="How far from its middle the limb's skin lies at most, so that it is not taken for a neighbour's; "
                    "0 where nothing else comes near",
        get=_getter(lambda limb: limb.radius or 0.0, 0.0), set=_setter(lambda limb, value: {"radius": value or None}))
    joint_loops: IntProperty(
        name="Joint Loops", description="Rings gathered round every inner joint so that it bends well; 0 spaces all rings evenly",
        min=JOINT_LOOPS_RANGE[0], max=JOINT_LOOPS_RANGE[1],
        get=_getter(lambda limb: limb.joint_loops, DEFAULT_JOINT_LOOPS), set=_setter(lambda limb, value: {"joint_loops": value}))
    closed: BoolProperty(
        name="Closed Tip", description="Close the limb's end with quads, as at a fingertip",
        get=_getter(lambda limb: limb.tip == "closed", False),
        set=_setter(lambda limb, value: {"tip": "closed" if value else "open"}))


class RINGWRIGHT_PG_join(bpy.types.PropertyGroup):
    """A join as the list shows it."""

    kind: StringProperty()
    index: IntProperty()
    webs: IntVectorProperty(name="Webs", size=MOST_SHOWN, min=0, max=WEB_RANGE[1], get=_get_webs, set=_set_webs,
                            description="Quads between these two neighbours; 0 leaves all webs of the fork to be chosen")
    rows: IntProperty(name="Rows", min=0, max=ROWS_RANGE[1], get=_get_rows, set=_set_rows,
                      description="Rows of quads that the step-downs may use; 0 leaves them to be chosen")


class RINGWRIGHT_PG_finding(bpy.types.PropertyGroup):
    """One finding of the last inspection."""

    kind: StringProperty()
    severity: EnumProperty(items=SEVERITY_ITEMS)
    reason: StringProperty()
    mend: StringProperty()
    domain: StringProperty()
    elements: StringProperty()
    has_place: BoolProperty()
    place: FloatVectorProperty(size=3, subtype="XYZ")


class RINGWRIGHT_PG_ring(bpy.types.PropertyGroup):
    """One open ring, or two that face each other."""

    sentence: StringProperty()
    mismatch: BoolProperty()
    vertices: StringProperty()
    place: FloatVectorProperty(size=3, subtype="XYZ")
    first: IntProperty(default=-1)
    second: IntProperty(default=-1)


class RINGWRIGHT_PG_bend(bpy.types.PropertyGroup):
    """How the cage bends at one joint, at its worst."""

    bone: StringProperty()
    verdict: StringProperty()
    motion: StringProperty()
    volume: FloatProperty()
    sentence: StringProperty()
    help: StringProperty()
    reach: FloatProperty()
    place: FloatVectorProperty(size=3, subtype="XYZ")


def _is_mesh(_: Any, item: bpy.types.Object) -> bool:
    return item.type == "MESH"


def _cage_changed(settings: Any, _: bpy.types.Context) -> None:
    sync_rows(settings.id_data)


def _shown_changed(settings: Any, _: bpy.types.Context) -> None:
    plan_preview.ask(settings.id_data)


def _live_changed(settings: Any, _: bpy.types.Context) -> None:
    if settings.live:
        live_build.ask(settings.id_data)
    else:
        kept_target.forget()


def _get_mirror(settings: Any) -> int:
    plane = readable_plan(settings.id_data).symmetry
    return 0 if plane is None else "xyz".index(plane) + 1


def _set_mirror(settings: Any, value: int) -> None:
    _edit_existing(settings, lambda plan: replace(plan, symmetry=None if value == 0 else "xyz"[value - 1]))


def _get_unit(settings: Any) -> int:
    return UNITS.index(readable_plan(settings.id_data).unit)


def _set_unit(settings: Any, value: int) -> None:
    _edit_existing(settings, lambda plan: replace(plan, unit=UNITS[value]))


def _get_budget(settings: Any) -> int:
    return readable_plan(settings.id_data).quad_budget or 0


def _set_budget(settings: Any, value: int) -> None:
    _edit_existing(settings, lambda plan: replace(plan, quad_budget=max(value, QUADS_RANGE[0]) if value else None))


def _edit_existing(settings: Any, change: Callable[[LimbPlan], LimbPlan]) -> None:
    """Change a plan that has limbs; one without them has nowhere to keep the choice."""

    def checked(plan: LimbPlan) -> LimbPlan:
        check_plan(plan)
        return change(plan)

    _edit(settings.id_data, checked)


class RINGWRIGHT_PG_settings(bpy.types.PropertyGroup):
    """Everything that the panels of one scene show."""

    target: PointerProperty(type=bpy.types.Object, poll=_is_mesh, update=_shown_changed, name="Target",
                            description="The dense sculpt or scan that the cage must fit; it is never changed")
    cage: PointerProperty(type=bpy.types.Object, poll=_is_mesh, update=_cage_changed, name="Cage",
                          description="The light mesh that is being made; it also keeps the limb plan")
    limbs: CollectionProperty(type=RINGWRIGHT_PG_limb)
    joins: CollectionProperty(type=RINGWRIGHT_PG_join)
    active_limb: IntProperty(name="Active Limb", description="The limb whose values are shown and changed")
    mirror: EnumProperty(name="Mirror", items=MIRROR_ITEMS, get=_get_mirror, set=_set_mirror,
                         description="Plane across which the cage is mirrored")
    unit: EnumProperty(name="Unit", items=UNIT_ITEMS, get=_get_unit, set=_set_unit, description="What one unit is, for reports")
    quad_budget: IntProperty(name="Quad Budget", min=0, max=QUADS_RANGE[1], get=_get_budget, set=_set_budget,
                             description="Most quads of the whole cage; 0 sets no limit")
    findings: CollectionProperty(type=RINGWRIGHT_PG_finding)
    active_finding: IntProperty(name="Active Finding", description="The finding whose reason and remedy are shown")
    summary: StringProperty()
    bends: CollectionProperty(type=RINGWRIGHT_PG_bend)
    active_bend: IntProperty(name="Active Joint", description="The joint whose worst bend is shown")
    rings: CollectionProperty(type=RINGWRIGHT_PG_ring)
    active_ring: IntProperty(name="Active Ring", description="The ring, or the pair of rings, that is shown")
    ring_summary: StringProperty()
    counted: PointerProperty(type=bpy.types.Object, name="Counted Mesh", description="The mesh whose rings were counted")
    notice: StringProperty()
    loses_moves: BoolProperty(description="Whether the last build was refused because it would lose what was moved by hand")
    live: BoolProperty(name="Build Live", default=True, update=_live_changed,
                       description="Build the cage anew as soon as its plan changes; Esc gives a build up")
    overlay: BoolProperty(name="Overlay", default=True, update=_shown_changed,
                          description="Draw limbs, ring counts and poles over the viewport")
    show_limbs: BoolProperty(name="Limbs", default=True, description="Draw joints and centre lines of the limb plan")
    show_counts: BoolProperty(name="Ring Counts", default=True,
                              description="Write the edge count at every open ring, and join rings that face each other with unlike counts")
    show_poles: BoolProperty(name="Poles", default=True,
                             description="Mark 3-poles by triangles, 5-poles by pentagons and all others by squares")
    show_joints: BoolProperty(name="Joint Rings", default=True, description="Draw the rings at which a limb bends")
    show_planned: BoolProperty(name="Planned Rows", default=True, update=_shown_changed,
                               description="Draw the rows and step-downs of a plan before its cage is built")
    show_faces: BoolProperty(name="Triangles and N-Gons", default=True, description="Fill all faces that are not quads")


CLASSES = (RINGWRIGHT_PG_limb, RINGWRIGHT_PG_join, RINGWRIGHT_PG_finding, RINGWRIGHT_PG_ring, RINGWRIGHT_PG_bend, RINGWRIGHT_PG_settings)


def register_pointer() -> None:
    """Hang the settings on the scene; their classes must be registered."""
    bpy.types.Scene.ringwright = PointerProperty(type=RINGWRIGHT_PG_settings)


def unregister_pointer() -> None:
    """Take the settings off the scene again."""
    del bpy.types.Scene.ringwright
