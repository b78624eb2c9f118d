"""Better bends, searched by the tool itself beside the artist's own work."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import ClassVar

import bpy
from bpy.props import BoolProperty, IntProperty

from ...core.flex_report import with_flex
from ...core.improve import MOST_TRIALS, Improvement, improve
from ...core.improve_moves import Proposals, all_moves, moves_of_counts
from ...core.inspection import inspect_mesh
from ...core.plan import LimbPlan
from ..background import Background, Pause, PausingSurface
from ..cage_build import hand_moves, moved_cage, place_finished
from ..cage_object import CageTrial
from ..editor_progress import EditorProgress
from ..finding_rows import store_bends
from ..host_surface import read_evaluated
from ..kept_target import KeptTarget, kept_target
from ..phrases import told
from ..plan_storage import cage_of, require_plan, target_of
from ..planned_cage import changeable_cage
from ..preferences import preferred_profile
from ..rigging import lacking_bones, move_bones, rig_of, stands_as
from ..target_pieces import skin_surface
from ..viewports import redraw_viewports
from .asking import Refusing, has_cage, has_limbs_and_target, in_object_mode

TICK = 0.1
"""Seconds between two looks at a search that is under way."""


class RINGWRIGHT_OT_improve_cage(Refusing, bpy.types.Operator):
    """Try other rows, joints, joint loops, webs, sides and step-downs within the budget, and keep what bends better"""

    bl_idname = "ringwright.improve_cage"
    bl_label = "Improve Bends"
    bl_options = {"REGISTER", "UNDO"}

    trials: IntProperty(name="Trials", default=MOST_TRIALS, min=2, max=1000, soft_max=300,
                        description="Cages that the search builds and bends at most")
    keep_joints: BoolProperty(name="Keep Joints", default=False,
                              description="Change counts alone and leave every joint where the plan has it, as a rig needs it that exists "
                              "already")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_limbs_and_target(cls, context) and has_cage(cls, context) and in_object_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        """Search at one go, as scripts and the redo panel want it."""
        plan = _improvable_plan(context.scene)
        target = read_evaluated(target_of(context.scene), context.evaluated_depsgraph_get())
        with EditorProgress(context) as progress, skin_surface(target) as (_, surface):
            found = improve(plan, surface, ranges=preferred_profile().joints, most_trials=self.trials, proposals=self._proposals(),
                            progress=progress)
        return self._keep(context, found)

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        """Search between the artist's events, with the progress shown; Esc gives up and changes nothing."""
        if _Search.running is not None:
            self.report({"WARNING"}, told("A search is under way; Esc ends it"))
            return {"CANCELLED"}
        return self.refusing(partial(self._begin, context))

    def _begin(self, context: bpy.types.Context) -> set[str]:
        self._work = _Search(_improvable_plan(context.scene), kept_target(context), self.trials, self._proposals())
        self._cage = cage_of(context.scene)
        self._timer = context.window_manager.event_timer_add(TICK, window=context.window)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Look at the search every tick; all other events are the editor's."""
        if event.type == "ESC" and event.value == "PRESS":
            self.cancel(context)
            self.report({"WARNING"}, told("The search was cancelled; the cage is as it was"))
            return {"CANCELLED"}
        if event.type != "TIMER":
            return {"PASS_THROUGH"}
        if not self._work.thread.has_ended:
            redraw_viewports(context)
            context.workspace.status_text_set(f"{self._work.stage}, {self._work.share:.0%}  |  {told('Esc: Cancel')}")
            return {"PASS_THROUGH"}
        self._clear(context)
        return self.refusing(partial(self._finish, context))

    def _finish(self, context: bpy.types.Context) -> set[str]:
        found = self._work.thread.result()
        if cage_of(context.scene) != self._cage or context.mode != "OBJECT":
            self.report({"WARNING"}, told("The cage was changed meanwhile; nothing was kept of the search"))
            return {"CANCELLED"}
        return self._keep(context, found)

    def cancel(self, context: bpy.types.Context) -> None:
        """End the search; nothing has been changed."""
        self._work.thread.cancel()
        self._clear(context)

    def _proposals(self) -> Proposals:
        return moves_of_counts if self.keep_joints else all_moves

    def _clear(self, context: bpy.types.Context) -> None:
        _Search.running = None
        context.window_manager.event_timer_remove(self._timer)
        context.workspace.status_text_set(None)

    def _keep(self, context: bpy.types.Context, found: Improvement) -> set[str]:
        if not found.changes:
            self.report({"WARNING"}, told("No better bends in {count} trials; the cage is as it was", count=found.trials))
            return {"CANCELLED"}
        scene, built = context.scene, replace(found.result, plan=found.plan)
        kept = moved_cage(hand_moves(cage_of(scene)), built.mesh, built.plan)
        place_finished(scene, CageTrial(scene, cage_of(scene)), built, kept, None)
        _move_rig(context, found)
        profile = preferred_profile()
        store_bends(scene.ringwright, with_flex(inspect_mesh(built.mesh, profile=profile), found.flex, profile))
        for change in found.changes:
            self.report({"INFO"}, str(change))
        self.report({"INFO"}, found.gains())
        if kept.lost:
            self.report({"WARNING"}, told("{count} of the vertices that were moved by hand were laid anew; undo brings them back",
                                          count=kept.lost))
        self.report({"INFO"}, told("Bends improved by {changes} changes in {count} trials", changes=len(found.changes), count=found.trials))
        return {"FINISHED"}


def _improvable_plan(scene: bpy.types.Scene) -> LimbPlan:
    """The scene's plan, where a better cage may take the place of the one that stands.

    Raises MeshError or PlanError otherwise.
    """
    changeable_cage(scene)
    return require_plan(scene)


def _move_rig(context: bpy.types.Context, found: Improvement) -> None:
    """Let the bones of a rig that was made here follow joints that were moved, where it can be seen and so be changed."""
    rig, skeleton = rig_of(cage_of(context.scene)), found.flex.skinned.skeleton
    if rig is not None and not lacking_bones(rig, skeleton) and not stands_as(rig, skeleton) and rig.visible_get():
        move_bones(rig, skeleton)


def progress_of_search() -> tuple[str, float] | None:
    """What a search is doing and the share of it that is done, 0 to 1; None where none is under way."""
    search = _Search.running
    return None if search is None else (search.stage, search.share)


class _Search:
    """A search on its thread, with what it tells; it touches none of the host's data."""

    running: ClassVar[_Search | None] = None
    """The one that is under way."""

    def __init__(self, plan: LimbPlan, target: KeptTarget, trials: int, proposals: Proposals) -> None:
        self.stage, self.share = "Reading target", 0.0
        _Search.running = self
        self._plan, self._target, self._trials, self._proposals = plan, target, trials, proposals
        self._ranges = preferred_profile().joints
        self.thread = Background(self._run)

    def _run(self, pause: Pause) -> Improvement:
        _, tree = self._target.skin(pause)
        return improve(self._plan, PausingSurface(tree, pause), ranges=self._ranges, most_trials=self._trials,
                       proposals=self._proposals, progress=self._tell)

    def _tell(self, stage: str, share: float) -> None:
        self.stage, self.share = stage, share
