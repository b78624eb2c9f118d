"""A mesh in edit mode: its arrays, what is selected in it, and what is written back to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import bmesh
import bpy
import numpy as np

from ..core.errors import MeshError
from ..core.mesh_edit import MeshEdit
from ..core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .cage_object import read_cage, transformed
from .edited_mesh import carry_edit


@dataclass(frozen=True)
class Selection:
    """What is selected: (V,) bool vertices and (F,) bool faces; hidden elements are never selected."""

    vertices: BoolArray
    faces: BoolArray


def read_edit_mesh(item: bpy.types.Object) -> tuple[PolyMesh, Selection]:
    """The mesh under edit in world coordinates, and its selection."""
    mesh = read_cage(item)
    host = bmesh.from_edit_mesh(item.data)
    vertices = np.fromiter((vertex.select and not vertex.hide for vertex in host.verts), dtype=np.bool_, count=len(host.verts))
    faces = np.fromiter((face.select and not face.hide for face in host.faces), dtype=np.bool_, count=len(host.faces))
    return mesh, Selection(vertices, faces)


def read_edit_weights(item: bpy.types.Object, name: str) -> FloatArray:
    """Weight of every vertex under edit in a vertex group, (V,) float64.

    Raises MeshError where the object has no such group.
    """
    group = item.vertex_groups.get(name)
    if group is None:
        raise MeshError(f'{item.name} has no vertex group "{name}"; choose one of its groups.')
    host = bmesh.from_edit_mesh(item.data)
    layer = host.verts.layers.deform.active
    if layer is None:
        return np.zeros(len(host.verts))
    carried: list[Any] = [vertex[layer] for vertex in host.verts]
    return np.array([weights.get(group.index, 0.0) for weights in carried], dtype=np.float64)


def kept_apart_edges(item: bpy.types.Object, edge_verts: IntArray) -> BoolArray:
    """Which edges are seams or sharp and shall stay, (E,) bool in the order of (E, 2) vertex pairs."""
    host = bmesh.from_edit_mesh(item.data)
    marked = {tuple(sorted(end.index for end in edge.verts)) for edge in host.edges if edge.seam or not edge.smooth}
    return np.fromiter((tuple(pair) in marked for pair in np.sort(edge_verts, axis=1).tolist()), dtype=np.bool_, count=len(edge_verts))


def write_positions(item: bpy.types.Object, positions: FloatArray, changed: BoolArray) -> None:
    """Move vertices of the mesh under edit.

    positions : (V, 3) float64 in the world
    changed : (V,) bool, the vertices to move; all others keep their place to the last bit
    """
    local = _to_object(item, positions)
    host = bmesh.from_edit_mesh(item.data)
    host.verts.ensure_lookup_table()
    for index in np.flatnonzero(changed).tolist():
        host.verts[index].co = local[index]
    host.normal_update()
    bmesh.update_edit_mesh(item.data, loop_triangles=True, destructive=False)


def write_edit(item: bpy.types.Object, edit: MeshEdit) -> None:
    """Carry a core edit, made in world coordinates, over to the mesh under edit; the new faces end up selected."""
    host = bmesh.from_edit_mesh(item.data)
    carry_edit(host, edit, _to_object(item, edit.mesh.positions), item)
    bmesh.update_edit_mesh(item.data, loop_triangles=True, destructive=True)


def _to_object(item: bpy.types.Object, positions: FloatArray) -> FloatArray:
    return transformed(positions, np.linalg.inv(np.array(item.matrix_world, dtype=np.float64)))
