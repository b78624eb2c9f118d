"""Fill borders or refill regions of a mesh as an edit that says where every part comes from."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .adjacency import build_adjacency
from .errors import MeshError
from .mesh_edit import MeshEdit, chain_edits, unchanged
from .patch import fill_mesh_loop, refill_region
from .patch_choice import PatchOptions
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .surface import Surface


def fill_loops(mesh: PolyMesh, loops: list[IntArray], *, follow: bool = False, surface: Surface | None = None,
               options: PatchOptions | None = None) -> MeshEdit:
    """Fill several boundary loops of a mesh; arguments and errors as in ``patch.fill_mesh_loop``."""
    if not loops:
        raise MeshError("No open ring is chosen; choose the whole border of a hole.")
    edit = unchanged(mesh)
    for loop in loops:
        filled = fill_mesh_loop(edit.mesh, loop, follow=follow, surface=surface, options=options)
        edit = chain_edits(edit, _described(edit.mesh, filled, np.ones(edit.mesh.face_count, dtype=np.bool_)))
    return edit


def refill_faces(mesh: PolyMesh, faces: npt.ArrayLike, *, follow: bool = False, surface: Surface | None = None,
                 options: PatchOptions | None = None) -> MeshEdit:
    """Take faces out and fill their border; arguments and errors as in ``patch.refill_region``."""
    kept = np.ones(mesh.face_count, dtype=np.bool_)
    kept[np.asarray(faces, dtype=np.int64)] = False
    return _described(mesh, refill_region(mesh, faces, follow=follow, surface=surface, options=options), kept)


def _described(mesh: PolyMesh, result: PolyMesh, kept: BoolArray) -> MeshEdit:
    """The edit from a mesh to a result that keeps some faces in front and appends a patch.

    kept : (F,) bool, faces of the mesh that the result keeps
    A new vertex, and a new face, takes what it carries from the nearest old vertex of the border.
    """
    kept_vertices = np.flatnonzero(~_inner_vertices(mesh, kept))
    added = np.arange(len(kept_vertices), result.vertex_count)
    new_faces = int(np.count_nonzero(kept))
    patch = result.corner_verts[result.face_offsets[new_faces] :].reshape(-1, 4)
    border = np.unique(patch[patch < len(kept_vertices)])
    sources = np.concatenate([kept_vertices, kept_vertices[border[_nearest(result.positions[added], result.positions[border])]]])
    new_vertex_of = np.full(mesh.vertex_count + len(added), -1, dtype=np.int32)
    new_vertex_of[kept_vertices] = np.arange(len(kept_vertices))
    new_vertex_of[mesh.vertex_count :] = added
    face_sources = np.concatenate([np.flatnonzero(kept), _faces_at(mesh)[sources[patch[:, 0]]]]).astype(np.int32)
    return MeshEdit(result, sources.astype(np.int32)[:, None], np.ones((len(sources), 1)), face_sources,
                    np.arange(result.face_count) < new_faces, new_vertex_of)


def _inner_vertices(mesh: PolyMesh, kept: BoolArray) -> BoolArray:
    """Vertices that lose all their faces and lie on no edge of the region's border, (V,) bool."""
    corner_removed = ~np.repeat(kept, mesh.face_sizes)
    inner = np.zeros(mesh.vertex_count, dtype=np.bool_)
    inner[mesh.corner_verts[corner_removed]] = True
    inner[mesh.corner_verts[~corner_removed]] = False
    adjacency = build_adjacency(mesh)
    removed = np.bincount(adjacency.corner_edges[corner_removed], minlength=adjacency.edge_count)
    inner[adjacency.edge_verts[removed == 1].ravel()] = False
    return inner


def _nearest(points: FloatArray, places: FloatArray) -> npt.NDArray[np.intp]:
    """The nearest of (m, 3) places for each of (n, 3) points, (n,)."""
    apart = np.linalg.norm(points[:, None] - places[None], axis=2)
    return np.argmin(apart, axis=1) if len(points) else np.zeros(0, dtype=np.intp)


def _faces_at(mesh: PolyMesh) -> IntArray:
    """One face at every vertex, (V,) int32; 0 where there is none."""
    faces = np.zeros(mesh.vertex_count, dtype=np.int32)
    faces[mesh.corner_verts] = np.repeat(np.arange(mesh.face_count, dtype=np.int32), mesh.face_sizes)
    return faces
