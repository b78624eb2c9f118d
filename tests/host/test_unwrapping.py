"""Unwrap by the host along the core's seams: nothing overlaps, nothing is turned over, texel density is even."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

from ringwright.addon.cage_object import place_cage, read_cage
from ringwright.addon.mesh_bridge import read_uvs
from ringwright.addon.plan_storage import store_plan
from ringwright.core.build import build_cage
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.plan_templates import template_of
from ringwright.core.ready_plan import fit_plan
from ringwright.core.uv_quality import measure_unwrap
from support.creatures import tail_part
from support.fork_plan import fork_plan
from support.reference_surface import ReferenceSurface
from support.shapes import fork, fork_chains
from support.tubes import tube

pytestmark = pytest.mark.usefixtures("extension")


def forked() -> bpy.types.Object:
    plan = fork_plan()
    item = place_cage(bpy.context.scene, build_cage(plan, ReferenceSurface(*fork(64))).mesh)
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, plan)
    return item


def test_a_fork_is_unwrapped_without_a_fault() -> None:
    item = forked()
    assert bpy.ops.ringwright.unwrap_cage() == {"FINISHED"}
    settings = bpy.context.scene.ringwright
    assert not [row.reason for row in settings.findings if row.kind.startswith(("uv_", "texel_"))]
    assert "map: 3 islands, stretch 1.0" in settings.summary
    figures = measure_unwrap(read_cage(item), read_uvs(item.data))
    assert figures.islands == 1 + len(fork_chains()) - 1 and figures.stretch < 1.1
    assert figures.density_spread < 1.05 and figures.overlap == 0 and figures.margin >= 7


def test_a_tip_that_bulges_is_cut_open() -> None:
    """Along the seam alone the worst face of this tail's map is stretched to 3.1."""
    part = tail_part()
    plan = fit_plan(template_of("tail"), part.places, part.surface())
    item = place_cage(bpy.context.scene, build_cage(plan, part.surface()).mesh)
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, plan)
    assert bpy.ops.ringwright.unwrap_cage() == {"FINISHED"}
    figures = measure_unwrap(read_cage(item), read_uvs(item.data))
    assert figures.worst_stretch < 2 and figures.islands == 1 and figures.overlap == 0 and not len(figures.flipped)


def test_the_scene_comes_back_as_it_was() -> None:
    item = forked()
    other = bpy.data.objects.new("Other", None)
    bpy.context.scene.collection.objects.link(other)
    other.select_set(True)
    bpy.context.view_layer.objects.active = other
    before = read_cage(item)
    bpy.ops.ringwright.unwrap_cage()
    assert bpy.context.view_layer.objects.active == other and other.select_get() and not item.select_get() and item.mode == "OBJECT"
    assert np.array_equal(read_cage(item).positions, before.positions)
    assert np.array_equal(read_cage(item).corner_verts, before.corner_verts)


def test_seams_alone_leave_no_map() -> None:
    item = forked()
    bpy.ops.ringwright.unwrap_cage(seams_only=True)
    assert not item.data.uv_layers and any(edge.use_seam for edge in item.data.edges)


def test_a_mesh_that_was_not_built_is_refused() -> None:
    item = place_cage(bpy.context.scene, tube(8, 5))
    bpy.context.scene.ringwright.cage = item
    store_plan(bpy.context.scene, LimbPlan((Limb("arm", np.array([[0, 0, 0], [0, 0, 4.0]])),)))
    with pytest.raises(RuntimeError, match="does not tell which limb"):
        bpy.ops.ringwright.unwrap_cage()
    assert not item.data.uv_layers
