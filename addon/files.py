"""Read and write meshes by the host's own importers and exporters; .obj is written here, with every digit.

.obj, .ply and .stl keep their axes and scale, so that file, plan and world coordinates agree; .glb,
.gltf and .fbx follow their own rules both ways. An output is written in a folder beside its place
and moved there when it is whole.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import bpy
import numpy as np

from ..core.errors import FileError
from ..core.object_findings import ObjectFacts
from ..core.polymesh import FloatArray, IntArray, PolyMesh
from .borrowed import imported_objects, private_scene
from .host_surface import read_evaluated
from .mesh_bridge import create_mesh, read_loose_edges, read_uvs, write_uvs
from .obj_text import write_obj
from .quiet import quiet_host
from .raw_positions import count_broken_positions
from .written_beside import scratch_folder, system_reason, written_beside

PLAN_PROPERTY = "ringwright_plan"
"""Custom property of a cage object that holds its limb plan's text."""

_SPLIT_KINDS = (".glb", ".gltf")
"""Kinds that hold a vertex once for every normal and texture coordinate that it has."""
_MAPPED = (".blend", ".glb", ".gltf", ".fbx")
"""Kinds that keep a map and every vertex once; a .ply would part vertices along its seams."""
_SAME_AXES = {"forward_axis": "Y", "up_axis": "Z"}


class Source(NamedTuple):
    """A file, and the name of one object in it or None for all of them together."""

    path: Path
    object_name: str | None


def parse_source(text: str) -> Source:
    """Split FILE[:OBJECT]; a colon counts where it follows a known ending."""
    if not Path(text).exists():
        for place in (index for index, letter in enumerate(text) if letter == ":"):
            if Path(text[:place]).suffix.lower() in _READERS and text[place + 1 :]:
                return Source(Path(text[:place]), text[place + 1 :])
    return Source(Path(text), None)


def read_mesh(source: str | Path) -> PolyMesh:
    """Read FILE[:OBJECT]: modifiers applied, in world coordinates, several objects joined unless one is named.

    Raises FileError where the file is missing, empty, broken or of an unknown kind, where there is no such object,
    no face, or a coordinate that is not a number.
    """
    with _opened(source) as (path, scene, objects):
        parts = [read_evaluated(item, scene.view_layers[0].depsgraph) for item in objects]
    return _whole(parts, path, source)


def shown_objects(source: str | Path) -> list[str]:
    """Names of the objects that ``read_mesh`` reads from FILE[:OBJECT]."""
    with _opened(source) as (_, _, objects):
        return [item.name for item in objects]


def read_weights(source: str | Path, name: str) -> FloatArray:
    """Weight of every vertex in a vertex group, in the order of ``read_mesh``, (V,) float64; 0 in objects without such a group.

    Raises FileError where the file is no .blend, or none of its objects has the group.
    """
    path, object_name = parse_source(str(source))
    _check_input(path)
    if path.suffix.lower() != ".blend":
        raise FileError(f"{path} keeps no vertex groups; only a .blend does.")
    with private_scene() as scene:
        objects = _load(path, scene, object_name)
        depsgraph = scene.view_layers[0].depsgraph
        if not any(name in item.vertex_groups for item in objects):
            known = sorted({group.name for item in objects for group in item.vertex_groups})
            raise FileError(f'No object in {path} has a vertex group "{name}"; there are {", ".join(known) or "none"}.')
        return np.concatenate([_weights(item.evaluated_get(depsgraph), name) for item in objects])


def _weights(evaluated: bpy.types.Object, name: str) -> FloatArray:
    group = evaluated.vertex_groups.get(name)
    try:
        vertices = evaluated.to_mesh().vertices
        return np.array([next((own.weight for own in vertex.groups if group is not None and own.group == group.index), 0.0)
                         for vertex in vertices])
    finally:
        evaluated.to_mesh_clear()


