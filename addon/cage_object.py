"""Put a finished cage into the scene and read it back, in world coordinates."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np

from ..core.polymesh import FloatArray, PolyMesh
from .mesh_bridge import create_mesh, read_mesh

CAGE_NAME = "Cage"


def place_cage(scene: bpy.types.Scene, mesh: PolyMesh) -> bpy.types.Object:
    """Give the scene's cage this mesh, or make a cage; its place, materials and modifiers stay.

    mesh : in world coordinates
    """
    from .plan_storage import cage_of

    cage = cage_of(scene)
    if cage is None:
        cage = bpy.data.objects.new(CAGE_NAME, create_mesh(CAGE_NAME, mesh))
        scene.collection.objects.link(cage)
        cage.show_wire = cage.show_in_front = True  # it lies in the target's very surface
        return cage
    old = cage.data
    inverse = np.linalg.inv(np.array(cage.matrix_world, dtype=np.float64))
    new = create_mesh(old.name, mesh.with_positions(transformed(mesh.positions, inverse)))
    for material in old.materials:
        new.materials.append(material)
    cage.data = new
    if old.users == 0:
        bpy.data.meshes.remove(old)
    return cage


def read_cage(cage: bpy.types.Object) -> PolyMesh:
    """The cage's own mesh, without its modifiers, in world coordinates; edits that are under way count."""
    matrix = np.array(cage.matrix_world, dtype=np.float64)
    if cage.mode != "EDIT":
        return read_mesh(cage.data, matrix)
    copy = bpy.data.meshes.new("Ringwright reading")
    try:
        bmesh.from_edit_mesh(cage.data).to_mesh(copy)  # under edit the mesh itself does not show its arrays
        return read_mesh(copy, matrix)
    finally:
        bpy.data.meshes.remove(copy)


def transformed(points: FloatArray, matrix: FloatArray) -> FloatArray:
    """(n, 3) points under a (4, 4) matrix."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3], dtype=np.float64)
