"""Numbers in the panels: bone by bone, gap by gap; what the build chose is shown, and a change of one keeps the others."""

from __future__ import annotations

import time

import bpy
import numpy as np
import pytest

from ringwright.addon import kept_target, plan_preview
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.addon.plan_storage import is_built, load_plan, plan_text
from ringwright.core.polymesh import PolyMesh
from support.hand_plan import FINGERS
from support.shapes import hand, hand_chains

pytestmark = pytest.mark.usefixtures("extension")


@pytest.fixture(autouse=True)
def settings(empty_file: None) -> bpy.types.PropertyGroup:
    """The invented hand and its plan."""
    scene = bpy.context.scene
    item = bpy.data.objects.new("Target", create_mesh("Target", PolyMesh.from_quads(*hand(80))))
    scene.collection.objects.link(item)
    scene.ringwright.target = item
    for name, chain in hand_chains().items():
        rows = [{"name": "", "position": joint} for joint in chain.joints.tolist()]
        bpy.ops.ringwright.add_limb(joints=rows, limb_name=name, closed=name not in ("palm", "forearm"))
    bpy.ops.ringwright.add_fork(trunk="palm", branches=", ".join(FINGERS))
    bpy.ops.ringwright.add_socket(trunk="palm", branch="thumb")
    bpy.ops.ringwright.add_splice(lower="forearm", upper="palm")
    return scene.ringwright


def row(name: str) -> bpy.types.PropertyGroup:
    return next(row for row in bpy.context.scene.ringwright.limbs if row.key == name)


def join(kind: str) -> bpy.types.PropertyGroup:
    return next(row for row in bpy.context.scene.ringwright.joins if row.kind == kind)


def test_every_join_has_its_row(settings: bpy.types.PropertyGroup) -> None:
    assert [(row.kind, row.index) for row in settings.joins] == [("fork", 0), ("socket", 0), ("splice", 0)]
    bpy.ops.ringwright.remove_join(kind="socket", index=0)
    assert [row.kind for row in settings.joins] == ["fork", "splice"]


def test_chosen_numbers_are_shown_and_one_can_be_changed() -> None:
    assert list(row("index").bone_spans[:3]) == [0, 0, 0] and list(join("fork").webs[:3]) == [0, 0, 0]
    bpy.ops.ringwright.build_cage(inspect=False)
    spans, webs = list(row("index").bone_spans[:3]), list(join("fork").webs[:3])
    assert all(spans) and all(webs)
    row("index").bone_spans = [spans[0] + 1, *row("index").bone_spans[1:]]
    join("fork").webs = [webs[0], webs[1] + 1, *join("fork").webs[2:]]
    plan = load_plan(bpy.context.scene)
    assert plan.limb("index").spans == (spans[0] + 1, *spans[1:])
    assert plan.forks[0].webs == (webs[0], webs[1] + 1, webs[2])
    assert not is_built(bpy.context.scene)
    row("index").bone_spans = [0, *row("index").bone_spans[1:]]
    join("fork").webs = [0, *join("fork").webs[1:]]
    plan = load_plan(bpy.context.scene)
    assert plan.limb("index").spans is None and plan.forks[0].webs is None
    assert is_built(bpy.context.scene)


def test_rows_of_a_splice_and_the_seam() -> None:
    join("splice").rows = 3
    row("thumb").up = (0, 1, 0)
    plan = load_plan(bpy.context.scene)
    assert plan.splices[0].rows == 3 and np.array_equal(plan.limb("thumb").up, [0, 1, 0])
    assert join("splice").rows == 3 and list(row("thumb").up) == [0, 1, 0]
    join("splice").rows, row("thumb").up = 0, (0, 0, 0)
    plan = load_plan(bpy.context.scene)
    assert plan.splices[0].rows is None and plan.limb("thumb").up is None


def test_a_web_that_does_not_fit_is_refused_and_said(settings: bpy.types.PropertyGroup) -> None:
    row("middle").sides = 6
    join("fork").webs = [3, 3, 3, *join("fork").webs[3:]]
    assert settings.notice and load_plan(bpy.context.scene).forks[0].webs is None


def test_the_plan_is_worked_out_before_it_is_built(settings: bpy.types.PropertyGroup) -> None:
    row("palm").sides = 16
    work = plan_preview._Work(plan_text(bpy.context.scene), load_plan(bpy.context.scene), kept_target.kept_target(bpy.context))
    while not work.thread.has_ended:
        time.sleep(0.01)
    assert work.found is not None and not work.refusal
    bpy.ops.ringwright.build_cage(inspect=False)
    assert len(work.found.edges) == len(settings.cage.data.edges)
    assert list(join("fork").webs[:3]) == list(work.found.figures.webs[0])
    row("palm").sides = 64
    row("index").spans = 1
    refused = plan_preview._Work("", load_plan(bpy.context.scene), kept_target.kept_target(bpy.context))
    while not refused.thread.has_ended:
        time.sleep(0.01)
    assert (refused.found is None) == bool(refused.refusal)
    kept_target.forget()
