"""A cage while it is being built in the editor: a draft stands at once, then it settles between the artist's own events."""

from __future__ import annotations

import time

import bpy
import numpy as np

from ..core.build import BuildResult, build_cage
from ..core.counts import CountPlan
from ..core.errors import RingwrightError
from ..core.hand_moves import HandMoves, KeptMoves, keep_moves
from ..core.inspection import Inspection, Target, inspect_mesh
from ..core.mirror import turned
from ..core.outward import outward_surface
from ..core.plan import LimbPlan
from ..core.polymesh import PolyMesh
from ..core.profiles import Profile
from ..core.skeleton import skeleton_of
from ..core.skin_weights import bind
from .background import Background, Pause, PausingSurface
from .cage_object import CageTrial, built_places, read_cage, with_built_places
from .commands.build import asked_of
from .finding_rows import store_findings
from .kept_target import KeptTarget, kept_target
from .plan_storage import built_plan, cage_of, note_built, require_plan, store_plan
from .preferences import preferred_profile
from .rigging import lacking_bones, rig_of, write_weights
from .skin_tree import SkinTree

MOVED_ITEMS = (
    ("KEEP", "Keep Where Faces Stay", "Keep what was moved by hand on limbs whose faces stay the same, and lay the others anew"),
    ("ASK", "Keep or Refuse", "Keep what was moved by hand, and refuse to build where a limb's faces change under it"),
    ("DROP", "Lay All Anew", "Lay every vertex anew, whatever was moved by hand"),
)


BUILT_SHARE = 0.7
"""Share of the work that is done when the cage is built and is still to be inspected."""


class LostMoves(RingwrightError):
    """A build that would lose what was moved by hand, where it was not told to."""


class _Work:
    """One plan's build on its thread, with what it tells; it touches none of the host's data."""

    def __init__(self, plan: LimbPlan, target: KeptTarget, *, inspect: bool) -> None:
        self.plan, self.stage, self.share = plan, "Reading target", 0.0
        self.draft: PolyMesh | None = None
        self.began = time.perf_counter()
        self._target, self._inspect, self._profile = target, inspect, preferred_profile() if inspect else Profile()
        self.thread = Background(self._run)

    def _run(self, pause: Pause) -> tuple[BuildResult, Inspection | None]:
        skin, tree = self._target.skin(pause)
        surface = PausingSurface(tree, pause)
        built = build_cage(self.plan, surface, self._progress, self._show, self._target.measures)
        return built, self._inspection(built, skin, surface, pause) if self._inspect else None

    def _inspection(self, built: BuildResult, skin: PolyMesh, surface: PausingSurface, pause: Pause) -> Inspection:
        self.stage, self.share = "Inspecting", BUILT_SHARE
        asked = asked_of(built)
        outward = outward_surface(surface, np.concatenate([limb.joints for limb in built.plan.limbs]))
        own = PausingSurface(SkinTree(built.mesh), pause)
        return inspect_mesh(built.mesh, target=Target(skin, outward, own, None), tally=asked.tally,
                            joint_zones=asked.joint_zones, expectation=asked.expectation, profile=self._profile)

    def _progress(self, stage: str, share: float) -> None:
        self.stage, self.share = stage, share * (BUILT_SHARE if self._inspect else 1.0)

    def _show(self, mesh: PolyMesh, _: CountPlan) -> None:
        self.draft = mesh


