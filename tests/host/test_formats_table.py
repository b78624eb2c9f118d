"""Every cell of the table in docs/formats.md, held against files of a set that were read by other means than the export's own check."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from ringwright.addon.cage_object import place_cage
from ringwright.addon.export_set import KINDS, write_set
from ringwright.addon.files import PLAN_PROPERTY
from ringwright.addon.mesh_bridge import read_uvs, write_uvs
from ringwright.addon.rigging import MARKER_PREFIX, animate_rig, bind_cage, create_rig, pose_rig
from ringwright.core.flex import flex_test, skinned
from ringwright.core.flex_report import animation_poses
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.polymesh import FloatArray
from ringwright.core.skeleton import skeleton_of
from support.tubes import tube

pytestmark = pytest.mark.usefixtures("extension")

DOCS = Path(__file__).resolve().parents[2] / "docs" / "formats.md"
METRES = 0.01
"""The scene counts in centimetres: an arm of eight units is eight centimetres long."""
PLAN = LimbPlan((Limb("arm", np.array([[1, 0, 0], [1, 0.1, 3], [1, 0.6, 6], [1, 1.5, 8.0]]), sides=12),))
MESH = tube(12, 17, spacing=0.5, base=(1, 0, 0))
UVS = np.random.default_rng(1).random((len(MESH.corner_verts), 2)).astype(np.float32).astype(float)
BENT = 70.0


@dataclass(frozen=True)
class Written:
    """One file of a set, and the weights that the cage had: bone to weight by vertex."""

    path: Path
    weights: list[dict[str, float]]

    def loaded(self) -> tuple[bpy.types.Object, bpy.types.Object | None]:
        """The cage and the rig that the host reads out of the file."""
        kind, path = self.path.suffix, str(self.path)
        if kind == ".blend":
            with bpy.data.libraries.load(path) as (inside, wanted):
                wanted.scenes = inside.scenes
            bpy.context.window.scene = wanted.scenes[0]
        elif kind == ".glb":
            bpy.ops.import_scene.gltf(filepath=path, merge_vertices=False, disable_bone_shape=True)
        elif kind == ".fbx":
            bpy.ops.wm.fbx_import(filepath=path)
        else:
            bpy.ops.wm.obj_import(filepath=path, forward_axis="Y", up_axis="Z")
        bpy.context.view_layer.update()
        cage = next(each for each in bpy.context.scene.objects if each.type == "MESH" and len(each.data.vertices) > 100)
        return cage, next((each for each in bpy.context.scene.objects if each.type == "ARMATURE"), None)

    def places(self, *, bent: bool = False) -> FloatArray:
        """The cage's vertices in the world, at rest or as the rig bends them."""
        cage, _ = self.loaded()
        item = cage.evaluated_get(bpy.context.evaluated_depsgraph_get()) if bent else cage
        return np.array([list(cage.matrix_world @ vertex.co) for vertex in item.data.vertices])

    def gltf(self) -> dict[str, Any]:
        """The JSON chunk of a .glb."""
        content = self.path.read_bytes()
        return dict(json.loads(content[20 : 20 + struct.unpack("<I", content[12:16])[0]]))

    def fbx(self) -> tuple[dict[str, int], list[Any]]:
        """Settings of an .fbx and its objects."""
        from io_scene_fbx import parse_fbx

        root, _ = parse_fbx.parse(str(self.path))
        parts = {each.id: each for each in root.elems}
        (table,) = (each for each in parts[b"GlobalSettings"].elems if each.id == b"Properties70")
        return {each.props[0].decode(): each.props[4] for each in table.elems}, parts[b"Objects"].elems


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sets")


def written(folder: Path, name: str) -> dict[str, Written]:
    """The set of a rig that is bent ("posed") or carries the flex test's animation ("moving"), written once."""
    skeleton = skeleton_of(PLAN)
    weights = skinned(MESH, skeleton).weights
    of_vertices = [{skeleton.bones[bone].name: float(weight) for bone, weight in zip(bones, row, strict=True) if weight > 0}
                   for bones, row in zip(weights.bones, weights.weights, strict=True)]
    files = {kind: folder / f"{name}{kind}" for kind in KINDS}
    if not all(file.exists() for file in files.values()):
        scene = bpy.context.scene
        scene.unit_settings.scale_length = METRES
        rings = np.arange(MESH.vertex_count, dtype=np.int32) // 12
        item = place_cage(scene, MESH.with_attributes(vertex__limb=np.zeros_like(rings), vertex__ring=rings))
        item[PLAN_PROPERTY] = "a plan"
        write_uvs(item.data, UVS)
        rig = create_rig(scene, skeleton)
        bind_cage(item, rig, skeleton, weights)
        if name == "posed":
            pose_rig(rig, skeleton, {1: (BENT, 0.0, 0.0)})
        else:
            scene.frame_end = animate_rig(scene, rig, skeleton, animation_poses(flex_test(skinned(MESH, skeleton))))
        bpy.context.view_layer.update()
        write_set(folder, name, item, rig, METRES)
        bpy.ops.wm.read_factory_settings(use_empty=True)
    return {kind: Written(file, of_vertices) for kind, file in files.items()}


