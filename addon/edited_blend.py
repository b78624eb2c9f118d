"""Write a mesh after an edit, together with all that its object carries in a .blend file, or with the map that other files keep."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import bmesh
import bpy
import numpy as np

from ..core.mesh_edit import MeshEdit
from ..core.polymesh import FloatArray, PolyMesh
from .borrowed import borrowed_data, private_scene
from .cage_object import transformed
from .edited_mesh import carry_edit
from .files import parse_source, read_mesh_file, shown_objects, write_mesh
from .mesh_bridge import create_mesh, read_mesh, read_uvs, write_positions, write_uvs
from .quiet import quiet_host
from .written_beside import written_beside

SAME_PLACE = 1e-6
"""Vertices this near to each other, in the mesh's diagonals, are in one place."""


def write_edited(path: Path, source: str, mesh: PolyMesh, edit: MeshEdit) -> bool:
    """Write FILE[:OBJECT] after a core edit; returns whether what a .blend's object carries stayed behind.

    source : what ``read_mesh`` has read
    mesh : what it gave, where the edit began
    Materials, maps, groups and shape keys go along from a .blend to a .blend where one object is meant and its own mesh is what is
    seen: no modifier and no shape key changes it. Else the mesh is written with its map alone, where it has one.
    """

    def change(item: bpy.types.Object, matrix: FloatArray) -> bool:
        _edit(item, edit, matrix)
        return True

    return _write(path, source, mesh, edit.mesh, change, lambda: _edited_map(source, mesh, edit))


def write_moved(path: Path, source: str, mesh: PolyMesh, positions: FloatArray) -> bool:
    """Write FILE[:OBJECT] with its vertices elsewhere, as ``write_edited`` does; an object with shape keys leaves them behind.

    positions : (V, 3) float64 in the world
    """

    def change(item: bpy.types.Object, matrix: FloatArray) -> bool:
        if item.data.shape_keys is not None:
            return False
        write_positions(item.data, transformed(positions, np.linalg.inv(matrix)))
        item.data.update()
        return True

    return _write(path, source, mesh, mesh.with_positions(positions), change, lambda: read_mesh_file(source).uvs)


def _write(path: Path, source: str, before: PolyMesh, after: PolyMesh, change: Callable[[bpy.types.Object, FloatArray], bool],
           find_uvs: Callable[[], FloatArray | None]) -> bool:
    """Change the object that a .blend holds, or else write the mesh with its map; returns whether something stayed behind.

    change : does it in the object, whose matrix to the world it is told, and returns whether it could
    """
    original = parse_source(source).path
    both = path.suffix.lower() == ".blend" == original.suffix.lower()
    names = shown_objects(source) if both else []
    if len(names) == 1 and _write_object(path, original, names[0], before, change):
        return False
    write_mesh(path, after, uvs=find_uvs())
    return both


def _edited_map(source: str, mesh: PolyMesh, edit: MeshEdit) -> FloatArray | None:
    """Map coordinates of the edited mesh's corners, (C', 2) float64; None where the source has no map."""
    uvs = read_mesh_file(source).uvs
    if uvs is None:
        return None
    with borrowed_data():
        item = bpy.data.objects.new("Ringwright", create_mesh("Ringwright", mesh))
        write_uvs(item.data, uvs)
        _edit(item, edit, np.eye(4))
        return read_uvs(item.data)


def _write_object(path: Path, original: Path, name: str, mesh: PolyMesh, change: Callable[[bpy.types.Object, FloatArray], bool]) -> bool:
    """Whether the object's own mesh is what was read, and so could be changed and written."""
    with private_scene() as scene:
        with quiet_host(), bpy.data.libraries.load(str(original), link=False) as (_, wanted):
            wanted.objects = [name]
        item = wanted.objects[0]
        if item is None:
            return False
        for each in [item, *_above(item)]:
            scene.collection.objects.link(each)
        scene.view_layers[0].update()
        matrix = np.array(item.matrix_world, dtype=np.float64)
        own = read_mesh(item.data, matrix)
        if not _is_same(own, mesh):
            return False
        if not change(item, matrix):
            return False
        with written_beside(path) as part, quiet_host():
            bpy.data.libraries.write(str(part), {scene})
    return True


def _is_same(own: PolyMesh, seen: PolyMesh) -> bool:
    """Whether what is seen of an object is its own mesh; a rig at rest moves vertices by the last digit of single precision."""
    if not np.array_equal(own.corner_verts, seen.corner_verts) or own.positions.shape != seen.positions.shape:
        return False
    size = float(np.linalg.norm(np.ptp(seen.positions, axis=0)))
    return bool(np.abs(own.positions - seen.positions).max(initial=0.0) <= SAME_PLACE * size)


def _above(item: bpy.types.Object) -> list[bpy.types.Object]:
    """The object's parents."""
    return [] if item.parent is None else [item.parent, *_above(item.parent)]


def _edit(item: bpy.types.Object, edit: MeshEdit, matrix: FloatArray) -> None:
    """Do the edit in the object's mesh; the host takes its first shape key for the one under edit."""
    active, item.active_shape_key_index = item.active_shape_key_index, 0
    host = bmesh.new()
    try:
        host.from_mesh(item.data)
        carry_edit(host, edit, transformed(edit.mesh.positions, np.linalg.inv(matrix)), item)
        host.to_mesh(item.data)
    finally:
        host.free()
    item.active_shape_key_index = active
    item.data.update()
