"""A mesh in edit mode: its arrays, what is selected in it, and a core edit carried over onto it.

The edit keeps what it does not touch: vertex order, materials, seams, sharp edges, vertex groups, texture
coordinates and shape keys. New elements take theirs from where the core says that they come from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

import bmesh
import bpy
import numpy as np

from ..core.mesh_edit import MeshEdit
from ..core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .cage_object import read_cage, transformed


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
    carry_edit(host, edit, _to_object(item, edit.mesh.positions))
    bmesh.update_edit_mesh(item.data, loop_triangles=True, destructive=True)


def _to_object(item: bpy.types.Object, positions: FloatArray) -> FloatArray:
    return transformed(positions, np.linalg.inv(np.array(item.matrix_world, dtype=np.float64)))


def carry_edit(host: bmesh.types.BMesh, edit: MeshEdit, positions: FloatArray) -> None:
    """Do a core edit in the host's editable mesh.

    host : the mesh that the edit started from, in the same order
    positions : (V', 3) float64 of the edited mesh, the host mesh's own coordinates
    """
    for sequence in (host.verts, host.edges, host.faces):
        sequence.ensure_lookup_table()
    old_vertices, old_faces = list(host.verts), list(host.faces)
    placed = _place_vertices(host, edit, positions, old_vertices)
    removed = np.ones(len(old_faces), dtype=np.bool_)
    removed[edit.face_sources[edit.kept_faces]] = False
    _deselect(host)
    new_faces = []
    for index in np.flatnonzero(~edit.kept_faces).tolist():
        source = old_faces[int(edit.face_sources[index])]
        corners = edit.mesh.face(index).tolist()
        face = _new_face(host, [placed[corner] for corner in corners], source)
        if face.index >= 0:
            removed[face.index] = False  # the same face was to be taken out and put back
        else:
            _mix_corners(host, face, corners, edit, old_vertices, source)
        new_faces.append(face)
    _remove(host, [old_faces[index] for index in np.flatnonzero(removed).tolist()])
    for face in new_faces:
        face.select_set(True)
    host.select_flush_mode()
    host.normal_update()
    for sequence in (host.verts, host.edges, host.faces):
        sequence.index_update()


def _place_vertices(host: bmesh.types.BMesh, edit: MeshEdit, positions: FloatArray,
                    old_vertices: list[bmesh.types.BMVert]) -> list[bmesh.types.BMVert]:
    """Every vertex of the edited mesh in the host's: old ones as they are or moved, new ones made."""
    placed: list[Any] = [None] * edit.mesh.vertex_count
    mixed = []
    for old, vertex in enumerate(old_vertices):
        new = int(edit.new_vertex_of[old])
        if new >= 0:
            placed[new] = vertex
            if int(edit.vertex_sources[new, 0]) != old or np.count_nonzero(edit.vertex_weights[new]) > 1:
                mixed.append(new)
    for new in (index for index, vertex in enumerate(placed) if vertex is None):
        heaviest = int(edit.vertex_sources[new, int(np.argmax(edit.vertex_weights[new]))])
        placed[new] = host.verts.new(positions[new], old_vertices[heaviest])
        mixed.append(new)
    values = [(new, _mixed_layers(host, _shares(edit, new), old_vertices)) for new in mixed]
    for new, layers in values:
        placed[new].co = positions[new]
        for put in layers:
            put(placed[new])
    return placed


def _shares(edit: MeshEdit, new: int) -> list[tuple[int, float]]:
    pairs = zip(edit.vertex_sources[new].tolist(), edit.vertex_weights[new].tolist(), strict=True)
    return [(source, share) for source, share in pairs if source >= 0 and share > 0]


def _mixed_layers(host: bmesh.types.BMesh, shares: list[tuple[int, float]],
                  old_vertices: list[bmesh.types.BMVert]) -> list[Callable[[bmesh.types.BMVert], None]]:
    """What sets the mixed shape keys and vertex groups on a vertex; read now, set when all have been read."""
    puts: list[Callable[[bmesh.types.BMVert], None]] = []
    for layer in host.verts.layers.shape.values():
        value = np.sum([share * np.array(old_vertices[source][layer]) for source, share in shares], axis=0)
        puts.append(partial(_set_layer, layer, value))
    groups = host.verts.layers.deform.active
    if groups is not None:
        weights: dict[int, float] = {}
        for source, share in shares:
            for group, weight in old_vertices[source][groups].items():
                weights[group] = weights.get(group, 0.0) + share * weight
        puts.append(lambda vertex: _set_groups(vertex, groups, weights))
    return puts


def _set_layer(layer: Any, value: Any, vertex: bmesh.types.BMVert) -> None:
    vertex[layer] = value


def _set_groups(vertex: bmesh.types.BMVert, layer: Any, weights: dict[int, float]) -> None:
    own = vertex[layer]
    own.clear()
    for group, weight in weights.items():
        own[group] = weight


def _new_face(host: bmesh.types.BMesh, vertices: list[bmesh.types.BMVert], example: bmesh.types.BMFace) -> bmesh.types.BMFace:
    """A new face like the example, or the one that spans these vertices already."""
    present = host.faces.get(vertices)
    if present is not None:
        return present
    face = host.faces.new(vertices, example)
    face.index = -1
    return face


def _mix_corners(host: bmesh.types.BMesh, face: bmesh.types.BMFace, corners: list[int], edit: MeshEdit,
                 old_vertices: list[bmesh.types.BMVert], source: bmesh.types.BMFace) -> None:
    """Texture coordinates and colours of a new face's corners from those of the vertices that each is mixed from."""
    layers = host.loops.layers
    kinds: Iterable[Any] = [layer for group in (layers.uv, layers.float_color, layers.color) for layer in group.values()]
    for layer in kinds:
        is_uv = hasattr(face.loops[0][layer], "uv")
        for loop, corner in zip(face.loops, corners, strict=True):
            near_loops = [(share, _loop_of(old_vertices[vertex], source, face)) for vertex, share in _shares(edit, corner)]
            found = [(share, near) for share, near in near_loops if near is not None]
            if not found:
                continue
            values = [share * np.array(near[layer].uv if is_uv else near[layer]) for share, near in found]
            value = np.sum(values, axis=0) / sum(share for share, _ in found)
            if is_uv:
                loop[layer].uv = value
            else:
                loop[layer] = value


def _loop_of(vertex: bmesh.types.BMVert, source: bmesh.types.BMFace, new: bmesh.types.BMFace) -> bmesh.types.BMLoop | None:
    """A vertex's corner in the source face, or else in any old face."""
    old = [loop for loop in vertex.link_loops if loop.face != new and loop.face.index >= 0]
    return next((loop for loop in old if loop.face == source), old[0] if old else None)


def _deselect(host: bmesh.types.BMesh) -> None:
    for sequence in (host.faces, host.edges, host.verts):
        for element in sequence:
            element.select = False


def _remove(host: bmesh.types.BMesh, faces: list[bmesh.types.BMFace]) -> None:
    """Take faces out, and the edges and vertices that only they used."""
    edges = {edge for face in faces for edge in face.edges}
    vertices = {vertex for face in faces for vertex in face.verts}
    for face in faces:
        host.faces.remove(face)
    for edge in edges:
        if not edge.link_faces:
            host.edges.remove(edge)
    for vertex in vertices:
        if not vertex.link_edges:
            host.verts.remove(vertex)