def quads_kept(file: Written) -> bool:
    return [len(face.vertices) for face in file.loaded()[0].data.polygons] == [4] * 192


def two_triangles_a_quad(file: Written) -> bool:
    (primitive,) = file.gltf()["meshes"][0]["primitives"]
    return primitive.get("mode", 4) == 4 and file.gltf()["accessors"][primitive["indices"]]["count"] == 3 * 2 * 192


def vertices_kept(file: Written) -> bool:
    return len(file.loaded()[0].data.vertices) == 204


def vertices_doubled(file: Written) -> bool:
    """In the file more than there are places, since every corner has texture coordinates of its own here; the places are kept."""
    document = file.gltf()
    count = document["accessors"][document["meshes"][0]["primitives"][0]["attributes"]["POSITION"]]["count"]
    return count > 204 and len(np.unique(np.round(file.places() / METRES, 5), axis=0)) == 204


def nearest(points: FloatArray, wanted: FloatArray) -> float:
    """Farthest that any wanted point lies from the next of some points."""
    return float(np.linalg.norm(wanted[:, None] - points, axis=2).min(axis=1).max())


def single_precision(unit: float) -> Callable[[Written], bool]:
    return lambda file: nearest(file.places(), unit * MESH.positions) < 1e-6 * unit * 8


def exactly_single_precision(file: Written) -> bool:
    lines = [line.split() for line in file.path.read_text(encoding="utf-8").splitlines() if line.startswith("v ")]
    return np.array_equal(np.array(lines)[:, 1:].astype(np.float32), MESH.positions.astype(np.float32))


def z_up(unit: float) -> Callable[[Written], bool]:
    """Read back, the arm goes eight units up."""
    return lambda file: np.allclose(np.ptp(file.places(), axis=0), unit * np.array([2, 2, 8]), rtol=1e-5)


def y_up_in_the_glb(file: Written) -> bool:
    document = file.gltf()
    accessor = document["accessors"][document["meshes"][0]["primitives"][0]["attributes"]["POSITION"]]
    return np.allclose(np.subtract(accessor["max"], accessor["min"]), METRES * np.array([2, 8, 2]), rtol=1e-5) and z_up(METRES)(file)


def y_up_in_the_fbx(file: Written) -> bool:
    settings, _ = file.fbx()
    return (settings["UpAxis"], settings["UpAxisSign"]) == (1, 1) and z_up(METRES)(file)


def scenes_unit(file: Written) -> bool:
    file.loaded()
    return bpy.context.scene.unit_settings.scale_length == pytest.approx(METRES) and z_up(1.0)(file)


def centimetres_in_the_fbx(file: Written) -> bool:
    """A unit of the file is a centimetre by its own word."""
    settings, _ = file.fbx()
    return settings["UnitScaleFactor"] == 1.0 and z_up(METRES)(file)


def map_kept(file: Written) -> bool:
    """Every corner's coordinates are there, told by where they are, whatever the order of faces; triangles share the quads' corners."""
    cage, _ = file.loaded()
    own = read_uvs(cage.data)
    return own is not None and {tuple(each) for each in np.round(own, 4).tolist()} == {tuple(each) for each in np.round(UVS, 4).tolist()}


def bones_kept(file: Written) -> bool:
    _, rig = file.loaded()
    found = {bone.name: bone.parent.name if bone.parent else "" for bone in rig.data.bones} if rig else {}
    return found == {"arm.1": "", "arm.2": "arm.1", "arm.3": "arm.2"}


def no_bones(file: Written) -> bool:
    cage, rig = file.loaded()
    return rig is None and not cage.vertex_groups


def weights_kept(file: Written) -> bool:
    """By place, since kinds number vertices anew."""
    cage, _ = file.loaded()
    unit = 1.0 if file.path.suffix == ".blend" else METRES
    places = np.array([list(cage.matrix_world @ vertex.co) for vertex in cage.data.vertices])
    for vertex, place in zip(cage.data.vertices, places, strict=True):
        wanted = file.weights[int(np.argmin(np.linalg.norm(unit * MESH.positions - place, axis=1)))]
        found = {cage.vertex_groups[each.group].name: each.weight for each in vertex.groups if each.weight > 1e-4}
        if any(abs(found.get(name, 0.0) - wanted.get(name, 0.0)) > 2e-4 for name in {*found, *wanted}):
            return False
    return True


def four_weights(file: Written) -> bool:
    attributes = file.gltf()["meshes"][0]["primitives"][0]["attributes"]
    return "WEIGHTS_0" in attributes and "WEIGHTS_1" not in attributes and weights_kept(file)


