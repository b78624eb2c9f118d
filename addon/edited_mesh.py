"""Carry a core edit over to the host's editable mesh.

Nothing that the edit leaves alone changes, nor its order: materials, seams, sharp and creased edges, vertex groups,
texture coordinates, colours, shape keys, any further attribute. New vertices and corners get a mix of what their
sources carry; what cannot be mixed comes from the heaviest source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import bmesh
import bpy
import numpy as np
import numpy.typing as npt

from ..core.errors import MeshError
from ..core.mesh_edit import MeshEdit
from ..core.polymesh import FloatArray
from .edited_corners import MIXED_LAYERS, CornerValues, OldCorners, copy_layers, mix_corners, old_corners, write_corner

Vertices = list[bmesh.types.BMVert]


@dataclass(frozen=True)
class _Old:
    """The mesh before the edit."""

    vertices: Vertices
    faces: list[bmesh.types.BMFace]
    corners: OldCorners


def carry_edit(host: bmesh.types.BMesh, edit: MeshEdit, positions: FloatArray, item: bpy.types.Object | None = None) -> None:
    """Do a core edit in the host's editable mesh; the new faces end up selected, everything else not.

    host : the mesh that the edit started from, in the same order
    positions : (V', 3) float64 of the edited mesh, in the host mesh's own coordinates
    item : the object under edit, whose shape keys follow one another; None where there is none
    Raises MeshError, and changes nothing, where a new face would lie on one that stays.
    """
    for sequence in (host.verts, host.edges, host.faces):
        sequence.index_update()
        sequence.ensure_lookup_table()
    old = _before(host, edit)
    doomed = _doomed_faces(edit, old)
    _refuse_doubles(host, edit, old, doomed)
    new = np.flatnonzero(~edit.kept_faces).tolist()
    values = [_corner_values(edit, index, old) for index in new]
    placed = _place_vertices(host, edit, positions, old, item)
    _deselect(host)
    faces = [_lay_face(host, edit, index, placed, old, each) for index, each in zip(new, values, strict=True)]
    reused = {face for face in faces if face.index >= 0}
    _remove([face for face in doomed if face not in reused], host)
    for face in faces:
        face.select_set(True)
    _keep_order(host, placed, [*(old.faces[index] for index in edit.face_sources[edit.kept_faces].tolist()), *faces])
    host.select_history.validate()
    host.select_flush_mode()
    host.normal_update()


def _before(host: bmesh.types.BMesh, edit: MeshEdit) -> _Old:
    vertices, faces = list(host.verts), list(host.faces)
    corners = edit.mesh.corner_verts[np.repeat(~edit.kept_faces, edit.mesh.face_sizes)]
    sources = np.unique(edit.vertex_sources[corners])
    touched = {face for source in sources[sources >= 0].tolist() for face in vertices[source].link_faces}
    touched |= {faces[index] for index in edit.face_sources[~edit.kept_faces].tolist()}
    return _Old(vertices, faces, old_corners(host, touched))


def _doomed_faces(edit: MeshEdit, old: _Old) -> list[bmesh.types.BMFace]:
    gone = np.ones(len(old.faces), dtype=np.bool_)
    gone[edit.face_sources[edit.kept_faces]] = False
    return [old.faces[index] for index in np.flatnonzero(gone).tolist()]


def _refuse_doubles(host: bmesh.types.BMesh, edit: MeshEdit, old: _Old, doomed: list[bmesh.types.BMFace]) -> None:
    """The host holds at most one face on the same vertices."""
    goes = set(doomed)
    old_of = np.full(edit.mesh.vertex_count, -1, dtype=np.int64)
    kept = np.flatnonzero(edit.new_vertex_of[: len(old.vertices)] >= 0)
    old_of[edit.new_vertex_of[kept]] = kept
    for index in np.flatnonzero(~edit.kept_faces).tolist():
        corners = old_of[edit.mesh.face(index)]
        present = host.faces.get([old.vertices[corner] for corner in corners.tolist()]) if np.all(corners >= 0) else None
        if present is not None and present not in goes:
            raise MeshError(f"A new face would lie on face {present.index}; remove that one first.")


def _place_vertices(host: bmesh.types.BMesh, edit: MeshEdit, positions: FloatArray, old: _Old,
                    item: bpy.types.Object | None) -> Vertices:
    """Every vertex of the edited mesh in the host's: old ones as they are or moved, new ones made."""
    placed: list[Any] = [None] * edit.mesh.vertex_count
    kept = np.flatnonzero(edit.new_vertex_of[: len(old.vertices)] >= 0)
    numbers = edit.new_vertex_of[kept]
    for number, vertex in zip(numbers.tolist(), kept.tolist(), strict=True):
        placed[number] = old.vertices[vertex]
    slid = (edit.vertex_sources[numbers, 0] != kept) | (np.count_nonzero(edit.vertex_weights[numbers], axis=1) > 1)
    fresh = np.flatnonzero(np.bincount(numbers, minlength=len(placed)) == 0)
    mixed = np.concatenate([numbers[slid], fresh])
    mix = _Mix.of(edit, mixed)
    # All values are read before the first one is set: a vertex that slides is a source too.
    layers = [*_mixed_vertex_layers(host, mix, old.vertices), *_mixed_shapes(host, mix, old.vertices, positions[mixed], item)]
    groups, marks = _mixed_groups(host, mix, old.vertices), _common_marks(host, mix, old.vertices)
    for number, heaviest in zip(fresh.tolist(), mix.heaviest[len(mixed) - len(fresh) :].tolist(), strict=True):
        placed[number] = host.verts.new(positions[number], old.vertices[heaviest])
        placed[number].hide_set(False)
    for row, number in enumerate(mixed.tolist()):
        vertex = placed[number]
        vertex.co = positions[number]
        for layer, values in layers:
            vertex[layer] = values[row] if values.ndim > 1 else float(values[row])
        for layer, weights in groups:
            _set_groups(vertex[layer], weights[row])
        for layer, borne in marks:
            vertex[layer] = bool(borne[row])
    return placed


@dataclass(frozen=True)
class _Mix:
    """Rows that are mixed from old vertices: which ones, and the (rows, vertices) shares of each."""

    vertices: list[int]
    shares: FloatArray
    heaviest: npt.NDArray[np.int64]

    @classmethod
    def of(cls, edit: MeshEdit, rows: npt.NDArray[np.int64]) -> _Mix:
        sources, weights = edit.vertex_sources[rows], edit.vertex_weights[rows]
        used = (sources >= 0) & (weights != 0)
        vertices, place = np.unique(sources[used], return_inverse=True)
        shares = np.zeros((len(rows), len(vertices)))
        np.add.at(shares, (np.nonzero(used)[0], place.ravel()), weights[used])
        return cls(vertices.tolist(), shares, sources[np.arange(len(rows)), np.argmax(weights, axis=1)].astype(np.int64))

    def mixed(self, values: list[Any]) -> FloatArray:
        """The rows' values from one value, number or vector, for each vertex."""
        given = np.array(values, dtype=np.float64).reshape(len(values), -1)
        result: FloatArray = self.shares @ given if len(values) else np.zeros((len(self.shares), given.shape[1] if given.size else 1))
        return result[:, 0] if len(values) and np.ndim(values[0]) == 0 else result


def _mixed_vertex_layers(host: bmesh.types.BMesh, mix: _Mix, old: Vertices) -> Iterator[tuple[Any, FloatArray]]:
    for kind in MIXED_LAYERS:
        for layer in getattr(host.verts.layers, kind).values():
            if mix.vertices:
                yield layer, mix.mixed([_plain(old[vertex][layer]) for vertex in mix.vertices])


def _common_marks(host: bmesh.types.BMesh, mix: _Mix, old: Vertices) -> list[tuple[Any, npt.NDArray[np.bool_]]]:
    """Marks, which a mixed vertex bears where all its sources do: rows laid beside a marked ring are not of that ring."""
    layers = host.verts.layers.bool.values() if mix.vertices else []
    return [(layer, ((mix.shares == 0) | np.array([bool(old[vertex][layer]) for vertex in mix.vertices])).all(axis=1)) for layer in layers]


def _plain(value: Any) -> Any:
    return value if isinstance(value, float) else list(value)


def _mixed_shapes(host: bmesh.types.BMesh, mix: _Mix, old: Vertices, positions: FloatArray,
                  item: bpy.types.Object | None) -> Iterator[tuple[Any, FloatArray]]:
    """Shape keys: the mix, and what the edit adds to it; on leaving edit mode the host passes on itself what the key
    under edit moved to the keys that follow it."""
    layers = host.verts.layers.shape.items()
    if not layers or not mix.vertices:
        return
    active, following = _key_under_edit(item)
    added = positions - mix.mixed([list(old[vertex].co) for vertex in mix.vertices])
    for name, layer in layers:
        value = mix.mixed([list(old[vertex][layer]) for vertex in mix.vertices])
        yield layer, value if name == active or name in following else value + added


def _key_under_edit(item: bpy.types.Object | None) -> tuple[str, set[str]]:
    """Name of the shape key under edit, and of all that are told relative to it, directly or through others."""
    key = None if item is None else item.data.shape_keys
    if item is None or key is None or item.active_shape_key is None:
        return "", set()
    active = item.active_shape_key.name
    following: set[str] = set()
    if key.use_relative:
        for _ in key.key_blocks:
            following |= {block.name for block in key.key_blocks if block.relative_key.name in {active, *following}}
    return active, following - {active}


def _mixed_groups(host: bmesh.types.BMesh, mix: _Mix, old: Vertices) -> list[tuple[Any, list[dict[int, float]]]]:
    layer = host.verts.layers.deform.active
    if layer is None or not mix.vertices:
        return []
    carried = [dict(old[vertex][layer].items()) for vertex in mix.vertices]
    names = sorted({group for weights in carried for group in weights})
    table = np.array([[weights.get(group, 0.0) for group in names] for weights in carried]).reshape(len(carried), len(names))
    belongs = np.array([[group in weights for group in names] for weights in carried]).reshape(table.shape)
    values, member = mix.shares @ table, (mix.shares != 0) @ belongs
    return [(layer, [{group: float(value) for group, value, has in zip(names, row, own, strict=True) if has}
                     for row, own in zip(values, member, strict=True)])]


def _set_groups(own: Any, weights: dict[int, float]) -> None:
    own.clear()
    for group, weight in weights.items():
        own[group] = min(max(weight, 0.0), 1.0)


def _lay_face(host: bmesh.types.BMesh, edit: MeshEdit, index: int, placed: Vertices, old: _Old,
              values: list[CornerValues]) -> bmesh.types.BMFace:
    """A new face with its example's attributes, or the old one that spans these vertices already.

    values : layers and their values for every corner
    """
    corners = edit.mesh.face(index).tolist()
    vertices = [placed[corner] for corner in corners]
    face = host.faces.get(vertices)
    if face is None:
        following = [*corners[1:], corners[0]]
        known = [host.edges.get((placed[one], placed[other])) for one, other in zip(corners, following, strict=True)]
        face = host.faces.new(vertices, old.faces[int(edit.face_sources[index])])
        face.index = -1
        face.hide_set(False)
        for loop, edge, ends in zip(face.loops, known, zip(corners, following, strict=True), strict=True):
            if edge is None:
                _continue_edge(host, loop.edge, edit, ends, old)
    for vertex, carried in zip(vertices, values, strict=True):
        write_corner(next(loop for loop in face.loops if loop.vert == vertex), carried)
    return face


def _corner_values(edit: MeshEdit, index: int, old: _Old) -> list[CornerValues]:
    """What every corner of a new face carries, read before anything changes."""
    mix = _Mix.of(edit, edit.mesh.face(index).astype(np.int64))
    return mix_corners(old.corners, old.faces[int(edit.face_sources[index])], [old.vertices[vertex] for vertex in mix.vertices], mix.shares)


def _continue_edge(host: bmesh.types.BMesh, edge: bmesh.types.BMEdge, edit: MeshEdit, ends: tuple[int, int], old: _Old) -> None:
    """A new edge that lies along an old one is marked like that one."""
    if max(np.count_nonzero(edit.vertex_weights[end]) for end in ends) > 2:
        return
    sources = {int(source) for end in ends for source, share in zip(edit.vertex_sources[end], edit.vertex_weights[end], strict=True)
               if source >= 0 and share != 0}
    if len(sources) == 2:
        along = host.edges.get([old.vertices[source] for source in sources])
        if along is not None and along != edge:
            edge.seam, edge.smooth = along.seam, along.smooth
            copy_layers(host.edges.layers, edge, along)


def _deselect(host: bmesh.types.BMesh) -> None:
    for sequence in (host.faces, host.edges, host.verts):
        for element in sequence:
            if element.select:
                element.select = False


def _remove(faces: list[bmesh.types.BMFace], host: bmesh.types.BMesh) -> None:
    """Take faces out, and the edges and vertices that only they used."""
    edges = list(dict.fromkeys(edge for face in faces for edge in face.edges))
    vertices = list(dict.fromkeys(vertex for face in faces for vertex in face.verts))
    for face in faces:
        host.faces.remove(face)
    for edge in edges:
        if not edge.link_faces:
            host.edges.remove(edge)
    for vertex in vertices:
        if not vertex.link_edges:
            host.verts.remove(vertex)


def _keep_order(host: bmesh.types.BMesh, vertices: Vertices, faces: list[bmesh.types.BMFace]) -> None:
    """Old elements first, in their old order, then new ones: the host fills gaps that earlier removals left."""
    pairs: tuple[tuple[Any, Any], ...] = ((host.verts, vertices), (host.faces, faces))
    for sequence, wanted in pairs:
        sequence.index_update()
        rank = {element: place for place, element in enumerate(wanted)}
        found = [rank.get(element, len(wanted)) for element in sequence]
        if any(one > other for one, other in pairwise(found)):
            for element, place in zip(sequence, found, strict=True):
                element.index = place
            sequence.sort()
        sequence.index_update()
        sequence.ensure_lookup_table()
    host.edges.index_update()
    host.edges.ensure_lookup_table()
