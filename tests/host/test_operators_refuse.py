"""Every operator, called where it cannot work: a poll message or one sentence, never a traceback, and nothing changed."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import bpy
import pytest

import ringwright
from ringwright.addon import editor

from .conftest import block_names


@pytest.fixture(scope="module", autouse=True)
def registered() -> Iterator[None]:
    ringwright.register()
    yield
    bpy.ops.wm.read_factory_settings(use_empty=True)
    ringwright.unregister()


OPERATORS = sorted(each.bl_idname for each in editor.CLASSES if issubclass(each, bpy.types.Operator))


def _nothing() -> None:
    pass


def _empty_mesh() -> None:
    item = bpy.data.objects.new("Bare", bpy.data.meshes.new("Bare"))
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    bpy.context.scene.ringwright.target = item
    bpy.context.scene.ringwright.cage = item


def _camera() -> None:
    bpy.ops.object.camera_add()


def _lattice_in_edit_mode() -> None:
    bpy.ops.object.add(type="LATTICE")
    bpy.ops.object.mode_set(mode="EDIT")


def _edit_mode_without_selection() -> None:
    bpy.ops.mesh.primitive_cube_add()
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")


def _two_in_edit_mode() -> None:
    bpy.ops.mesh.primitive_cube_add()
    first = bpy.context.object
    bpy.ops.mesh.primitive_plane_add()
    first.select_set(True)
    bpy.context.scene.ringwright.target = first
    bpy.ops.object.mode_set(mode="EDIT")


def _sculpt_mode() -> None:
    bpy.ops.mesh.primitive_cube_add()
    bpy.context.scene.ringwright.target = bpy.context.object
    bpy.ops.object.mode_set(mode="SCULPT")


def _hidden_target() -> None:
    bpy.ops.mesh.primitive_cube_add()
    bpy.context.scene.ringwright.target = bpy.context.object
    bpy.context.object.hide_set(True)
    bpy.context.object.hide_viewport = True


def _deleted_target_and_cage() -> None:
    for name in ("target", "cage"):
        bpy.ops.mesh.primitive_cube_add()
        setattr(bpy.context.scene.ringwright, name, bpy.context.object)
        bpy.context.scene.collection.objects.unlink(bpy.context.object)


def _broken_plan() -> None:
    bpy.ops.mesh.primitive_cube_add()
    bpy.context.scene.ringwright.target = bpy.context.object
    bpy.context.scene["ringwright_plan"] = "schema = 7"


def _plan_far_from_target() -> None:
    bpy.ops.mesh.primitive_cube_add()
    bpy.context.scene.ringwright.target = bpy.context.object
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (9, 9, z)} for z in (1, 2)])


PLACES: tuple[Callable[[], None], ...] = (
    _nothing, _empty_mesh, _camera, _lattice_in_edit_mode, _edit_mode_without_selection, _two_in_edit_mode, _sculpt_mode, _hidden_target,
    _deleted_target_and_cage, _broken_plan, _plan_far_from_target,
)


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.__name__.strip("_"))
@pytest.mark.parametrize("name", OPERATORS)
def test_refuses_in_one_sentence(name: str, place: Callable[[], None]) -> None:
    place()
    before = block_names()
    operator = getattr(bpy.ops.ringwright, name.partition(".")[2])
    try:
        result = operator()
    except RuntimeError as refusal:
        message = str(refusal).removeprefix("Error: ").strip()
        assert "Traceback" not in message and "\n" not in message
        assert len(message) > 20, message
        assert block_names() == before
    else:
        assert result in ({"FINISHED"}, {"CANCELLED"})


@pytest.mark.parametrize("name", OPERATORS)
def test_speaks_as_the_host_does(name: str) -> None:
    """A label in Title Case, a sentence as tooltip without final stop, and the same for every property."""
    shown = getattr(bpy.ops.ringwright, name.partition(".")[2]).get_rna_type()
    small = {"a", "and", "as", "by", "from", "in", "of", "on", "or", "to"}
    assert all(word[0].isupper() or word in small for word in shown.name.split())
    assert len(shown.description) > 15 and not shown.description.endswith(".")
    for each in shown.properties:
        if each.identifier not in {"rna_type", "filter_glob", "check_existing"}:
            assert each.description and not each.description.endswith("."), each.identifier


def test_nothing_stays_after_unregistering() -> None:
    ringwright.unregister()
    try:
        assert not hasattr(bpy.types.Scene, "ringwright")
        assert not [name for name in dir(bpy.types) if name.startswith("RINGWRIGHT")]
        assert not dir(bpy.ops.ringwright)
        for name in dir(bpy.app.handlers):
            handlers = getattr(bpy.app.handlers, name)
            if isinstance(handlers, list):
                assert not [each for each in handlers if "ringwright" in getattr(each, "__module__", "")]
    finally:
        ringwright.register()


def test_plan_survives_saving_and_loading(tmp_path: object) -> None:
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (0, 0, z)} for z in (0, 1, 3)], limb_name="leg", sides=12)
    path = f"{tmp_path}/plan.blend"
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    assert len(bpy.context.scene.ringwright.limbs) == 0
    bpy.ops.wm.open_mainfile(filepath=path)
    (row,) = bpy.context.scene.ringwright.limbs
    assert (row.key, row.sides, row.spans) == ("leg", 12, 0)