def stands_bent(file: Written) -> bool:
    return nearest(file.places(bent=True), file.places()) > 1.0


def at_rest(file: Written) -> bool:
    return nearest(file.places(bent=True), file.places()) < 1e-4 * METRES * 8


def moves_in_its_frames(file: Written) -> bool:
    _, rig = file.loaded()
    scene = bpy.context.scene
    markers = [marker.frame for marker in scene.timeline_markers if marker.name.startswith(MARKER_PREFIX)]
    moving = []
    for frame in markers:
        scene.frame_set(frame)
        moving.append(any(bone.rotation_quaternion.angle > 0.1 for bone in rig.pose.bones) if rig else False)
    return len(moving) >= 2 and all(moving) and scene.frame_start <= min(markers) and max(markers) < scene.frame_end


def no_animation(file: Written) -> bool:
    if file.path.suffix == ".glb":
        return "animations" not in file.gltf()
    return not [each for each in file.fbx()[1] if each.id in (b"AnimationCurve", b"AnimationStack")]


def none_in_the_obj(file: Written) -> bool:
    return {line.split()[0] for line in file.path.read_text(encoding="utf-8").splitlines()} == {"o", "v", "vt", "f"}


def plan_on_the_cage(file: Written) -> bool:
    return file.loaded()[0].get(PLAN_PROPERTY) == "a plan"


def no_plan(file: Written) -> bool:
    return b"a plan" not in file.path.read_bytes() and PLAN_PROPERTY not in file.loaded()[0]


def attributes_kept(file: Written) -> bool:
    own = file.loaded()[0].data.attributes
    return [each.value for each in own["ring"].data] == [index // 12 for index in range(204)] and "limb" in own


def no_attributes(file: Written) -> bool:
    return not {"limb", "ring", "_LIMB", "_RING"} & set(file.loaded()[0].data.attributes.keys())


Cell = tuple[str, Callable[[Written], bool]]
ROWS: dict[str, tuple[Cell, Cell, Cell, Cell]] = {
    "quads": (("kept", quads_kept), ("split into two triangles each: the format has no quads", two_triangles_a_quad),
              ("kept", quads_kept), ("kept", quads_kept)),
    "vertices": (("kept", vertices_kept), ("kept; doubled in the file where normals or the texture map have seams", vertices_doubled),
                 ("kept", vertices_kept), ("kept", vertices_kept)),
    "positions": (("single precision", single_precision(1.0)), ("single precision", single_precision(METRES)),
                  ("single precision", single_precision(METRES)), ("nine digits: single precision exactly", exactly_single_precision)),
    "axes": (("z up", z_up(1.0)), ("turned to y up in the file, back on import", y_up_in_the_glb),
             ("y up in the file, back on import", y_up_in_the_fbx), ("as they are: z up", z_up(1.0))),
    "scale": (("as it is, the scene's unit with it", scenes_unit), ("metres", z_up(METRES)),
              ("centimetres in the file, metres on import", centimetres_in_the_fbx), ("as it is", z_up(1.0))),
    "texture map": (("kept", map_kept), ("kept", map_kept), ("kept", map_kept), ("kept", map_kept)),
    "bones, names, parents": (("kept", bones_kept), ("kept", bones_kept), ("kept", bones_kept), ("none", no_bones)),
    "skin weights": (("kept", weights_kept), ("four a vertex, as they are made", four_weights), ("kept", weights_kept), ("none", no_bones)),
    "pose of the rig": (("as it stands", stands_bent), ("at rest", at_rest), ("at rest", at_rest), ("none", no_bones)),
    "flex animation": (("kept, with the scene's frames and markers", moves_in_its_frames), ("left out", no_animation),
                       ("left out", no_animation), ("none", none_in_the_obj)),
    "limb plan": (("on the cage", plan_on_the_cage), ("none", no_plan), ("none", no_plan), ("none", no_plan)),
    "limb and ring attributes": (("kept", attributes_kept), ("left out", no_attributes), ("left out", no_attributes),
                                 ("none", none_in_the_obj)),
}


def test_the_table_says_what_is_tested_here() -> None:
    lines = DOCS.read_text(encoding="utf-8").split("\n\n")[2].splitlines()
    table = {name: tuple(cells) for name, *cells in ([cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:])}
    assert lines[0].split("|")[2:6] == [f" {kind} " for kind in KINDS]
    assert table == {name: tuple(text for text, _ in cells) for name, cells in ROWS.items()}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("row", ROWS)
def test_every_cell_of_the_table_is_true(row: str, kind: str, folder: Path) -> None:
    text, is_true = ROWS[row][KINDS.index(kind)]
    file = written(folder, "moving" if row == "flex animation" else "posed")[kind]
    assert is_true(file), f"{row}, {kind}: {text}"
