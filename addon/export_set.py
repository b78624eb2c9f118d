"""The set of files that is handed on: .blend, .glb, .fbx and .obj of one cage with its rig, each read back and checked.

What each kind keeps stands in docs/formats.md. Nothing is left behind where one of them cannot be written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import bpy
import numpy as np
from mathutils import Matrix

from ..core.adjacency import build_adjacency
from ..core.defects import loose_vertices
from ..core.errors import FileError, MeshError
from ..core.polymesh import FloatArray, PolyMesh
from .borrowed import imported_objects, private_scene
from .cage_object import read_cage
from .gltf_check import Validated, require_valid
from .mesh_bridge import read_uvs
from .obj_text import write_obj
from .quiet import quiet_host
from .written_beside import check_free, failure_reason, made_folder, move_together, scratch_folder, system_reason

KINDS = (".blend", ".glb", ".fbx", ".obj")
"""Endings of the set, in the order in which they are written."""
OWN_UNITS = (".blend", ".obj")
"""Kinds that keep the scene's own unit."""
SAME_PLACE = 2e-6
"""Coordinates may come back this share of the cage's diagonal off: single precision and six decimals of the kinds."""


@dataclass(frozen=True)
class FileFacts:
    """What a written file holds, as it was read back.

    quads, faces : numbers of faces
    vertices : distinct places
    bones : names, sorted; empty without a rig
    groups : names of bones that move the mesh, sorted
    bounds : (2, 3) float64, lowest and highest corner in the world
    mapped : whether it has texture coordinates
    """

    quads: int
    faces: int
    vertices: int
    bones: tuple[str, ...]
    groups: tuple[str, ...]
    bounds: FloatArray
    mapped: bool


@dataclass(frozen=True)
class WrittenSet:
    """A set that was written and read back.

    files : by ending
    validated : what the Khronos validator said of the .glb
    """

    files: dict[str, Path]
    validated: Validated


def write_set(folder: Path, name: str, cage: bpy.types.Object, rig: bpy.types.Object | None, metres: float = 1.0) -> WrittenSet:
    """Write all kinds into a folder, read each back and let the .glb be validated where the validator is installed.

    folder : made where it is missing
    name : of the files, without ending
    cage, rig : as they stand in the context's scene; the rig at rest
    metres : length of one unit; .glb and .fbx come out in metres and centimetres, as their kinds have it
    Raises FileError where a file cannot be written, where what is read back is not what was written, or where the .glb is not valid;
    then all files are as they were before; MeshError where the cage has vertices that the kinds do not keep alike.
    """
    if not name.strip(" .") or any(sign in name for sign in "/\\") or not name.isprintable():
        raise FileError(f"{name!r} is no file name; give one without folders.")
    files = {kind: folder / f"{name}{kind}" for kind in KINDS}
    _check_not_open(files[".blend"])
    _check_no_loose(cage)
    check_free(tuple(files.values()))
    expected = _facts_of([cage], [rig] if rig else [])
    with made_folder(folder), scratch_folder(files[".blend"]) as scratch:
        for kind, file in files.items():
            part = scratch / file.name
            _write(kind, part, cage, rig, metres)
            check_kept(read_back(part), expected if kind in OWN_UNITS else replace(expected, bounds=metres * expected.bounds), file)
        validated = require_valid(scratch / files[".glb"].name)
        move_together(scratch, tuple(files.values()))
    return WrittenSet(files, validated)


def _check_not_open(file: Path) -> None:
    if bpy.data.filepath and file.resolve() == Path(bpy.data.filepath).resolve():
        raise FileError(f"{file.name} is the file that is open, which would be lost; give the set another name or folder.")


def _check_no_loose(cage: bpy.types.Object) -> None:
    loose = len(loose_vertices(build_adjacency(read_cage(cage))))
    if loose:
        raise MeshError(f"Vertices of the cage that belong to no face: {loose}; not all kinds of files keep them, so delete them first "
                        "(Mesh > Clean Up > Delete Loose).")


