"""Every operator, called where it cannot work: a poll message or one sentence, never a traceback, and nothing changed."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import bmesh
import bpy
import pytest

import ringwright
from ringwright.addon import editor
from support.saved_bytes import saved_bytes

pytestmark = pytest.mark.usefixtures("extension")


OPERATORS = sorted(each.bl_idname for each in editor.CLASSES if issubclass(each, bpy.types.Operator))


def _nothing() -> None:
    pass


def _empty_mesh() -> None:
    item = bpy.data.objects.new("Bare", bpy.data.meshes.new("Bare"))
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    bpy.context.scene.ringwright.target = item
    bpy.context.scene.ringwright.cage = item


def _light() -> None:
    bpy.ops.object.light_add()


def _nothing_active() -> None:
    _ready()
    bpy.context.view_layer.objects.active = None
    bpy.ops.object.select_all(action="DESELECT")


def _ready() -> None:
    """A target, a cage, a plan of two limbs, findings and rings: all that an operator can ask for."""
    settings = bpy.context.scene.ringwright
    bpy.ops.mesh.primitive_uv_sphere_add()
    target = bpy.context.object
    bpy.ops.mesh.primitive_cone_add(vertices=8, end_fill_type="NOTHING", calc_uvs=False)
    settings.cage = bpy.context.object
    for x in (-0.2, 0.2):
        bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (x, 0, z)} for z in (-0.5, 0.5)])
    bpy.ops.ringwright.inspect(use_plan=False)
    bpy.ops.ringwright.count_rings()
    settings.target = target  # now, for without one an inspection is quick
    assert len(settings.findings) and len(settings.rings) and len(settings.limbs) == 2


def _all_hidden() -> None:
    _ready()
    for item in bpy.context.scene.objects:
        item.hide_set(True)


def _all_out_of_the_view_layer() -> None:
    _ready()
    away = bpy.data.collections.new("Away")
    bpy.context.scene.collection.children.link(away)
    for item in list(bpy.context.scene.objects):
        away.objects.link(item)
        bpy.context.scene.collection.objects.unlink(item)
    bpy.context.view_layer.layer_collection.children["Away"].exclude = True


def _cage_among_several_in_edit_mode() -> None:
    _ready()
    bpy.ops.object.select_all(action="SELECT")
    bpy.context.view_layer.objects.active = bpy.context.scene.ringwright.cage
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")


def _cage_hidden_in_edit_mode() -> None:
    _ready()
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.mesh.hide()


def _linked_target_and_cage() -> None:
    """Both from another file, where nothing can be changed."""
    for name in ("Target", "Cage"):
        bpy.ops.mesh.primitive_uv_sphere_add()
        bpy.context.object.name = name
    path = str(Path(tempfile.mkdtemp()) / "other.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    with bpy.data.libraries.load(path, link=True) as (_, wanted):
        wanted.objects = ["Target", "Cage"]
    for item in wanted.objects:
        bpy.context.scene.collection.objects.link(item)
        setattr(bpy.context.scene.ringwright, item.name.lower(), item)
        bpy.context.view_layer.objects.active = item


def _pose_mode() -> None:
    bpy.ops.object.armature_add()
    bpy.ops.object.mode_set(mode="POSE")


def _curve_in_edit_mode() -> None:
    bpy.ops.curve.primitive_bezier_curve_add()
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.curve.delete(type="VERT")


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
    _nothing, _nothing_active, _ready, _all_hidden, _all_out_of_the_view_layer, _cage_among_several_in_edit_mode,
    _cage_hidden_in_edit_mode, _linked_target_and_cage, _pose_mode, _curve_in_edit_mode, _empty_mesh, _light, _lattice_in_edit_mode,
    _edit_mode_without_selection, _two_in_edit_mode, _sculpt_mode, _hidden_target, _deleted_target_and_cage, _broken_plan,
    _plan_far_from_target,
)


TRIALS = 2
"""Times that a change is looked for again: the host saves addresses, too, and may now and then move what nobody has touched."""


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.__name__.strip("_"))
def test_every_operator_works_or_refuses_in_one_sentence(place: Callable[[], None], tmp_path: Path,
                                                         monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # what an operator writes without being told where
    faults: dict[str, str] = {}
    before: dict[str, str] = {}
    for name in OPERATORS:
        if not before:
            before = _stand(place)
        refusal = _refusal(name)
        if refusal is None:
            before = {}  # it has worked, and the place must be set up anew
            continue
        changed = _changed_since(before)
        for _ in range(TRIALS):
            if changed:
                changed &= _changed_by(place, name)
                before = {}
        if fault := _fault(refusal) or (f"has changed {sorted(changed)} and says: {refusal}" if changed else ""):
            faults[name] = fault
            before = {}
    assert not faults, "\n".join(f"{name}: {fault}" for name, fault in faults.items())


def _stand(place: Callable[[], None]) -> dict[str, str]:
    """Set a place up in an empty file; returns what the host would save."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    place()
    settings = bpy.context.scene.ringwright
    assert all(hasattr(settings, each.identifier) for each in settings.bl_rna.properties)  # the host makes them when first asked for
    bpy.context.view_layer.update()
    return _state()


