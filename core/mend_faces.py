"""Face mending: even polygons to quads, neighbouring odd faces merged, single odd ones carried to a partner."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency
from .errors import MeshError
from .frames import unit
from .mesh_edit import MeshEdit, Replacement, chain_edits, replace_faces, unchanged
from .pairing import pair_linked
from .polygon_quads import PolygonFilling, area_vector, plain_filling, polygon_fillings
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh

LARGEST_FOLD = np.cos(np.radians(60.0))
"""Cosine of the angle between two faces up to which they merge."""

POOR_SHAPE = 0.3
"""Scaled Jacobian of a split without inner vertices under which one with them is looked at: a corner of over 160 degrees."""

CLEAR_GAIN = 0.15
"""How much better inner vertices must make the worst quad before they are added unasked."""

LARGEST_EXACT_GROUP = 500
"""Odd faces in one connected group up to which their pairing is exact; beyond, best pairs first."""

LEAVE_ALONE = 10.0
"""Cost of an odd face without a partner, far above any merge that keeps its shape."""


@dataclass(frozen=True)
class OddFace:
    """A face with an odd count that no neighbour cancels.

    face : the odd face
    partner : the nearest other odd face; -1 where only a boundary edge is in reach
    path : (k,) int32, edges to cross from the face to its partner, the last one on the boundary where partner is -1;
        empty where nothing can be reached
    """

    face: int
    partner: int
    path: IntArray

    def sentence(self, sizes: IntArray) -> str:
        """What an artist reads about the face."""
        what = f"Face {self.face} has {int(sizes[self.face])} corners"
        if len(self.path) == 0:
            return f"{what} and nothing in reach could cancel it."
        across = "one edge" if len(self.path) == 1 else f"{len(self.path)} edges"
        if self.partner < 0:
            return f"{what}; a cut across {across} carries it to the boundary, which gains one edge."
        return f"{what}; a cut across {across} carries it to face {self.partner}, where both become even."


def split_even_faces(mesh: PolyMesh, faces: npt.ArrayLike, *, inner_vertices: bool | None = None) -> MeshEdit:
    """Split polygons with an even count above four into quads, best shape first.

    faces : (k,) int, faces to split; those with four corners stay
    inner_vertices : whether a filling adds vertices inside a polygon wherever that gives the better shape; left out: only
        where the shape is poor without them and clearly better with them
    Raises MeshError where a named face is odd.
    """
    chosen = np.zeros(mesh.face_count, dtype=np.bool_)
    chosen[np.asarray(faces, dtype=np.int64)] = True
    if np.any(mesh.face_sizes[chosen] % 2):
        raise MeshError(f"Face {int(np.flatnonzero(chosen & (mesh.face_sizes % 2 == 1))[0])} has an odd count and no filling with "
                        "quads alone; merge it or carry it to another odd face.")
    chosen &= _even_polygons(mesh)
    polygons = [mesh.face(int(index)) for index in np.flatnonzero(chosen)]
    fillings = [_filling(mesh.positions[polygon], inner_vertices) for polygon in polygons]
    return replace_faces(mesh, _fill(mesh, chosen, polygons, fillings))


def _even_polygons(mesh: PolyMesh) -> BoolArray:
    even: BoolArray = (mesh.face_sizes > 4) & (mesh.face_sizes % 2 == 0)
    corner_face = np.repeat(np.arange(mesh.face_count), mesh.face_sizes)
    order = np.lexsort((mesh.corner_verts, corner_face))
    again = (np.diff(corner_face[order]) == 0) & (np.diff(mesh.corner_verts[order]) == 0)
    # A polygon that meets a vertex twice bounds no disc of its own.
    even[corner_face[order][1:][again]] = False
    return even


def _filling(points: FloatArray, inner_vertices: bool | None) -> PolygonFilling:
    plain = plain_filling(points)
    if inner_vertices is False or (inner_vertices is None and plain.quality >= POOR_SHAPE):
        return plain
    best = polygon_fillings(points)[0]
    return best if inner_vertices or best.quality >= plain.quality + CLEAR_GAIN else plain


def _fill(mesh: PolyMesh, removed: BoolArray, polygons: list[IntArray], fillings: list[PolygonFilling]) -> Replacement:
    width = max((len(polygon) for polygon in polygons), default=1)
    first_new = mesh.vertex_count
    faces: list[list[int]] = []
    sources, weights, owners = [np.zeros((0, width), dtype=np.int32)], [np.zeros((0, width))], [np.zeros(0, dtype=np.int32)]
    for owner, polygon, filling in zip(np.flatnonzero(removed), polygons, fillings, strict=True):
        inner = len(filling.weights)
        number = np.concatenate([polygon, np.arange(first_new, first_new + inner, dtype=np.int32)])
        faces += number[filling.quads].tolist()
        padding = ((0, 0), (0, width - len(polygon)))
        sources.append(np.pad(np.tile(polygon, (inner, 1)), padding, constant_values=-1).astype(np.int32))
        weights.append(np.pad(filling.weights, padding))
        owners.append(np.full(len(filling.quads), owner, dtype=np.int32))
        first_new += inner
    source, weight = np.concatenate(sources), np.concatenate(weights)
    positions = np.einsum("ks,ksd->kd", weight, mesh.positions[np.maximum(source, 0)]) if len(source) else np.zeros((0, 3))
    return Replacement(removed, positions, source, weight, faces, np.concatenate(owners))


def merge_odd_pairs(mesh: PolyMesh, adjacency: Adjacency, locked_edges: BoolArray) -> MeshEdit:
    """Merge neighbouring odd faces in pairs, as many as possible and best shape first; two triangles make one quad.

    locked_edges : (E,) bool, edges that must stay
    """
    pairs = _mergeable_pairs(mesh, adjacency, locked_edges)
    removed = np.zeros(mesh.face_count, dtype=np.bool_)
    faces, owners = [], []
    for first, second, edge in _chosen_pairs(pairs):
        faces.append(_merged_polygon(mesh, first, second, adjacency.edge_verts[edge]))
        owners.append(first)
        removed[[first, second]] = True
    return replace_faces(mesh, Replacement(removed, np.zeros((0, 3)), np.zeros((0, 1), dtype=np.int32), np.zeros((0, 1)), faces,
                                           np.array(owners, dtype=np.int32)))


def edge_faces(adjacency: Adjacency) -> IntArray:
    """The two faces at every edge, (E, 2) int32; -1 where there is no second one, both -1 where there are more than two."""
    corners = np.arange(len(adjacency.corner_edges), dtype=np.int32)
    low, high = np.empty(adjacency.edge_count, dtype=np.int32), np.empty(adjacency.edge_count, dtype=np.int32)
    low[adjacency.corner_edges[::-1]] = corners[::-1]
    high[adjacency.corner_edges] = corners
    faces = np.column_stack([adjacency.corner_faces[low], adjacency.corner_faces[high]])
    faces[adjacency.edge_face_count == 1, 1] = -1
    faces[adjacency.edge_face_count > 2] = -1
    return faces.astype(np.int32)


@dataclass(frozen=True)
class _MergeablePairs:
    """Neighbouring odd faces that may merge: faces (k, 2), edges (k,), costs (k,)."""

    faces: IntArray
    edges: IntArray
    costs: FloatArray


def _mergeable_pairs(mesh: PolyMesh, adjacency: Adjacency, locked_edges: BoolArray) -> _MergeablePairs:
    faces = edge_faces(adjacency)
    odd = mesh.face_sizes % 2 == 1
    both = (faces >= 0).all(axis=1) & (faces[:, 0] != faces[:, 1])
    both &= odd[faces[:, 0]] & odd[faces[:, 1]] & ~locked_edges
    kept, costs = [], []
    for edge in np.flatnonzero(both):
        cost = _merge_cost(mesh, int(faces[edge, 0]), int(faces[edge, 1]), adjacency.edge_verts[edge])
        if np.isfinite(cost):
            kept.append(int(edge))
            costs.append(cost)
    edges = np.array(kept, dtype=np.int32)
    return _MergeablePairs(faces[edges].reshape(-1, 2), edges, np.array(costs))


def _merge_cost(mesh: PolyMesh, first: int, second: int, edge: IntArray) -> float:
    """One minus the merged filling's quality; infinite where the faces fold, disagree or touch elsewhere."""
    polygon = _merged_polygon(mesh, first, second, edge)
    if len(polygon) != mesh.face_sizes[first] + mesh.face_sizes[second] - 2 or len(set(polygon)) != len(polygon):
        return float("inf")
    normals = unit(np.array([area_vector(mesh.positions[mesh.face(face)]) for face in (first, second)]))
    if normals[0] @ normals[1] < LARGEST_FOLD:
        return float("inf")
    return 1.0 - plain_filling(mesh.positions[polygon]).quality


