"""The operator that makes a plan of a few places: called by a script it gives what the core gives, in one undo step."""

from __future__ import annotations

from functools import cache

import bpy
import numpy as np
import pytest

from ringwright.addon.mesh_bridge import create_mesh
from ringwright.addon.operators.ready_plans import TEMPLATE_ITEMS
from ringwright.addon.plan_storage import load_plan
from ringwright.core.plan_templates import TEMPLATES, template_of
from ringwright.core.polymesh import PolyMesh
from ringwright.core.ready_plan import fit_plan
from support.creatures import Part, hand_part, tail_part

pytestmark = pytest.mark.usefixtures("extension")


@cache
def hand() -> Part:
    return hand_part()


@cache
def tail() -> Part:
    return tail_part()


def target(part: Part, scale: float = 1.0) -> bpy.types.Object:
    """The part as the scene's target, made small inside an object that is scaled up."""
    mesh = create_mesh("Sculpt", PolyMesh.from_faces(part.shape.positions / scale, part.shape.triangles.tolist()))
    item = bpy.data.objects.new("Sculpt", mesh)
    item.scale = (scale,) * 3
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.update()
    bpy.context.scene.ringwright.target = item
    return item


def rows(part: Part) -> list[dict[str, object]]:
    return [{"name": name, "position": tuple(place)} for name, place in part.places.items()]


def test_every_template_is_offered() -> None:
    assert [name for name, *_ in TEMPLATE_ITEMS] == [template.name for template in TEMPLATES]


def test_the_plan_is_the_cores(nothing_left_behind: None) -> None:
    target(hand())
    assert bpy.ops.ringwright.ready_made_plan(template="hand", places=rows(hand())) == {"FINISHED"}
    plan, wanted = load_plan(bpy.context.scene), fit_plan(template_of("hand"), hand().places, hand().surface())
    assert [limb.name for limb in plan.limbs] == [limb.name for limb in wanted.limbs] and plan.forks == wanted.forks
    for limb in plan.limbs:
        assert np.abs(limb.joints - wanted.limb(limb.name).joints).max() < 0.05, limb.name
    for item in list(bpy.data.objects):
        bpy.data.meshes.remove(item.data)


def test_places_are_of_the_world_and_the_cage_can_be_built() -> None:
    target(tail(), scale=0.1)
    bpy.ops.ringwright.ready_made_plan(template="tail", places=rows(tail()))
    assert bpy.ops.ringwright.build_cage() == {"FINISHED"}
    cage = bpy.context.scene.ringwright.cage
    assert len(cage.data.polygons) > 100 and all(len(face.vertices) == 4 for face in cage.data.polygons)
    assert not [row.reason for row in bpy.context.scene.ringwright.findings if row.severity == "error"]


def test_a_second_one_is_added_and_a_replacing_one_replaces() -> None:
    target(tail())
    for names, replace in ((["tail"], False), (["tail", "tail.2"], False), (["tail"], True)):
        bpy.ops.ringwright.ready_made_plan(template="tail", places=rows(tail()), replace_plan=replace)
        assert [limb.name for limb in load_plan(bpy.context.scene).limbs] == names
    assert [row.key for row in bpy.context.scene.ringwright.limbs] == ["tail"]


@pytest.mark.parametrize(("places", "words"), [
    ([], "a script names the places: root, tip"),
    ([{"name": "root", "position": (0, 0, 3)}], "the tip of the tail is missing"),
    ([{"name": "root", "position": (0, 0, 3)}, {"name": "end", "position": (0, 1, 3)}], 'there is no place "end"'),
    ([{"name": "root", "position": (0, 0, 3)}, {"name": "tip", "position": (0, 90, 3)}], '"tip" lies far off the target'),
])
def test_refused_in_one_sentence(places: list[dict[str, object]], words: str) -> None:
    target(tail())
    with pytest.raises(RuntimeError, match=words):
        bpy.ops.ringwright.ready_made_plan(template="tail", places=places)
    assert not load_plan(bpy.context.scene).limbs


def test_it_asks_for_a_target() -> None:
    with pytest.raises(RuntimeError, match="Choose a target first"):
        bpy.ops.ringwright.ready_made_plan(template="tail")
