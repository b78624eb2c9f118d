"""Where to cut a cage for its unwrap: round the roots of branches, and along the hidden side of every limb.

The skin is parted where a branch leaves its trunk. Every part that is left is opened into a disc: all its holes are joined
by paths along its edges, and from there one runs to every closed end. Paths prefer the side to which the limb flexes, which is
the inner side of an arm and the palm's side of a finger, and they prefer to run straight.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency, build_adjacency, components
from .errors import MeshError
from .face_geometry import vertex_normals
from .frames import unit
from .plan import LimbPlan
from .polymesh import FACE_LIMB, BoolArray, FloatArray, IntArray, PolyMesh
from .skeleton import Skeleton
from .skin_weights import nearest_bones

EXPOSED_COST = 3.0
"""An edge on the side that is seen costs this much more than one on the hidden side."""
AROUND_COST = 2.0
"""An edge that runs round its limb costs this much more than one along it."""


def find_seams(mesh: PolyMesh, plan: LimbPlan, skeleton: Skeleton) -> IntArray:
    """Edges to cut, (k,) int32 into ``build_adjacency(mesh).edge_verts``.

    mesh : with the attributes ``face.face_limb`` and ``vertex.limb``
    skeleton : of the plan
    Raises MeshError where the mesh does not tell which limb its faces belong to.
    """
    attribute = mesh.attributes.get(FACE_LIMB)
    if attribute is None:
        raise MeshError("The cage does not tell which limb its faces belong to; build it from a plan.")
    adjacency, limbs = build_adjacency(mesh), attribute.astype(np.int32)
    cut = _between_pieces(mesh, adjacency, _pieces(plan)[limbs])
    costs = edge_costs(mesh, adjacency, skeleton)
    closed = [index for index, limb in enumerate(plan.limbs) if limb.tip == "closed" and plan.tip_join(limb.name) is None]
    for part in _parts(mesh, adjacency, cut):
        ends = [part[limbs[part] == limb] for limb in closed if (limbs[part] == limb).any()]
        cut[_opening_paths(mesh, adjacency, costs, part, ends)] = True
    return np.flatnonzero(cut).astype(np.int32)


def _pieces(plan: LimbPlan) -> IntArray:
    """For every limb the number of its piece: spliced limbs are one, branches of forks and sockets are others."""
    number = {limb.name: index for index, limb in enumerate(plan.limbs)}
    pairs = [(number[splice.lower], number[splice.upper]) for splice in plan.splices]
    return components(len(plan.limbs), np.array(pairs, dtype=np.int32).reshape(-1, 2))


def _between_pieces(mesh: PolyMesh, adjacency: Adjacency, pieces: IntArray) -> BoolArray:
    """Edges between faces of two pieces, (E,) bool."""
    of_corners = pieces[adjacency.corner_faces]
    low = np.full(adjacency.edge_count, np.iinfo(np.int32).max, dtype=np.int32)
    high = np.full(adjacency.edge_count, -1, dtype=np.int32)
    np.minimum.at(low, adjacency.corner_edges, of_corners)
    np.maximum.at(high, adjacency.corner_edges, of_corners)
    return np.asarray(low != high)


def edge_costs(mesh: PolyMesh, adjacency: Adjacency, skeleton: Skeleton) -> FloatArray:
    """Cost of cutting every edge, (E,) float64: its length, more on the seen side, more across the limb."""
    nearest = nearest_bones(mesh, skeleton)
    directions = np.array([bone.direction for bone in skeleton.bones])[nearest]
    hidden = np.array([np.cross(bone.hinge, bone.direction) for bone in skeleton.bones])[nearest]
    facing = np.einsum("ij,ij->i", vertex_normals(mesh), hidden)
    ends = adjacency.edge_verts
    step = mesh.positions[ends[:, 1]] - mesh.positions[ends[:, 0]]
    exposed = 0.5 * (1.0 - facing[ends].mean(axis=1))
    around = 1.0 - np.abs(np.einsum("ij,ij->i", unit(step), directions[ends[:, 0]]))
    return np.asarray(np.linalg.norm(step, axis=1) * (1.0 + EXPOSED_COST * exposed + AROUND_COST * around), dtype=np.float64)


def _parts(mesh: PolyMesh, adjacency: Adjacency, cut: BoolArray) -> list[IntArray]:
    """Faces of every part that the cuts leave, a (k,) int32 array each."""
    pairs = adjacency.face_pairs
    labels = components(mesh.face_count, pairs.faces[~cut[pairs.edges]])
    return [np.flatnonzero(labels == label).astype(np.int32) for label in range(int(labels.max(initial=-1)) + 1)]


def _opening_paths(mesh: PolyMesh, adjacency: Adjacency, costs: FloatArray, part: IntArray, ends: Sequence[IntArray]) -> list[int]:
    """Edges that join a part's holes and run to its closed ends, so that it opens into a disc that can lie flat.

    ends : faces of every limb in the part whose tip is closed
    """
    corners = np.isin(adjacency.corner_faces, part)
    own_edges, uses = np.unique(adjacency.corner_edges[corners], return_counts=True)
    rim = own_edges[uses == 1]
    graph = edge_graph(adjacency, costs, own_edges[uses == 2])
    loops = _loops(adjacency, rim)
    path: list[int] = []
    start = set(loops[0]) if loops else {int(mesh.corner_verts[corners][0])}
    left = [set(loop) for loop in loops[1:]]
    while left:
        edges, end = cheapest_path(graph, start, set().union(*left))
        if end < 0:
            break
        path += edges
        start |= {int(vertex) for edge in edges for vertex in adjacency.edge_verts[edge]}
        for loop in [loop for loop in left if end in loop]:
            start |= loop
            left.remove(loop)
    for faces in ends or ([part] if len(loops) <= 1 else []):
        edges = _to_far_end(mesh, adjacency, graph, start, {int(vertex) for face in faces for vertex in mesh.face(int(face))})
        path += edges
        start |= {int(vertex) for edge in edges for vertex in adjacency.edge_verts[edge]}
    return path


def edge_graph(adjacency: Adjacency, costs: FloatArray, edges: Sequence[int]) -> dict[int, list[tuple[int, int, float]]]:
    """Neighbours of every vertex over some edges: vertex, edge, cost."""
    graph: dict[int, list[tuple[int, int, float]]] = {}
    for edge in edges:
        first, second = (int(vertex) for vertex in adjacency.edge_verts[edge])
        graph.setdefault(first, []).append((second, int(edge), float(costs[edge])))
        graph.setdefault(second, []).append((first, int(edge), float(costs[edge])))
    return graph


def _loops(adjacency: Adjacency, rim: IntArray) -> list[list[int]]:
    """Vertices of every loop of a rim, the longest loop first."""
    if not len(rim):
        return []
    ends = adjacency.edge_verts[rim]
    vertices, numbers = np.unique(ends, return_inverse=True)
    labels = components(len(vertices), numbers.reshape(-1, 2).astype(np.int32))
    loops = [vertices[labels == label].tolist() for label in range(int(labels.max()) + 1)]
    return sorted(loops, key=len, reverse=True)


def cheapest_path(graph: Mapping[int, list[tuple[int, int, float]]], start: set[int], goal: set[int]) -> tuple[list[int], int]:
    """Edges of the cheapest path from any of the start's vertices to the goal, and where it ends; -1 where there is none."""
    search = _spread_from(graph, start, goal)
    return (_walk_back(search.came, search.met), search.met) if search.met >= 0 else ([], -1)


