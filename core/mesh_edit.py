"""A local change of a mesh that leaves everything else, and its order, as it was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh, offsets_of


@dataclass(frozen=True)
class MovedVertices:
    """Old vertices that slide along the surface, and with them all that they carry.

    vertices : (k,) int32
    sources : (k, s) int32, old vertices that each new place is mixed from
    weights : (k, s) float64, their shares; rows add up to 1
    """

    vertices: IntArray
    sources: IntArray
    weights: FloatArray


@dataclass(frozen=True)
class Replacement:
    """Faces and vertices that take the place of some faces.

    removed_faces : (F,) bool over the old mesh
    positions : (k, 3) float64 of new vertices, which are numbered V, V + 1, ...
    sources : (k, s) int32, old vertices that every new vertex is mixed from; -1 pads
    weights : (k, s) float64, their shares; rows add up to 1
    faces : new faces by vertices, old or new, counter-clockwise seen from outside
    source_faces : (len(faces),) int32, old face that every new face takes its attributes from
    moved : old vertices that slide to a mix of old vertices
    """

    removed_faces: BoolArray
    positions: FloatArray
    sources: IntArray
    weights: FloatArray
    faces: list[list[int]]
    source_faces: IntArray
    moved: MovedVertices | None = None


@dataclass(frozen=True)
class MeshEdit:
    """A changed mesh and where all its parts come from, for whoever carries further attributes.

    mesh : kept vertices and faces in their old order, new ones after them
    vertex_sources : (V', s) int32, old vertices that each vertex is mixed from; kept ones name themselves; -1 pads
    vertex_weights : (V', s) float64, their shares
    face_sources : (F', ) int32, old face that each face takes its attributes from
    kept_faces : (F',) bool, faces that are the old ones, corner for corner
    new_vertex_of : (V + k,) int32, index in the new mesh of every old vertex, then of every new one; -1 where it is gone
    """

    mesh: PolyMesh
    vertex_sources: IntArray
    vertex_weights: FloatArray
    face_sources: IntArray
    kept_faces: BoolArray
    new_vertex_of: IntArray


def replace_faces(mesh: PolyMesh, change: Replacement) -> MeshEdit:
    """Replace faces of a mesh; vertices that lose their last face go, all others keep their order."""
    kept = ~change.removed_faces
    corner_kept = np.repeat(kept, mesh.face_sizes)
    new_corners = np.fromiter((vertex for face in change.faces for vertex in face), dtype=np.int32)
    corners = np.concatenate([mesh.corner_verts[corner_kept], new_corners]).astype(np.int32)
    sizes = np.concatenate([mesh.face_sizes[kept], [len(face) for face in change.faces]]).astype(np.int32)
    total = mesh.vertex_count + len(change.positions)
    orphan = np.zeros(total, dtype=np.bool_)
    orphan[mesh.corner_verts[~corner_kept]] = True
    orphan[mesh.vertex_count :] = True
    orphan[corners] = False
    new_vertex_of = np.where(orphan, -1, np.cumsum(~orphan) - 1).astype(np.int32)
    positions = np.concatenate([mesh.positions, change.positions])
    if change.moved is not None:
        positions[change.moved.vertices] = np.einsum("ks,ksd->kd", change.moved.weights, mesh.positions[change.moved.sources])
    sources, weights = _vertex_sources(mesh, change)
    face_sources = np.concatenate([np.flatnonzero(kept), change.source_faces]).astype(np.int32)
    attributes = _carry(mesh, sources[~orphan], weights[~orphan], face_sources)
    return MeshEdit(PolyMesh(positions[~orphan], new_vertex_of[corners], offsets_of(sizes), attributes), sources[~orphan], weights[~orphan],
                    face_sources, np.arange(len(sizes)) < np.count_nonzero(kept), new_vertex_of)


def chain_edits(first: MeshEdit, second: MeshEdit) -> MeshEdit:
    """The edit that does two edits one after the other; the second must start from the first's mesh.

    Vertices that the second mixes from several mixed ones keep the heaviest source of each.
    """
    heaviest = first.vertex_sources[np.arange(len(first.vertex_sources)), np.argmax(first.vertex_weights, axis=1)]
    single = second.vertex_weights.max(axis=1) >= 1.0
    origin = second.vertex_sources[np.arange(len(second.vertex_sources)), np.argmax(second.vertex_weights, axis=1)]
    width = max(first.vertex_sources.shape[1], second.vertex_sources.shape[1])
    sources = np.full((len(second.vertex_sources), width), -1, dtype=np.int32)
    weights = np.zeros((len(second.vertex_sources), width))
    mixed = np.where(second.vertex_sources >= 0, heaviest[second.vertex_sources], -1)
    sources[:, : mixed.shape[1]] = mixed
    weights[:, : mixed.shape[1]] = second.vertex_weights
    depth = first.vertex_sources.shape[1]
    sources[single] = -1
    weights[single] = 0.0
    sources[single, :depth] = first.vertex_sources[origin[single]]
    weights[single, :depth] = first.vertex_weights[origin[single]]
    old_count = len(first.new_vertex_of)
    through = np.where(first.new_vertex_of >= 0, second.new_vertex_of[first.new_vertex_of], -1)
    added = second.new_vertex_of[first.mesh.vertex_count :]
    return MeshEdit(second.mesh, sources, weights, first.face_sources[second.face_sources],
                    second.kept_faces & first.kept_faces[second.face_sources],
                    np.concatenate([through[:old_count], added]).astype(np.int32))


def unchanged(mesh: PolyMesh) -> MeshEdit:
    """The edit that changes nothing."""
    nothing = Replacement(np.zeros(mesh.face_count, dtype=np.bool_), np.zeros((0, 3)), np.zeros((0, 1), dtype=np.int32),
                          np.zeros((0, 1)), [], np.zeros(0, dtype=np.int32))
    return replace_faces(mesh, nothing)


def _vertex_sources(mesh: PolyMesh, change: Replacement) -> tuple[IntArray, FloatArray]:
    width = max(change.sources.shape[1], 1 if change.moved is None else change.moved.sources.shape[1], 1)
    sources = np.full((mesh.vertex_count + len(change.positions), width), -1, dtype=np.int32)
    weights = np.zeros(sources.shape)
    sources[: mesh.vertex_count, 0] = np.arange(mesh.vertex_count)
    weights[: mesh.vertex_count, 0] = 1.0
    sources[mesh.vertex_count :, : change.sources.shape[1]] = change.sources
    weights[mesh.vertex_count :, : change.sources.shape[1]] = change.weights
    if change.moved is not None:
        sources[change.moved.vertices] = -1
        weights[change.moved.vertices] = 0.0
        sources[change.moved.vertices, : change.moved.sources.shape[1]] = change.moved.sources
        weights[change.moved.vertices, : change.moved.sources.shape[1]] = change.moved.weights
    return sources, weights


def _carry(mesh: PolyMesh, sources: IntArray, weights: FloatArray, face_sources: IntArray) -> dict[str, npt.NDArray[np.generic]]:
    """Attributes on the new elements: numbers with a point are mixed, marks kept where all sources bear them; all else follows
    the heaviest source."""
    heaviest = sources[np.arange(len(sources)), np.argmax(weights, axis=1)] if len(sources) else np.zeros(0, dtype=np.int32)
    carried: dict[str, npt.NDArray[np.generic]] = {}
    for name, values in mesh.attributes.items():
        if name.startswith("face."):
            carried[name] = values[face_sources]
        elif name.startswith("vertex.") and np.issubdtype(values.dtype, np.floating):
            share = weights.reshape(*weights.shape, *(1,) * (values.ndim - 1))
            carried[name] = (values[np.maximum(sources, 0)] * share).sum(axis=1).astype(values.dtype)
        elif name.startswith("vertex.") and values.dtype == np.bool_ and values.ndim == 1:
            carried[name] = (values[np.maximum(sources, 0)] | (weights == 0)).all(axis=1)
        elif name.startswith("vertex."):
            carried[name] = values[heaviest]
    return carried