class CageBuild:
    """A build under way; nothing of the scene changes before the draft stands, and ``drop`` takes that back."""

    def __init__(self, context: bpy.types.Context, *, inspect: bool, moved: str) -> None:
        """Read plan and target, and begin.

        inspect : whether the finished cage is inspected
        moved : a key of MOVED_ITEMS
        """
        self.scene = context.scene
        self.is_cancelled = self.is_outdated = False
        self.first_seen: float | None = None
        self._inspect, self._may_lose = inspect, moved != "ASK"
        self._moves = hand_moves(cage_of(self.scene)) if moved != "DROP" else None
        self._trial = CageTrial(self.scene, cage_of(self.scene))
        self._work = self._begun(context)

    def restart(self, context: bpy.types.Context) -> None:
        """Begin anew with the plan as it is now; the draft stands until the next one."""
        self._work.thread.cancel()
        self.is_outdated = False
        self._work = self._begun(context)

    def _begun(self, context: bpy.types.Context) -> _Work:
        return _Work(require_plan(self.scene), kept_target(context), inspect=self._inspect)

    @property
    def stage(self) -> str:
        """What is being done."""
        return self._work.stage

    @property
    def share(self) -> float:
        """Share of the work that is done, 0 to 1."""
        return self._work.share

    def look(self) -> bool:
        """Show the draft where there is a new one; whether the build has ended.

        Raises LostMoves as soon as it is known that the new faces cannot keep what was moved by hand.
        """
        draft, self._work.draft = self._work.draft, None
        if draft is not None:
            self._trial.show(draft.with_positions(self._kept(draft).positions))
            self.first_seen = self.first_seen or time.perf_counter() - self._work.began
        return self._work.thread.has_ended

    def finish(self) -> tuple[BuildResult, Inspection | None, KeptMoves]:
        """Put the finished cage in its place; raises what the build refused."""
        built, inspection = self._work.thread.result()
        kept = self._kept(built.mesh)
        place_finished(self.scene, self._trial, built, kept, inspection)
        return built, inspection, kept

    def drop(self) -> None:
        """End the build and leave the scene as it was before, unless the cage has gone another way."""
        self.is_cancelled = True
        self._work.thread.cancel()
        if not self.is_disturbed:
            self._trial.drop()

    def wait(self) -> None:
        """Wait until a dropped build has really ended."""
        self._work.thread.wait()

    @property
    def is_disturbed(self) -> bool:
        """Whether the cage is no longer there, or in a mode of its own, in which its mesh cannot be changed."""
        try:
            cage = self._trial.cage
            return cage is not None and (cage.mode != "OBJECT" or self.scene.objects.get(cage.name) != cage)
        except ReferenceError:
            return True

    def _kept(self, mesh: PolyMesh) -> KeptMoves:
        kept = moved_cage(self._moves, mesh, self._work.plan)
        if kept.lost and not self._may_lose:
            raise LostMoves(lost_sentence(kept))
        return kept


def hand_moves(cage: bpy.types.Object | None) -> HandMoves | None:
    """What was moved on a cage since it was built; None where it does not say where it was built."""
    places = None if cage is None else built_places(cage)
    if cage is None or places is None:
        return None
    mesh = read_cage(cage)
    wound = turned(mesh) if cage.matrix_world.is_negative else mesh  # as it was built in the world
    return HandMoves(wound, places, [limb.name for limb in built_plan(cage).limbs])


def moved_cage(moves: HandMoves | None, mesh: PolyMesh, plan: LimbPlan) -> KeptMoves:
    """A new cage with the moves that it can keep."""
    if moves is None:
        return KeptMoves(mesh.positions, 0, 0, ())
    return keep_moves(moves, mesh, [limb.name for limb in plan.limbs])


def lost_sentence(kept: KeptMoves) -> str:
    """What cannot be kept, and what to do about it."""
    names = ", ".join(f'"{name}"' for name in kept.lost_limbs) or "the cage"
    moved = "1 vertex was" if kept.lost == 1 else f"{kept.lost} vertices were"
    return f"{moved} moved by hand on {names}, whose faces change; lay them anew, or take the change of the plan back."


def place_finished(scene: bpy.types.Scene, trial: CageTrial, built: BuildResult, kept: KeptMoves,
                   inspection: Inspection | None) -> None:
    """Put a finished cage into the scene with its plan and its findings; a new one becomes the active object."""
    cage = trial.keep(with_built_places(built.mesh.with_positions(kept.positions), built.mesh.positions))
    scene.ringwright.cage = cage
    note_built(cage, built)
    store_plan(scene, built.plan)
    if trial.is_new:
        make_active(bpy.context.view_layer, cage)
    bind_again(cage, built)
    settings = scene.ringwright
    settings.findings.clear()
    settings.bends.clear()
    settings.summary = settings.notice = ""
    settings.loses_moves = False
    if inspection is not None:
        store_findings(settings, inspection)


def bind_again(cage: bpy.types.Object, built: BuildResult) -> None:
    """Give a cage that follows a rig made here its skin weights anew, since a new mesh has none; one whose bones are those of another
    plan waits until it is made anew."""
    rig = rig_of(cage)
    if rig is None:
        return
    skeleton = skeleton_of(built.plan)
    if not lacking_bones(rig, skeleton):
        write_weights(cage, skeleton, bind(built.mesh, skeleton))


def make_active(layer: bpy.types.ViewLayer, cage: bpy.types.Object) -> None:
    """Select the cage alone."""
    layer.update()
    if cage.name not in layer.objects:
        return
    for other in layer.objects.selected:
        other.select_set(False)
    cage.select_set(True)
    layer.objects.active = cage
