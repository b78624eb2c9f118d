"""The plan as it would be built, worked out beside the editor's own work and drawn before there is a cage of it."""

from __future__ import annotations

import bpy

from ..core.build import build_cage
from ..core.count_figures import CountFigures
from ..core.counts import CountPlan
from ..core.errors import RingwrightError
from ..core.plan import LimbPlan
from ..core.planned import Planned, planned
from ..core.polymesh import PolyMesh
from . import kept_target, live_build, plan_storage
from .background import Background, Cancelled, Pause, PausingSurface
from .plan_storage import figures_of, is_built, load_plan, plan_text, target_of
from .viewports import redraw_viewports

PAUSE = 0.15
"""Seconds without a further change before the work begins."""
LOOK = 0.05
"""Seconds between two looks at the work."""


class _Work:
    """One plan's draft on its thread."""

    def __init__(self, text: str, plan: LimbPlan, target: kept_target.KeptTarget) -> None:
        self.text, self.found, self.refusal = text, None, ""
        self._plan, self._target = plan, target
        self.thread = Background(self._run)

    found: Planned | None

    def _run(self, pause: Pause) -> None:
        _, tree = self._target.skin(pause)
        try:
            build_cage(self._plan, PausingSurface(tree, pause), draft=self._take, known=self._target.measures)
        except RingwrightError as error:
            self.refusal = str(error)

    def _take(self, mesh: PolyMesh, counts: CountPlan) -> None:
        self.found = planned(mesh, counts)
        raise Cancelled  # it need not settle


_work: _Work | None = None


def planned_of(scene: bpy.types.Scene) -> Planned | None:
    """The scene's plan as it would be built; None where that is not known yet, cannot be, or the cage stands already."""
    ready = _work is not None and _work.text == plan_text(scene) and not is_built(scene)
    return _work.found if _work is not None and ready else None


def shown_figures(scene: bpy.types.Scene) -> CountFigures:
    """The counts that the plan comes to, where they are known; else those of the last build."""
    found = planned_of(scene)
    return figures_of(scene) if found is None else found.figures


def refusal_of(scene: bpy.types.Scene) -> str:
    """Why the scene's plan cannot be built; empty where it can, or where that is not known yet."""
    return _work.refusal if _work is not None and _work.text == plan_text(scene) else ""


def ask(scene: bpy.types.Scene) -> None:
    """Have the plan worked out soon, where it is to be shown and is not built at once anyway."""
    if bpy.app.background or bpy.app.timers.is_registered(_begin):
        return
    bpy.app.timers.register(_begin, first_interval=PAUSE)


def cancel() -> None:
    """Give up what was asked for and what is being worked out."""
    global _work
    for timer in (_begin, _look):
        if bpy.app.timers.is_registered(timer):
            bpy.app.timers.unregister(timer)
    if _work is not None:
        _work.thread.cancel()
        _work = None


def _begin() -> None:
    global _work
    scene = bpy.context.window_manager.windows[0].scene
    settings, text = scene.ringwright, plan_text(scene)
    wanted = settings.overlay and settings.show_planned and text and target_of(scene) is not None and not is_built(scene)
    if not wanted or live_build.running is not None or (_work is not None and _work.text == text):
        return
    if _work is not None:
        _work.thread.cancel()
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0]):
        try:
            _work = _Work(text, load_plan(scene), kept_target.kept_target(bpy.context))
        except RingwrightError:
            return
    if not bpy.app.timers.is_registered(_look):
        bpy.app.timers.register(_look, first_interval=LOOK)


def _look() -> float | None:
    if _work is not None and not _work.thread.has_ended:
        return LOOK
    redraw_viewports(bpy.context)
    return None


def register() -> None:
    """Listen to changes of the plan."""
    plan_storage.listeners.append(ask)


def unregister() -> None:
    """Stop listening."""
    cancel()
    plan_storage.listeners.remove(ask)