def _write(kind: str, part: Path, cage: bpy.types.Object, rig: bpy.types.Object | None, metres: float) -> None:
    timeline = bpy.context.scene
    try:
        with private_scene() as scene, quiet_host(), _as_written(kind, cage, rig, metres) as items, _at_rest(kind, rig):
            scene.unit_settings.scale_length = metres
            _take_timeline(scene, timeline)
            for item in items:
                scene.collection.objects.link(item)
            scene.view_layers[0].update()
            _WRITERS[kind](part, scene, items[0])
    except (RuntimeError, OSError) as error:
        raise FileError(f"{part.name} could not be written: {failure_reason(error, part.parent)}; nothing was changed.") from error
    if not part.exists():
        raise FileError(f"{part.name} could not be written by the host; nothing was changed.")


def _take_timeline(scene: bpy.types.Scene, other: bpy.types.Scene) -> None:
    """Give a scene another one's frames and markers, so that a stored animation can be scrubbed there."""
    scene.render.fps, scene.render.fps_base = other.render.fps, other.render.fps_base
    scene.frame_end, scene.frame_start = other.frame_end, other.frame_start
    for marker in other.timeline_markers:
        scene.timeline_markers.new(marker.name, frame=marker.frame)


@contextmanager
def _as_written(kind: str, cage: bpy.types.Object, rig: bpy.types.Object | None, metres: float) -> Iterator[list[bpy.types.Object]]:
    """The objects that are written, the cage first: for .glb copies in metres under the same names, removed by the private scene.

    There the cage stands off its rig: a skinned mesh must be a root, since readers ignore what moves its parents.
    """
    items = [item for item in (cage, rig) if item is not None]
    if kind != ".glb":
        yield items
        return
    names = [(block, block.name) for item in items for block in (item, item.data)]
    copies = [_copy_in_metres(item, metres) for item in items]
    try:
        for block, name in names:
            block.name = f"{name} (written)"
        for copy, item in zip(copies, range(0, len(names), 2), strict=True):
            copy.name, copy.data.name = names[item][1], names[item + 1][1]
        for modifier in copies[0].modifiers:
            if modifier.type == "ARMATURE" and modifier.object == rig:
                modifier.object = copies[-1]
        yield copies
    finally:
        for copy in copies:
            copy.name = copy.data.name = "Ringwright written"
        for block, name in names:
            block.name = name


@contextmanager
def _at_rest(kind: str, rig: bpy.types.Object | None) -> Iterator[None]:
    """A rig that stands at rest however it is bent, for .fbx, which would keep the bend as its pose."""
    if rig is None or kind != ".fbx":
        yield
        return
    before = rig.data.pose_position
    rig.data.pose_position = "REST"
    try:
        yield
    finally:
        rig.data.pose_position = before


def _copy_in_metres(item: bpy.types.Object, metres: float) -> bpy.types.Object:
    """A copy of an object and its data without a parent, in the same place, all lengths in metres."""
    matrix = item.matrix_world.copy()
    copy = item.copy()
    copy.data = item.data.copy()
    copy.data.transform(Matrix.Scale(metres, 4))
    copy.parent = None
    matrix.translation *= metres
    copy.matrix_world = matrix
    return copy


def _write_blend(part: Path, scene: bpy.types.Scene, _: bpy.types.Object) -> None:
    scene.name = part.stem
    bpy.data.libraries.write(str(part), {scene})


def _write_glb(part: Path, _: bpy.types.Scene, cage: bpy.types.Object) -> None:
    bpy.ops.export_scene.gltf(filepath=str(part), export_format="GLB", use_active_scene=True, export_animations=False,
                              export_influence_nb=4, export_apply=False, export_texcoords=bool(cage.data.uv_layers))


def _write_fbx(part: Path, _: bpy.types.Scene, __: bpy.types.Object) -> None:
    bpy.ops.export_scene.fbx(filepath=str(part), object_types={"MESH", "ARMATURE"}, mesh_smooth_type="FACE", add_leaf_bones=False,
                             bake_anim=False, use_mesh_modifiers=False)


def _write_obj(part: Path, _: bpy.types.Scene, cage: bpy.types.Object) -> None:
    write_obj(part, read_cage(cage), cage.name, read_uvs(cage.data))