def _merged_polygon(mesh: PolyMesh, first: int, second: int, edge: IntArray) -> list[int]:
    """The polygon round two faces without the edge between them; empty where they run along it alike."""
    one, other = mesh.face(first).tolist(), mesh.face(second).tolist()
    a, b = (int(vertex) for vertex in edge)
    if one[(one.index(a) + 1) % len(one)] != b:
        a, b = b, a
    start, back = one.index(b), other.index(a)
    if one[(one.index(a) + 1) % len(one)] != b or other[(other.index(b) + 1) % len(other)] != a:
        return []
    return [*one[start:], *one[:start], *(other[(back + step) % len(other)] for step in range(1, len(other) - 1))]


def _chosen_pairs(pairs: _MergeablePairs) -> list[tuple[int, int, int]]:
    """Pairs to merge: exact in every group of neighbours up to LARGEST_EXACT_GROUP faces."""
    chosen: list[tuple[int, int, int]] = []
    for members in _groups(pairs):
        rows = np.flatnonzero(np.isin(pairs.faces[:, 0], members))
        if len(members) > LARGEST_EXACT_GROUP:
            chosen += _best_first(pairs, rows)
            continue
        links = np.searchsorted(members, pairs.faces[rows])
        row_of = {frozenset(link): row for link, row in zip(links[::-1].tolist(), rows[::-1].tolist(), strict=True)}
        for first, partner in enumerate(pair_linked(len(members), links, 2.0 * LEAVE_ALONE - pairs.costs[rows]).tolist()):
            if partner > first:
                chosen.append((int(members[first]), int(members[partner]), int(pairs.edges[row_of[frozenset((first, partner))]])))
    return chosen