def _changed_since(before: dict[str, str]) -> set[str]:
    after = _state()
    return {block for block in before.keys() | after.keys() if before.get(block) != after.get(block)}


def _changed_by(place: Callable[[], None], name: str) -> set[str]:
    """What an operator changes in a place that is set up anew."""
    before = _stand(place)
    _refusal(name)
    return _changed_since(before)


def _state() -> dict[str, str]:
    """What the host would save; of meshes, whose arrays it moves about in memory as it saves, the content."""
    saved = saved_bytes()
    for item in bpy.context.scene.objects:
        if item.type == "MESH":
            saved[f"ME {item.data.name}"] = _content(item)
    return saved


def _content(item: bpy.types.Object) -> str:
    """Vertices, what is selected and hidden of them, and faces; from the mesh under edit where it is."""
    host = bmesh.from_edit_mesh(item.data) if item.mode == "EDIT" else bmesh.new()
    if item.mode != "EDIT":
        host.from_mesh(item.data)
    vertices = [(*vertex.co, vertex.select, vertex.hide) for vertex in host.verts]
    content = str((vertices, [[vertex.index for vertex in face.verts] for face in host.faces], item.data.attributes.keys()))
    if item.mode != "EDIT":
        host.free()
    return content


def _refusal(name: str) -> str | None:
    """Why the operator refuses; None where it works or has nothing to do."""
    try:
        result = getattr(bpy.ops.ringwright, name.partition(".")[2])()
    except RuntimeError as refusal:
        return str(refusal).removeprefix("Error: ").strip()
    assert result in ({"FINISHED"}, {"CANCELLED"}), name
    return None


def _fault(refusal: str) -> str:
    """What is wrong with the words of a refusal; empty where they are one sentence."""
    if "Traceback" in refusal or "\n" in refusal:
        return refusal
    if "context is incorrect" in refusal:
        return "the poll gives no reason"
    return "" if 20 < len(refusal) < 400 else f"no sentence: {refusal}"


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


def test_plan_and_pointers_on_a_cage_survive_saving_and_loading(tmp_path: Path) -> None:
    for name in ("target", "cage"):
        bpy.ops.mesh.primitive_cube_add()
        bpy.context.object.name = name
        setattr(bpy.context.scene.ringwright, name, bpy.context.object)
    for z in (0, 5):
        bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (0, 0, z + part)} for part in (0, 1, 3)], sides=8 + z // 5 * 4)
    bpy.ops.ringwright.add_splice(upper="limb", lower="limb.2")
    text = bpy.data.objects["cage"]["ringwright_plan"]
    path = str(tmp_path / "cage.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    settings = bpy.context.scene.ringwright
    assert (settings.target.name, settings.cage.name) == ("target", "cage")
    assert bpy.data.objects["cage"]["ringwright_plan"] == text and [row.sides for row in settings.limbs] == [8, 12]