_WRITERS: dict[str, Callable[[Path, bpy.types.Scene, bpy.types.Object], None]] = {
    ".blend": _write_blend, ".glb": _write_glb, ".fbx": _write_fbx, ".obj": _write_obj}


def read_back(path: Path) -> FileFacts:
    """What a file of the set holds.

    Raises FileError where the host cannot read it.
    """
    try:
        with private_scene() as scene, quiet_host():
            objects = _READERS[path.suffix](path)
            for item in objects:
                if item.name not in scene.collection.all_objects:
                    scene.collection.objects.link(item)
            scene.view_layers[0].update()
            return _facts_of([item for item in objects if item.type == "MESH"], [item for item in objects if item.type == "ARMATURE"])
    except RuntimeError as error:
        raise FileError(f"{path.name} cannot be read back: {system_reason(error)}.") from error


def _appended(path: Path) -> list[bpy.types.Object]:
    with bpy.data.libraries.load(str(path), link=True) as (inside, wanted):
        wanted.objects = list(inside.objects)
    return [item for item in wanted.objects if item is not None]


_READERS: dict[str, Callable[[Path], list[bpy.types.Object]]] = {
    ".blend": _appended,
    ".glb": partial(imported_objects, bpy.ops.import_scene.gltf, merge_vertices=False, disable_bone_shape=True),
    ".fbx": partial(imported_objects, bpy.ops.wm.fbx_import, use_anim=False),
    ".obj": partial(imported_objects, bpy.ops.wm.obj_import, forward_axis="Y", up_axis="Z"),
}


def _facts_of(meshes: Sequence[bpy.types.Object], rigs: Sequence[bpy.types.Object]) -> FileFacts:
    parts = [read_cage(item) for item in meshes]
    points = np.concatenate([part.positions for part in parts]) if parts else np.zeros((1, 3))
    bones = sorted(bone.name for rig in rigs for bone in rig.data.bones)
    groups = sorted({name for item in meshes for name in _moving_groups(item)} & set(bones))
    return FileFacts(sum(int(np.count_nonzero(part.face_sizes == 4)) for part in parts), sum(part.face_count for part in parts),
                     sum(_places(part) for part in parts), tuple(bones), tuple(groups), np.array([points.min(axis=0), points.max(axis=0)]),
                     any(bool(item.data.uv_layers) for item in meshes))


def _places(mesh: PolyMesh) -> int:
    return len(np.unique(mesh.positions.astype(np.float32), axis=0))


def _moving_groups(item: bpy.types.Object) -> set[str]:
    used = {element.group for vertex in item.data.vertices for element in vertex.groups if element.weight > 0}
    return {group.name for group in item.vertex_groups if group.index in used}


def check_kept(found: FileFacts, expected: FileFacts, file: Path) -> None:
    """Compare what was read back with what was written, as far as the file's kind keeps it.

    Raises FileError that names the first thing that is missing.
    """
    kind = file.suffix
    triangles = kind == ".glb"
    wanted_faces = 2 * expected.quads + (expected.faces - expected.quads) if triangles else expected.faces
    checks: list[tuple[str, object, object]] = [("faces", wanted_faces, found.faces), ("vertices", expected.vertices, found.vertices),
                                                ("map", expected.mapped, found.mapped)]
    if not triangles:
        checks.append(("quads", expected.quads, found.quads))
    if kind != ".obj":
        checks += [("bones", expected.bones, found.bones), ("bones that move the cage", expected.groups, found.groups)]
    for what, wanted, came in checks:
        if wanted != came:
            raise FileError(f"{file.name} was read back with other {what} than were written ({_shown(came)} instead of {_shown(wanted)}); "
                            "no file was kept.")
    size = float(np.linalg.norm(expected.bounds[1] - expected.bounds[0]))
    if np.abs(found.bounds - expected.bounds).max() > SAME_PLACE * max(size, 1e-300):
        raise FileError(f"{file.name} was read back in another place or size than it was written; no file was kept.")


def _shown(value: object) -> str:
    text = str(value)
    return text if len(text) <= 80 else text[:80] + " ..."
