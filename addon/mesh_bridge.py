"""Mesh arrays to the host's mesh and back, by block copies; no loop over elements.

The host stores single precision and 32-bit indices; a buffer of another type leaves its fast path.
"""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import numpy.typing as npt

from ..core.polymesh import FloatArray, IntArray, PolyMesh

DOMAINS = {"vertex": "POINT", "face": "FACE"}
"""The prefix of an attribute's name in the core, and the host's domain."""

MAP_NAME = "UVMap"
"""Name of a map that is made here, as the host calls its own."""
_HOST_ATTRIBUTES = frozenset({"position", "material_index", "sharp_face", "id"})
"""Plain attributes that mean something to the host itself."""
_HOST_TYPES = {"f": "FLOAT", "i": "INT", "u": "INT", "b": "BOOLEAN"}
_FIELDS: dict[str, tuple[str, type[np.generic]]] = {
    "FLOAT": ("value", np.float32),
    "INT": ("value", np.int32),
    "BOOLEAN": ("value", np.bool_),
    "FLOAT_VECTOR": ("vector", np.float32),
}


def create_mesh(name: str, mesh: PolyMesh) -> bpy.types.Mesh:
    """Make a host mesh datablock from arrays, with its attributes; it belongs to no object yet."""
    host_mesh = bpy.data.meshes.new(name)
    host_mesh.vertices.add(mesh.vertex_count)
    host_mesh.loops.add(len(mesh.corner_verts))
    host_mesh.polygons.add(mesh.face_count)
    write_positions(host_mesh, mesh.positions)
    if len(mesh.corner_verts):
        host_mesh.attributes[".corner_vert"].data.foreach_set("value", np.ascontiguousarray(mesh.corner_verts, dtype=np.int32))
    host_mesh.polygons.foreach_set("loop_start", np.ascontiguousarray(mesh.face_offsets[:-1], dtype=np.int32))
    write_attributes(host_mesh, mesh)
    host_mesh.update(calc_edges=True)
    return host_mesh


def write_attributes(host_mesh: bpy.types.Mesh, mesh: PolyMesh) -> None:
    """Give a host mesh the attributes of a mesh with the same vertices and faces."""
    for attribute, values in mesh.attributes.items():
        _write_attribute(host_mesh, attribute, values)


def write_positions(host_mesh: bpy.types.Mesh, positions: npt.NDArray[Any]) -> None:
    """Move the vertices of a host mesh to (V, 3) positions; call host_mesh.update() after the last change."""
    host_mesh.attributes["position"].data.foreach_set("vector", np.ascontiguousarray(positions, dtype=np.float32).ravel())


def read_mesh(host_mesh: bpy.types.Mesh, matrix: FloatArray | None = None) -> PolyMesh:
    """Read a host mesh into arrays, with its plain attributes.

    matrix : (4, 4) float64, applied to the positions; None leaves them as they are
    """
    positions = read_positions(host_mesh).astype(np.float64)
    if matrix is not None and not np.array_equal(matrix, np.eye(4)):
        with np.errstate(invalid="ignore"):  # a broken coordinate stays one and is reported by the reader
            positions = positions @ matrix[:3, :3].T + matrix[:3, 3]
    return PolyMesh(positions, _read_corners(host_mesh), _read_offsets(host_mesh), _read_attributes(host_mesh))


def read_positions(host_mesh: bpy.types.Mesh) -> npt.NDArray[np.float32]:
    """Vertex positions of a host mesh, (V, 3) float32, its own coordinates."""
    positions = np.empty((len(host_mesh.vertices), 3), dtype=np.float32)
    if len(positions):
        host_mesh.attributes["position"].data.foreach_get("vector", positions.ravel())
    return positions


def read_uvs(host_mesh: bpy.types.Mesh) -> FloatArray | None:
    """Texture coordinates of every corner in the active map, or the first where none is, (C, 2) float64; None without a map."""
    if not host_mesh.uv_layers:
        return None
    values = np.empty(2 * len(host_mesh.loops), dtype=np.float32)
    layer = host_mesh.uv_layers.active or host_mesh.uv_layers[0]  # after a join there may be no active one
    layer.uv.foreach_get("vector", values)
    return values.reshape(-1, 2).astype(np.float64)


def write_uvs(host_mesh: bpy.types.Mesh, uvs: FloatArray) -> None:
    """Give a mesh a map.

    uvs : (C, 2) float64, of every corner
    """
    layer = host_mesh.uv_layers.new(name=MAP_NAME)
    layer.uv.foreach_set("vector", np.ascontiguousarray(uvs, dtype=np.float32).ravel())


def read_loose_edges(host_mesh: bpy.types.Mesh) -> IntArray:
    """Edges without a face, as vertex pairs (k, 2) int32."""
    ends = np.empty(2 * len(host_mesh.edges), dtype=np.int32)
    used = np.empty(len(host_mesh.loops), dtype=np.int32)
    if len(ends):
        host_mesh.edges.foreach_get("vertices", ends)
    if len(used):
        host_mesh.loops.foreach_get("edge_index", used)
    return np.delete(ends.reshape(-1, 2), np.unique(used), axis=0)


def _read_corners(host_mesh: bpy.types.Mesh) -> IntArray:
    corners = np.empty(len(host_mesh.loops), dtype=np.int32)
    if len(corners):
        host_mesh.attributes[".corner_vert"].data.foreach_get("value", corners)
    return corners


def _read_offsets(host_mesh: bpy.types.Mesh) -> IntArray:
    offsets = np.empty(len(host_mesh.polygons) + 1, dtype=np.int32)
    offsets[-1] = len(host_mesh.loops)
    if len(offsets) > 1:
        host_mesh.polygons.foreach_get("loop_start", offsets[:-1])
    return offsets


def _write_attribute(host_mesh: bpy.types.Mesh, attribute: str, values: npt.NDArray[np.generic]) -> None:
    domain, _, name = attribute.partition(".")
    host_type = "FLOAT_VECTOR" if values.ndim == 2 else _HOST_TYPES[values.dtype.kind]
    field, dtype = _FIELDS[host_type]
    layer = host_mesh.attributes.new(name, host_type, DOMAINS[domain])
    layer.data.foreach_set(field, np.ascontiguousarray(values, dtype=dtype).ravel())


def _read_attributes(host_mesh: bpy.types.Mesh) -> dict[str, npt.NDArray[np.generic]]:
    """The attributes of a plain type that are not the host's own."""
    prefixes = {domain: prefix for prefix, domain in DOMAINS.items()}
    found: dict[str, npt.NDArray[np.generic]] = {}
    for layer in host_mesh.attributes:
        if layer.is_internal or layer.name in _HOST_ATTRIBUTES or layer.domain not in prefixes or layer.data_type not in _FIELDS:
            continue
        field, dtype = _FIELDS[layer.data_type]
        shape = (len(layer.data), 3) if field == "vector" else (len(layer.data),)
        values = np.empty(shape, dtype=dtype)
        layer.data.foreach_get(field, values.ravel())
        found[f"{prefixes[layer.domain]}.{layer.name}"] = values
    return found
