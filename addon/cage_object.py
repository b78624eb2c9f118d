"""Put a finished cage into the scene and read it back, in world coordinates."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np

from ..core.mirror import turned
from ..core.polymesh import FloatArray, PolyMesh
from .mesh_bridge import create_mesh, read_mesh

CAGE_NAME = "Cage"
BUILT_ATTRIBUTE = "ringwright_built"
"""Vertex attribute: where the build put every vertex, in the cage's own coordinates."""


class CageTrial:
    """The scene's cage while another mesh is tried on it: the old mesh waits until the new one is kept or dropped."""

    def __init__(self, scene: bpy.types.Scene, cage: bpy.types.Object | None) -> None:
        """Change nothing yet; without a cage one is made, with its origin where the target has its own."""
        self._scene = scene
        self.cage = cage
        self.is_new = cage is None
        self._old: bpy.types.Mesh | None = None if self.cage is None else self.cage.data
        self._shown: bpy.types.Mesh | None = None

    def show(self, mesh: PolyMesh) -> bpy.types.Object:
        """Give the cage this mesh, in world coordinates, or make a cage; its place, materials and modifiers stay."""
        before = self._shown
        if self.cage is None:
            return self._show_new(mesh)
        self._shown = create_mesh(self.cage.data.name, _in_object(mesh, np.array(self.cage.matrix_world, dtype=np.float64)))
        for material in self.cage.data.materials:
            self._shown.materials.append(material)
        self.cage.data = self._shown
        _remove(before)
        return self.cage

    def _show_new(self, mesh: PolyMesh) -> bpy.types.Object:
        matrix, target = np.eye(4), self._scene.ringwright.target if hasattr(self._scene, "ringwright") else None
        if target is not None:
            matrix[:3, 3] = target.matrix_world.translation
        self._shown = create_mesh(CAGE_NAME, _in_object(mesh, matrix))
        self.cage = cage = bpy.data.objects.new(CAGE_NAME, self._shown)
        cage.location = matrix[:3, 3].tolist()
        cage.show_wire = cage.show_in_front = True  # it lies in the target's very surface
        self._scene.collection.objects.link(cage)
        bpy.context.view_layer.update()  # its matrix
        return cage

    def keep(self, mesh: PolyMesh) -> bpy.types.Object:
        """Show this mesh for good; the old one is gone where nothing else uses it."""
        cage = self.show(mesh)
        if self._old is not None:
            name = self._old.name
            if self._old.users == 0:
                _remove(self._old)
                cage.data.name = name
        self._old = self._shown = None
        return cage

    def drop(self) -> None:
        """Take back what was shown: the old mesh stands again, and without one there is no cage."""
        shown, self._shown = self._shown, None
        if shown is None or self.cage is None:
            return
        if self._old is None:
            bpy.data.objects.remove(self.cage)
            self.cage = None
        else:
            self.cage.data = self._old
        _remove(shown)


def place_cage(scene: bpy.types.Scene, mesh: PolyMesh) -> bpy.types.Object:
    """Give the scene's cage this mesh, or make a cage; its place, materials and modifiers stay.

    mesh : in world coordinates
    """
    from .plan_storage import cage_of

    return CageTrial(scene, cage_of(scene)).keep(mesh)


def _remove(mesh: bpy.types.Mesh | None) -> None:
    if mesh is not None and mesh.users == 0:
        bpy.data.meshes.remove(mesh)


def with_built_places(mesh: PolyMesh, positions: FloatArray) -> PolyMesh:
    """The mesh with a note of where the build put every vertex, (V, 3) float64."""
    return mesh.with_attributes(**{f"vertex.{BUILT_ATTRIBUTE}": positions})


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


def _in_object(mesh: PolyMesh, matrix: FloatArray) -> PolyMesh:
    """A mesh of the world, and its note of built places, as an object with this matrix holds it; a mirrored one winds its faces about."""
    inverse = np.linalg.inv(matrix)
    name = f"vertex.{BUILT_ATTRIBUTE}"
    built = {name: transformed(np.asarray(mesh.attributes[name], dtype=np.float64), inverse)} if name in mesh.attributes else {}
    wound = turned(mesh) if np.linalg.det(matrix[:3, :3]) < 0 else mesh
    return PolyMesh(transformed(mesh.positions, inverse), wound.corner_verts, mesh.face_offsets, {**mesh.attributes, **built})


def transformed(points: FloatArray, matrix: FloatArray) -> FloatArray:
    """(n, 3) points under a (4, 4) matrix."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3], dtype=np.float64)