def _groups(pairs: _MergeablePairs) -> list[IntArray]:
    """Faces of every connected group, each (k,) int32 increasing."""
    parent: dict[int, int] = {int(face): int(face) for face in pairs.faces.ravel()}

    def root(face: int) -> int:
        while parent[face] != face:
            parent[face] = parent[parent[face]]
            face = parent[face]
        return face

    for first, second in pairs.faces.tolist():
        parent[max(root(first), root(second))] = min(root(first), root(second))
    groups: dict[int, list[int]] = {}
    for face in sorted(parent):
        groups.setdefault(root(face), []).append(face)
    return [np.array(members, dtype=np.int32) for members in groups.values()]


def _best_first(pairs: _MergeablePairs, rows: npt.NDArray[np.intp]) -> list[tuple[int, int, int]]:
    taken: set[int] = set()
    chosen = []
    for row in rows[np.argsort(pairs.costs[rows], kind="stable")]:
        first, second = pairs.faces[row].tolist()
        if first not in taken and second not in taken:
            taken.update((first, second))
            chosen.append((first, second, int(pairs.edges[row])))
    return chosen


def find_odd_faces(mesh: PolyMesh, adjacency: Adjacency) -> tuple[OddFace, ...]:
    """Every odd face with the shortest way across edges to another odd face or, failing that, to the boundary."""
    odd = mesh.face_sizes % 2 == 1
    faces = edge_faces(adjacency)
    return tuple(_way_out(mesh, adjacency, faces, odd, int(face)) for face in np.flatnonzero(odd))


def _way_out(mesh: PolyMesh, adjacency: Adjacency, faces: IntArray, odd: BoolArray, start: int) -> OddFace:
    came: dict[int, tuple[int, int]] = {start: (-1, -1)}
    queue = deque([start])
    boundary: OddFace | None = None
    while queue:
        face = queue.popleft()
        for edge in adjacency.corner_edges[mesh.face_offsets[face] : mesh.face_offsets[face + 1]].tolist():
            if faces[edge, 1] < 0:
                if boundary is None and faces[edge, 0] >= 0:
                    boundary = OddFace(start, -1, np.array([*_edges_to(came, face), edge], dtype=np.int32))
                continue
            other = int(faces[edge, 0] if faces[edge, 1] == face else faces[edge, 1])
            if other in came:
                continue
            came[other] = (face, edge)
            if odd[other]:
                return OddFace(start, other, np.array(_edges_to(came, other), dtype=np.int32))
            queue.append(other)
    return boundary if boundary is not None else OddFace(start, -1, np.zeros(0, dtype=np.int32))


def _edges_to(came: dict[int, tuple[int, int]], face: int) -> list[int]:
    edges: list[int] = []
    while came[face][0] >= 0:
        face, edge = came[face]
        edges.append(edge)
    return edges[::-1]


def carry_odd_face(mesh: PolyMesh, adjacency: Adjacency, odd: OddFace) -> MeshEdit:
    """Cut from an odd face to where its path ends: every crossed edge gains a vertex, every crossed face is split.

    odd : one of ``find_odd_faces`` on this mesh
    Both ends become even; a path to the boundary adds one boundary edge. Raises MeshError where the path is empty.
    """
    if len(odd.path) == 0:
        raise MeshError(f"Face {odd.face} has no odd face and no boundary in reach; its piece cannot become all quads.")
    middle = {int(edge): mesh.vertex_count + index for index, edge in enumerate(odd.path)}
    removed = np.isin(adjacency.corner_edges, odd.path)
    crossed = np.unique(adjacency.corner_faces[removed])
    polygons = [_with_middles(mesh, adjacency, int(face), middle) for face in crossed]
    ends = adjacency.edge_verts[odd.path]
    mask = np.zeros(mesh.face_count, dtype=np.bool_)
    mask[crossed] = True
    positions = mesh.positions[ends].mean(axis=1)
    cut = replace_faces(mesh, Replacement(mask, positions, ends, np.full(ends.shape, 0.5), polygons, crossed.astype(np.int32)))
    even = np.flatnonzero(~cut.kept_faces & (cut.mesh.face_sizes % 2 == 0))
    return chain_edits(cut, split_even_faces(cut.mesh, even)) if len(even) else chain_edits(cut, unchanged(cut.mesh))


def _with_middles(mesh: PolyMesh, adjacency: Adjacency, face: int, middle: dict[int, int]) -> list[int]:
    polygon: list[int] = []
    for corner in range(int(mesh.face_offsets[face]), int(mesh.face_offsets[face + 1])):
        polygon.append(int(mesh.corner_verts[corner]))
        edge = int(adjacency.corner_edges[corner])
        if edge in middle:
            polygon.append(middle[edge])
    return polygon