def read_plan_text(source: str | Path) -> str | None:
    """The limb plan that is stored with a cage in a .blend file, or None."""
    path, object_name = parse_source(str(source))
    _check_input(path)
    if path.suffix.lower() != ".blend":
        return None
    with private_scene() as scene:
        texts = [item.get(PLAN_PROPERTY) for item in _load(path, scene, object_name)]
    return next((text for text in texts if isinstance(text, str)), None)


@dataclass(frozen=True)
class MeshFile:
    """A mesh and what its file says besides.

    mesh : as ``read_mesh`` gives it
    objects : names, transforms and sizes of the mesh objects in a .blend file; other kinds keep none that mean something
    uvs : (C, 2) float64, map coordinates of every corner; None where there is no map, or several objects each with its own
    loose_edges : (k, 2) int32, vertices of the edges without a face; None where there are several objects
    """

    mesh: PolyMesh
    objects: tuple[ObjectFacts, ...]
    uvs: FloatArray | None
    loose_edges: IntArray | None


def read_mesh_file(source: str | Path) -> MeshFile:
    """Read FILE[:OBJECT] once, with what an inspection wants to know of it.

    Raises FileError as ``read_mesh`` does.
    """
    with _opened(source) as (path, scene, objects):
        depsgraph = scene.view_layers[0].depsgraph
        parts = [read_evaluated(item, depsgraph) for item in objects]
        facts = tuple(ObjectFacts(item.name, np.array(item.matrix_world, dtype=np.float64), _extent(item, scene)) for item in objects)
        uvs, loose = _read_besides(objects[0], depsgraph) if len(objects) == 1 else (None, None)
    welded = path.suffix.lower() in _SPLIT_KINDS  # its vertices are numbered anew
    return MeshFile(_whole(parts, path, source), facts if path.suffix.lower() == ".blend" else (), uvs, None if welded else loose)


def _whole(parts: list[PolyMesh], path: Path, source: str | Path) -> PolyMesh:
    """The objects of a file as one sound mesh."""
    return _checked(_join([_welded(part) for part in parts] if path.suffix.lower() in _SPLIT_KINDS else parts), str(source))