@dataclass(frozen=True)
class _Search:
    """Cost of every vertex that was reached, the vertex and edge that each was come from, and the goal that was met or -1."""

    costs: Mapping[int, float]
    came: Mapping[int, tuple[int, int]]
    met: int


def _spread_from(graph: Mapping[int, list[tuple[int, int, float]]], start: set[int], goal: set[int]) -> _Search:
    """Search from several vertices, the cheapest first, until a goal is met (Dijkstra 1959)."""
    costs: dict[int, float] = dict.fromkeys(start, 0.0)
    came: dict[int, tuple[int, int]] = {}
    waiting = [(0.0, vertex) for vertex in sorted(start)]
    settled: set[int] = set()
    while waiting:
        cost, vertex = heapq.heappop(waiting)
        if vertex in settled:
            continue
        settled.add(vertex)
        if vertex in goal:
            return _Search(costs, came, vertex)
        for other, edge, step in graph.get(vertex, []):
            if cost + step < costs.get(other, np.inf):
                costs[other] = cost + step
                came[other] = (vertex, edge)
                heapq.heappush(waiting, (cost + step, other))
    return _Search(costs, came, -1)


def _walk_back(came: Mapping[int, tuple[int, int]], end: int) -> list[int]:
    edges = []
    while end in came:
        end, edge = came[end]
        edges.append(edge)
    return edges


def _to_far_end(mesh: PolyMesh, adjacency: Adjacency, graph: Mapping[int, list[tuple[int, int, float]]], start: set[int],
                end: set[int]) -> list[int]:
    """The cheapest path from a part's holes and cuts to that vertex of an end that lies farthest from them along the edges."""
    ends = adjacency.edge_verts
    lengths = np.linalg.norm(mesh.positions[ends[:, 1]] - mesh.positions[ends[:, 0]], axis=1)
    plain = {vertex: [(other, edge, float(lengths[edge])) for other, edge, _ in around] for vertex, around in graph.items()}
    distances = _spread_from(plain, start, set()).costs
    far = max(end & distances.keys(), key=lambda vertex: (distances[vertex], vertex), default=None)
    if far is None or far in start:
        return []
    return cheapest_path(graph, start, {far})[0]
