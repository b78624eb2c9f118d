"""Write a .blend file's mesh after an edit, together with all that its object carries."""

from __future__ import annotations

from pathlib import Path

import bmesh
import bpy
import numpy as np

from ..core.mesh_edit import MeshEdit
from ..core.polymesh import PolyMesh
from .borrowed import private_scene
from .cage_object import transformed
from .edited_mesh import carry_edit
from .files import parse_source, shown_objects, write_mesh
from .mesh_bridge import read_mesh
from .quiet import quiet_host
from .written_beside import written_beside


def write_edited(path: Path, source: str, mesh: PolyMesh, edit: MeshEdit) -> bool:
    """Write FILE[:OBJECT] after a core edit; returns whether what a .blend's object carries stayed behind.

    source : what ``read_mesh`` has read
    mesh : what it gave, where the edit began
    Materials, maps, groups and shape keys go along from a .blend to a .blend where one object is meant and its own mesh is what is
    seen: no modifier and no shape key changes it. Else the bare mesh is written.
    """
    original = parse_source(source).path
    both = path.suffix.lower() == ".blend" == original.suffix.lower()
    names = shown_objects(source) if both else []
    if len(names) == 1 and _write_object(path, original, names[0], mesh, edit):
        return False
    write_mesh(path, edit.mesh)
    return both


def _write_object(path: Path, original: Path, name: str, mesh: PolyMesh, edit: MeshEdit) -> bool:
    """Whether the object's own mesh is the edit's, and so could be written."""
    with private_scene() as scene, written_beside(path) as part:
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
        if not (np.array_equal(own.corner_verts, mesh.corner_verts) and np.array_equal(own.positions, mesh.positions)):
            return False
        _edit(item, edit, matrix)
        with quiet_host():
            bpy.data.libraries.write(str(part), {scene})
    return True


def _above(item: bpy.types.Object) -> list[bpy.types.Object]:
    """The object's parents."""
    return [] if item.parent is None else [item.parent, *_above(item.parent)]


def _edit(item: bpy.types.Object, edit: MeshEdit, matrix: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> None:
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
