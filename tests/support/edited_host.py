"""Meshes in the host, put into a scene, selected in edit mode, and read again."""

from __future__ import annotations

from typing import Any

# The host's module brings the others along, so it comes first.
# isort: off
import bpy
import bmesh
# isort: on
import numpy as np

from ringwright.addon.mesh_bridge import read_mesh
from ringwright.core.polymesh import PolyMesh


def put(positions: Any, faces: list[list[int]], edges: tuple[tuple[int, int], ...] = ()) -> bpy.types.Object:
    mesh = bpy.data.meshes.new("Mesh")
    mesh.from_pydata(np.asarray(positions, dtype=float).tolist(), list(edges), faces)
    item = bpy.data.objects.new("Mesh", mesh)
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.objects.active = item
    item.select_set(True)
    return item


def edit(item: bpy.types.Object, vertices: Any = (), faces: Any = ()) -> None:
    """Enter edit mode with these vertices, or these faces, selected."""
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    host = bmesh.from_edit_mesh(item.data)
    for sequence, chosen in ((host.verts, vertices), (host.faces, faces)):
        sequence.ensure_lookup_table()
        for index in chosen:
            sequence[int(index)].select_set(True)
    host.select_flush(True)
    bmesh.update_edit_mesh(item.data)


def result(item: bpy.types.Object) -> PolyMesh:
    bpy.ops.object.mode_set(mode="OBJECT")
    item.data.validate(verbose=True)
    return read_mesh(item.data)


def told_faces(mesh: PolyMesh) -> list[list[int]]:
    """Every face from its lowest vertex on; the host may begin a face at another corner."""
    faces = [mesh.face(index).tolist() for index in range(mesh.face_count)]
    return [face[face.index(min(face)) :] + face[: face.index(min(face))] for face in faces]


def assert_same(one: PolyMesh, other: PolyMesh) -> None:
    assert told_faces(one) == told_faces(other)
    assert np.allclose(one.positions, other.positions, atol=2e-6)
