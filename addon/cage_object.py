"""Put a finished cage into the scene and read it back, in world coordinates."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np

from ..core.polymesh import FloatArray, PolyMesh
from .mesh_bridge import create_mesh, read_mesh

CAGE_NAME = "Cage"
BUILT_ATTRIBUTE = "ringwright_built"
"""Vertex attribute: where the build put every vertex, in the cage's own coordinates."""


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
    new = create_mesh(old.name, _moved(mesh, inverse))
    for material in old.materials:
        new.materials.append(material)
    cage.data, name = new, old.name
    if old.users == 0:
        bpy.data.meshes.remove(old)
        new.name = name
    return cage


def with_built_places(mesh: PolyMesh, positions: FloatArray) -> PolyMesh:
    """The mesh with a note of where the build put every vertex, (V, 3) float64."""
    return PolyMesh(mesh.positions, mesh.corner_verts, mesh.face_offsets, {**mesh.attributes, f"vertex.{BUILT_ATTRIBUTE}": positions})


def built_places(cage: bpy.types.Object) -> FloatArray | None:
    """Where the build put every vertex, (V, 3) float64 in the world; None where the mesh does not say."""
    layer = cage.data.attributes.get(BUILT_ATTRIBUTE)
    if layer is None or layer.domain != "POINT" or layer.data_type != "FLOAT_VECTOR":
        return None
    places = np.empty((len(layer.data), 3), dtype=np.float32)
    layer.data.foreach_get("vector", places.ravel())
    return transformed(places.astype(np.float64), np.array(cage.matrix_world, dtype=np.float64))


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


def _moved(mesh: PolyMesh, matrix: FloatArray) -> PolyMesh:
    """The mesh, and its note of built places, under a matrix."""
    name = f"vertex.{BUILT_ATTRIBUTE}"
    built = {name: transformed(np.asarray(mesh.attributes[name], dtype=np.float64), matrix)} if name in mesh.attributes else {}
    return PolyMesh(transformed(mesh.positions, matrix), mesh.corner_verts, mesh.face_offsets, {**mesh.attributes, **built})


def transformed(points: FloatArray, matrix: FloatArray) -> FloatArray:
    """(n, 3) points under a (4, 4) matrix."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3], dtype=np.float64)
