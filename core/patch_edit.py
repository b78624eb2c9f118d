"""Fill borders or refill regions of a mesh as an edit that says where every part comes from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import build_adjacency
from .errors import MeshError
from .mesh_edit import MeshEdit, chain_edits, unchanged
from .patch import Patch, fill_mesh_loop, refill_region, region_border
from .patch_choice import PatchOptions
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .rings import boundary_loops
from .surface import Surface

MOST_SHARES = 1 << 24
"""Shares that an edit of a whole mesh may hold; in a larger mesh a new vertex keeps its heaviest sources only."""


@dataclass(frozen=True)
class Filling:
    """An edit that fills borders, and the patch of every border."""

    edit: MeshEdit
    patches: tuple[Patch, ...]


def fill_loops(mesh: PolyMesh, loops: list[IntArray], *, marked: npt.ArrayLike | None = None, follow: bool = False,
               surface: Surface | None = None, options: PatchOptions | None = None) -> Filling:
    """Fill several boundary loops of a mesh.

    marked : (k,) int, mesh vertices that are corners of the loops that they lie on, or None: found
    Other arguments and errors as in ``patch.fill_mesh_loop``.
    """
    if not loops:
        raise MeshError("No open ring is chosen; choose the whole border of a hole.")
    edit, patches = unchanged(mesh), []
    for loop in loops:
        filled = fill_mesh_loop(edit.mesh, loop, corners=_marked_on(loop, marked), follow=follow, surface=surface, options=options)
        edit = chain_edits(edit, _described(edit.mesh, filled.mesh, np.ones(edit.mesh.face_count, dtype=np.bool_)))
        patches.append(filled.patch)
    return Filling(edit, tuple(patches))


def refill_faces(mesh: PolyMesh, faces: npt.ArrayLike, *, marked: npt.ArrayLike | None = None, follow: bool = False,
                 surface: Surface | None = None, options: PatchOptions | None = None) -> Filling:
    """Take faces out and fill their border; ``marked`` as in fill_loops, other arguments and errors as in ``patch.refill_region``."""
    kept = np.ones(mesh.face_count, dtype=np.bool_)
    kept[np.asarray(faces, dtype=np.int64)] = False
    corners = None if marked is None else _marked_on(region_border(mesh, ~kept), marked)
    filled = refill_region(mesh, faces, corners=corners, follow=follow, surface=surface, options=options)
    return Filling(_described(mesh, filled.mesh, kept), (filled.patch,))


def _marked_on(loop: npt.ArrayLike, marked: npt.ArrayLike | None) -> tuple[int, ...] | None:
    return None if marked is None else tuple(np.intersect1d(np.asarray(loop), np.asarray(marked, dtype=np.int64)).tolist())


def missing_border(mesh: PolyMesh, chosen: BoolArray) -> MeshError:
    """Why no border of a hole goes through the chosen vertices, (V,) bool."""
    adjacency = build_adjacency(mesh)
    crowded = np.flatnonzero((adjacency.edge_face_count > 2) & chosen[adjacency.edge_verts].any(axis=1))
    if len(crowded):
        start, end = adjacency.edge_verts[crowded[0]].tolist()
        faces = int(adjacency.edge_face_count[crowded[0]])
        return MeshError(f"No border can be followed past the edge from vertex {start} to {end}, which has {faces} faces; "
                         "take the surplus faces away first.")
    return MeshError("No open ring and no face is selected; select the border of a hole, or the faces to fill anew.")


def _described(mesh: PolyMesh, result: PolyMesh, kept: BoolArray) -> MeshEdit:
    """The edit from a mesh to a result that keeps some faces in front and appends a patch.

    kept : (F,) bool, faces of the mesh that the result keeps
    A new vertex is mixed from the whole border; a new face takes what it carries from its nearest corner of the border.
    """
    kept_vertices = np.flatnonzero(~_inner_vertices(mesh, kept))
    added = np.arange(len(kept_vertices), result.vertex_count)
    new_faces = int(np.count_nonzero(kept))
    patch = result.corner_verts[result.face_offsets[new_faces] :].reshape(-1, 4)
    border = _border_in_order(result, patch, len(kept_vertices))
    nearest = np.arange(result.vertex_count)
    nearest[added] = border[_nearest(result.positions[added], result.positions[border])]
    shares = mean_value_shares(result.positions[border], result.positions[added])
    width = min(len(border), max(4, MOST_SHARES // max(result.vertex_count, 1)))
    largest = np.argsort(-shares, axis=1, kind="stable")[:, :width]
    shares = np.take_along_axis(shares, largest, axis=1)
    sources = np.full((result.vertex_count, width), -1, dtype=np.int32)
    weights = np.zeros(sources.shape)
    sources[: len(kept_vertices), 0], weights[: len(kept_vertices), 0] = kept_vertices, 1.0
    sources[added], weights[added] = kept_vertices[border[largest]], shares / shares.sum(axis=1, keepdims=True)
    new_vertex_of = np.full(mesh.vertex_count + len(added), -1, dtype=np.int32)
    new_vertex_of[kept_vertices] = np.arange(len(kept_vertices))
    new_vertex_of[mesh.vertex_count :] = added
    beside = _faces_at(mesh)[kept_vertices[nearest[patch[:, 0]]]]
    return MeshEdit(result, sources, weights, np.concatenate([np.flatnonzero(kept), beside]).astype(np.int32),
                    np.arange(result.face_count) < new_faces, new_vertex_of)


def _border_in_order(result: PolyMesh, patch: IntArray, old_count: int) -> IntArray:
    """The patch's border, (n,) int32; where it is not a single loop, its old vertices in any order."""
    alone = PolyMesh.from_quads(result.positions, patch)
    loops = boundary_loops(alone, build_adjacency(alone))
    return loops[0] if len(loops) == 1 else np.unique(patch[patch < old_count])


def mean_value_shares(border: FloatArray, points: FloatArray) -> FloatArray:
    """Shares of a closed border's vertices in points inside it, (k, n) float64; rows add up to 1, none is negative.

    border : (n, 3) float64, in order
    points : (k, 3) float64
    What is linear across a flat convex border stays linear.
    Method: mean value coordinates (Floater 2003) in the plane that fits the border best.
    """
    middle = border.mean(axis=0)
    axes = np.linalg.svd(border - middle, full_matrices=False)[2][:2]
    flat = (border - middle) @ axes.T
    to = flat[None] - ((points - middle) @ axes.T)[:, None]
    after = np.roll(to, -1, axis=1)
    reach = np.maximum(np.linalg.norm(to, axis=2), 1e-12 * np.abs(flat).max(initial=0.0))
    area = to[..., 0] * after[..., 1] - to[..., 1] * after[..., 0]
    ahead = reach * np.roll(reach, -1, axis=1) - np.einsum("knd,knd->kn", to, after)
    half = np.divide(ahead, area, out=np.zeros_like(area), where=np.abs(area) > 1e-12 * reach * np.roll(reach, -1, axis=1))
    # Seen from a point inside, a border that runs clockwise in the plane has all its angles negative.
    turn = 1.0 if _flat_area(flat) >= 0 else -1.0
    shares = np.maximum(turn * (half + np.roll(half, 1, axis=1)) / reach, 0.0)
    total = shares.sum(axis=1, keepdims=True)
    even = np.full_like(shares, 1.0 / len(border))
    return np.divide(shares, total, out=even, where=total > 0)


def _flat_area(flat: FloatArray) -> float:
    after = np.roll(flat, -1, axis=0)
    return float(np.sum(flat[:, 0] * after[:, 1] - flat[:, 1] * after[:, 0]))


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