def _read_besides(item: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> tuple[FloatArray | None, IntArray]:
    """Map coordinates and loose edges of an object as it is seen."""
    evaluated = item.evaluated_get(depsgraph)
    try:
        host_mesh = evaluated.to_mesh()
        return read_uvs(host_mesh), read_loose_edges(host_mesh)
    finally:
        evaluated.to_mesh_clear()


def _extent(item: bpy.types.Object, scene: bpy.types.Scene) -> float:
    corners = np.array(item.bound_box, dtype=np.float64) @ np.array(item.matrix_world, dtype=np.float64)[:3, :3].T
    return float(np.ptp(corners, axis=0).max()) * float(scene.unit_settings.scale_length)


def write_mesh(path: str | Path, mesh: PolyMesh, name: str = "cage", plan_text: str | None = None, uvs: FloatArray | None = None) -> None:
    """Write a mesh; the file's ending chooses its kind.

    name : of the object, where the file kind has names
    plan_text : a limb plan, stored with the object in a .blend file
    uvs : (C, 2) float64, map coordinates of every corner; left out of kinds that keep none, or part vertices for them

    Raises FileError where the ending is unknown or the file cannot be written; no partial file is ever left.
    """
    target = check_output(path)
    with written_beside(target) as part:
        if target.suffix.lower() == ".obj":
            write_obj(part, mesh, name, uvs)
        else:
            _export(part, mesh, name, plan_text, uvs if target.suffix.lower() in _MAPPED else None)
        if not part.exists():
            raise FileError(f"{target} could not be written by the host; try another file kind.")


def check_output(path: str | Path) -> Path:
    """The output's path, once it is sure that a mesh can be written there.

    Raises FileError where the ending is unknown or the folder cannot take the file.
    """
    target = Path(path)
    if target.suffix.lower() not in WRITABLE:
        raise FileError(f"{target} has an ending that cannot be written; use one of {', '.join(WRITABLE)}.")
    if target.is_dir():
        raise FileError(f"{target} is a folder; name a file.")
    with scratch_folder(target):
        return target


def _check_input(path: Path) -> None:
    if path.suffix.lower() not in _READERS:
        raise FileError(f"{path} has an ending that cannot be read; use one of {', '.join(sorted(_READERS))}.")
    try:
        with path.open("rb") as file:
            if not file.read(1):
                raise FileError(f"{path} is empty; export the mesh once more.")
    except OSError as error:
        raise FileError(f"{path} cannot be read: {system_reason(error)}; check the path.") from error


@contextmanager
def _opened(source: str | Path) -> Iterator[tuple[Path, bpy.types.Scene, list[bpy.types.Object]]]:
    """The file of FILE[:OBJECT] and its chosen mesh objects in a private scene, for the length of a with statement."""
    path, object_name = parse_source(str(source))
    _check_input(path)
    with private_scene() as scene:
        yield path, scene, _load(path, scene, object_name)


def _load(path: Path, scene: bpy.types.Scene, object_name: str | None) -> list[bpy.types.Object]:
    """The chosen mesh objects of a file, in the private scene and evaluated."""
    try:
        with quiet_host():
            _refuse_broken(count_broken_positions(path), path)
            chosen = _READERS[path.suffix.lower()](path, object_name)
    except (RuntimeError, OSError, ValueError, LookupError, TypeError, AttributeError, struct.error) as error:
        # the host's importers are partly scripts and fail in all these ways on a broken file
        raise FileError(f"{path} is broken or not what its ending says; export the mesh once more.") from error
    if not chosen:
        raise FileError(f"{path} shows no mesh object; it is broken or holds none.")
    _show(chosen, scene)
    return chosen


def _refuse_broken(count: int, source: object) -> None:
    if count:
        raise FileError(f"{source} has {count} vertices whose coordinates are not numbers; mend or delete them.")


def _named(objects: Iterable[bpy.types.Object], name: str, path: Path) -> list[bpy.types.Object]:
    meshes = {item.name: item for item in objects if item.type == "MESH"}
    if name not in meshes:
        raise FileError(f"{path} has no mesh object named {name!r}; it has: {', '.join(sorted(meshes)) or 'none'}.")
    return [meshes[name]]


def _show(objects: list[bpy.types.Object], scene: bpy.types.Scene) -> None:
    """Link objects into the private scene and evaluate them; the host leaves out what is hidden."""
    for item in objects:
        item.hide_viewport = False
        if item.name not in scene.collection.all_objects:
            scene.collection.objects.link(item)
    scene.view_layers[0].update()


def _join(parts: list[PolyMesh]) -> PolyMesh:
    """Several meshes as one; only what a single one carries besides its faces is kept."""
    if len(parts) == 1:
        return parts[0]
    first_vertices = np.cumsum([0, *(part.vertex_count for part in parts[:-1])])
    first_corners = np.cumsum([0, *(len(part.corner_verts) for part in parts[:-1])])
    corners = [part.corner_verts + first for part, first in zip(parts, first_vertices, strict=True)]
    offsets = [part.face_offsets[1:] + first for part, first in zip(parts, first_corners, strict=True)]
    return PolyMesh(np.concatenate([part.positions for part in parts]), np.concatenate(corners).astype(np.int32),
                    np.concatenate([[0], *offsets]).astype(np.int32))


def _welded(mesh: PolyMesh) -> PolyMesh:
    """Vertices at exactly the same place as one, in the order in which they first appear."""
    _, first, place = np.unique(mesh.positions, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    number = np.empty(len(order), dtype=np.int32)
    number[order] = np.arange(len(order), dtype=np.int32)
    return PolyMesh(mesh.positions[first[order]], number[place.ravel()[mesh.corner_verts]], mesh.face_offsets)


def _checked(mesh: PolyMesh, source: str) -> PolyMesh:
    if not mesh.face_count:
        raise FileError(f"{source} has no faces; give a mesh with a surface.")
    _refuse_broken(int(np.count_nonzero(~np.isfinite(mesh.positions).all(axis=1))), source)
    if mesh.corner_verts.min() < 0 or mesh.corner_verts.max() >= mesh.vertex_count:
        raise FileError(f"{source} has faces that name vertices it does not hold; export the mesh once more.")
    return mesh


def _export(part: Path, mesh: PolyMesh, name: str, plan_text: str | None, uvs: FloatArray | None) -> None:
    with private_scene() as scene, quiet_host():
        item = bpy.data.objects.new(name, create_mesh(name, mesh))
        if uvs is not None:
            write_uvs(item.data, uvs)
        if plan_text is not None:
            item[PLAN_PROPERTY] = plan_text
        scene.collection.objects.link(item)
        scene.view_layers[0].update()
        _WRITERS[part.suffix.lower()](part, scene)


def _read_blend(path: Path, object_name: str | None) -> list[bpy.types.Object]:
    """Links every object; without a name, those that a view layer of one of the file's own scenes shows."""
    with bpy.data.libraries.load(str(path), link=True) as (inside, wanted):
        wanted.objects, wanted.scenes = list(inside.objects), list(inside.scenes)
    objects = [item for item in wanted.objects if item is not None]
    if object_name:
        return _named(objects, object_name, path)
    held = {item for own in wanted.scenes for layer in own.view_layers for item in layer.objects}
    return [item for item in objects if item in held and item.type == "MESH" and not item.hide_viewport]


def _read_obj(path: Path, object_name: str | None) -> list[bpy.types.Object]:
    """Together, the file's groups share their vertices; the host splits them only to find one by name."""
    splits = {"use_split_objects": bool(object_name), "use_split_groups": False}
    return _imported(bpy.ops.wm.obj_import, validate_meshes=False, **splits, **_SAME_AXES)(path, object_name)


def _imported(operator: Callable[..., set[str]], **options: object) -> Callable[[Path, str | None], list[bpy.types.Object]]:
    """A reader that runs one of the host's importers."""

    def read(path: Path, object_name: str | None) -> list[bpy.types.Object]:
        made = imported_objects(operator, path, **options)
        return _named(made, object_name, path) if object_name else [item for item in made if item.type == "MESH"]

    return read


_READERS: dict[str, Callable[[Path, str | None], list[bpy.types.Object]]] = {
    ".blend": _read_blend,
    ".obj": _read_obj,
    ".ply": _imported(bpy.ops.wm.ply_import, **_SAME_AXES),
    ".stl": _imported(bpy.ops.wm.stl_import, use_mesh_validate=False, **_SAME_AXES),
    ".glb": _imported(bpy.ops.import_scene.gltf, merge_vertices=True, disable_bone_shape=True),
    ".gltf": _imported(bpy.ops.import_scene.gltf, merge_vertices=True, disable_bone_shape=True),
    ".fbx": _imported(bpy.ops.wm.fbx_import, use_anim=False, validate_meshes=False),
}


def _exported(operator: Callable[..., set[str]], **options: object) -> Callable[[Path, bpy.types.Scene], None]:
    """A writer that runs one of the host's exporters on the private scene."""

    def write(path: Path, _: bpy.types.Scene) -> None:
        operator(filepath=str(path), **options)

    return write


def _write_blend(path: Path, scene: bpy.types.Scene) -> None:
    bpy.data.libraries.write(str(path), {scene})


_WRITERS: dict[str, Callable[[Path, bpy.types.Scene], None]] = {
    ".blend": _write_blend,
    ".ply": _exported(bpy.ops.wm.ply_export, **_SAME_AXES),
    ".stl": _exported(bpy.ops.wm.stl_export, **_SAME_AXES),
    ".glb": _exported(bpy.ops.export_scene.gltf, export_format="GLB", use_active_scene=True),
    ".gltf": _exported(bpy.ops.export_scene.gltf, export_format="GLTF_SEPARATE", use_active_scene=True),
    ".fbx": _exported(bpy.ops.export_scene.fbx, mesh_smooth_type="FACE", add_leaf_bones=False, bake_anim=False),
}
WRITABLE = tuple(sorted([*_WRITERS, ".obj"]))
"""Endings of the files that write_mesh can write."""
