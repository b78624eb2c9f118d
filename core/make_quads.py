"""Turn chosen triangles and n-gons into quads and leave everything else as it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .adjacency import build_adjacency
from .mend_faces import OddFace, carry_odd_face, edge_faces, find_odd_faces, merge_odd_pairs, split_even_faces
from .mesh_edit import MeshEdit, chain_edits
from .polymesh import BoolArray, PolyMesh


@dataclass(frozen=True)
class MadeQuads:
    """A mesh with chosen faces mended.

    edit : the new mesh and where its parts come from
    odd_faces : chosen faces with an odd count that remain, each with the way to carry it off
    """

    edit: MeshEdit
    odd_faces: tuple[OddFace, ...]


def make_quads(mesh: PolyMesh, chosen: BoolArray, locked_edges: BoolArray, *, inner_vertices: bool | None = None,
               carry: bool = False) -> MadeQuads:
    """Merge neighbouring odd faces and split even polygons, among the chosen faces only.

    chosen : (F,) bool
    locked_edges : (E,) bool by the mesh's adjacency, edges that must stay
    inner_vertices : as in ``split_even_faces``
    carry : whether an odd face that remains may be carried through other faces to the next odd one or to the boundary
    """
    adjacency = build_adjacency(mesh)
    beside = edge_faces(adjacency)
    apart = locked_edges | ~(chosen[beside[:, 0]] & chosen[beside[:, 1]]) | (beside < 0).any(axis=1)
    edit = merge_odd_pairs(mesh, adjacency, apart)
    edit = _split(edit, chosen, inner_vertices=inner_vertices)
    if carry:
        edit = _carried(edit, chosen)
    return MadeQuads(edit, _odd_faces(edit, chosen))


def _split(edit: MeshEdit, chosen: BoolArray, *, inner_vertices: bool | None) -> MeshEdit:
    sizes = edit.mesh.face_sizes
    polygons = np.flatnonzero(chosen[edit.face_sources] & (sizes > 4) & (sizes % 2 == 0))
    return chain_edits(edit, split_even_faces(edit.mesh, polygons, inner_vertices=inner_vertices)) if len(polygons) else edit


def _carried(edit: MeshEdit, chosen: BoolArray) -> MeshEdit:
    for _ in range(edit.mesh.face_count):
        odd = [each for each in _odd_faces(edit, chosen) if len(each.path) > 0]
        if not odd:
            return edit
        nearest = min(odd, key=lambda each: len(each.path))
        edit = chain_edits(edit, carry_odd_face(edit.mesh, build_adjacency(edit.mesh), nearest))
    return edit


def _odd_faces(edit: MeshEdit, chosen: BoolArray) -> tuple[OddFace, ...]:
    if not np.any((edit.mesh.face_sizes % 2 == 1) & chosen[edit.face_sources]):
        return ()
    return tuple(each for each in find_odd_faces(edit.mesh, build_adjacency(edit.mesh)) if chosen[edit.face_sources[each.face]])
