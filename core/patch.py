"""Fill a closed border with quads.

The border runs counter-clockwise seen from where the patch's normals point; the patch's first vertices are the border's, in its order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency, build_adjacency
from .errors import MeshError
from .patch_choice import BorderMarks, PatchOptions, choose_patterns, stand_ins
from .patch_corners import corners_from_faces, find_corners, find_inward_corners, inward_corners_from_faces
from .patch_shape import shape_patch
from .patch_topology import Pattern, check_count
from .polymesh import FloatArray, IntArray, PolyMesh
from .quality import scaled_jacobian
from .surface import Surface

FOLD = 0.1
"""Least scaled Jacobian below which a patch counts as folded, or nearly, and other patterns are tried."""
TOUCH = 1e-6
"""Border edges nearer than this share of the mean edge cross; far below any modelling, far above rounding."""


@dataclass(frozen=True)
class Patch:
    """A filled border.

    positions : (V, 3) float64; the first ``loop_size`` are the border, exactly as given
    quads : (F, 4) int32, counter-clockwise
    loop_size : edges of the border
    corners : border vertices that were taken as corners
    poles : sum of |4 - valence| over the patch, the border included (a square corner counts none)
    patterns : how many further choices of equal cost there are, this one included
    """

    positions: FloatArray
    quads: IntArray
    loop_size: int
    corners: tuple[int, ...]
    poles: int
    patterns: int

    def mesh(self) -> PolyMesh:
        """The patch as a mesh of its own."""
        return PolyMesh.from_quads(self.positions, self.quads)

    def least_squareness(self) -> float:
        """The least scaled Jacobian of its quads; below FOLD one is folded, or nearly."""
        return float(scaled_jacobian(self.positions[self.quads]).min())


@dataclass(frozen=True)
class Welded:
    """A mesh with a patch filled in, and the patch alone."""

    mesh: PolyMesh
    patch: Patch


@dataclass(frozen=True)
class Border:
    """What a mesh knows about one of its closed boundary loops.

    vertices : (n,) int32, counter-clockwise for the patch, the lowest first
    normals : (n, 3) float64, of the faces outside; zero rows where there are none
    flow : (n, 3) float64, where edges from outside would run on to; NaN where no single one arrives
    outer_faces : (n,) int32, faces outside at every vertex
    """

    vertices: IntArray
    normals: FloatArray
    flow: FloatArray
    outer_faces: IntArray


def fill_loop(positions: npt.ArrayLike, *, corners: tuple[int, ...] | None = None, inward: tuple[int, ...] | None = None,
              normals: npt.ArrayLike | None = None, flow: npt.ArrayLike | None = None, surface: Surface | None = None,
              options: PatchOptions | None = None) -> Patch:
    """Fill a closed border with quads.

    positions : (n, 3) float, the border counter-clockwise, n even and at least 4
    corners : border vertices where a single quad fits, or None: found by turning angle; empty for a round border
    inward : border vertices where three quads fit, or None: found by turning angle
    normals : (n, 3) float, outward normals along the border, or None
    flow : (n, 3) float, where the first inner vertex behind each border vertex would best lie (NaN: no wish), or None
    surface : target that the inner vertices settle on, or None
    options : the artist's choices
    Raises MeshError for an odd or too short border, one that crosses or repeats itself, is not finite, or corners that are not on it.
    """
    border = check_border(np.asarray(positions, dtype=np.float64))
    along = None if normals is None else _along(normals, border, "normals")
    marks = _border_marks(border, along, corners, inward)
    options = options or PatchOptions()
    choice = choose_patterns(border, marks, along, options)
    wishes = None if flow is None else np.asarray(flow, dtype=np.float64)
    best = _shape(choice.patterns[0], border, along, wishes, surface)
    if best.least < FOLD:
        stay = corners is not None or options.rotate != 0
        others = (*choice.patterns[1:], *stand_ins(border, choice, along, corners_stay=stay))
        shaped = [best, *(_shape(pattern, border, along, wishes, surface) for pattern in others)]
        best = min(shaped, key=lambda each: (max(FOLD - each.least, 0.0), each.pattern.poles, -each.mean))
    return Patch(best.positions, best.pattern.woven.quads, len(border), best.pattern.corners, best.pattern.poles, choice.families)


def _border_marks(border: FloatArray, normals: FloatArray | None, corners: tuple[int, ...] | None,
                  inward: tuple[int, ...] | None) -> BorderMarks:
    convex = find_corners(border, normals) if corners is None else check_corners(corners, len(border))
    concave = find_inward_corners(border, normals) if inward is None else check_corners(inward, len(border))
    return BorderMarks(convex, tuple(vertex for vertex in concave if vertex not in convex))


@dataclass(frozen=True)
class _Shaped:
    """A pattern drawn into a border, with its least and its mean scaled Jacobian."""

    pattern: Pattern
    positions: FloatArray
    least: float
    mean: float


def _shape(pattern: Pattern, border: FloatArray, normals: FloatArray | None, wishes: FloatArray | None, surface: Surface | None) -> _Shaped:
    positions = shape_patch(pattern.woven, border, border_normals=normals, border_flow=wishes, surface=surface)
    squareness = scaled_jacobian(positions[pattern.woven.quads])
    return _Shaped(pattern, positions, float(squareness.min()), float(squareness.mean()))


def _along(values: npt.ArrayLike, border: FloatArray, name: str) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != border.shape or not np.all(np.isfinite(array)):
        raise MeshError(f"The {name} along the border must be {len(border)} finite vectors; got an array of shape {array.shape}.")
    return array


def check_border(border: FloatArray) -> FloatArray:
    """Raise MeshError unless the positions make a border that can be filled; return them, (n, 3) float64."""
    if border.ndim != 2 or border.shape[1] != 3:
        raise MeshError(f"A border is a list of points in space, three numbers each; got an array of shape {border.shape}.")
    if not np.all(np.isfinite(border)):
        raise MeshError(f"Border vertex {int(np.flatnonzero(~np.isfinite(border).all(axis=1))[0])} has no finite position; move it.")
    if len(border) % 2 and len(border) >= 5:
        raise MeshError(odd_message(border))
    check_count(len(border))
    lengths = np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1)
    _refuse_repeats(border, float(lengths.mean()))
    if _meets_itself(border, TOUCH * float(lengths.mean())):
        raise MeshError("The border crosses itself; move its vertices apart, or split it into two borders.")
    return border


def odd_message(border: FloatArray) -> str:
    """Why an odd border cannot be filled, and which edges to split or to collapse."""
    lengths = np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1)
    count, longest, shortest = len(border), int(np.argmax(lengths)), int(np.argmin(lengths))
    return (f"The border has {count} edges, and only an even number fills with quads; split its longest edge, {longest} to "
            f"{(longest + 1) % count}, for {count + 1}, or collapse its shortest, {shortest} to {(shortest + 1) % count}, for {count - 1}.")


def _refuse_repeats(border: FloatArray, mean_edge: float) -> None:
    apart = np.linalg.norm(border[:, None] - border[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    first, second = np.unravel_index(int(np.argmin(apart)), apart.shape)
    if apart[first, second] <= TOUCH * mean_edge:
        low, high = sorted((int(first), int(second)))
        raise MeshError(f"Border vertices {low} and {high} lie at the same place; merge them or move them apart.")


def _meets_itself(border: FloatArray, touch: float) -> bool:
    """Whether two border edges that share no vertex come nearer than ``touch`` (closest points of two segments, vectorised)."""
    count = len(border)
    first, second = np.triu_indices(count, 2)
    apart = (first > 0) | (second < count - 1)
    first, second = first[apart], second[apart]
    along = np.roll(border, -1, axis=0) - border
    u, v, between = along[first], along[second], border[first] - border[second]
    a, b, c = (np.einsum("ij,ij->i", x, y) for x, y in ((u, u), (u, v), (v, v)))
    d, e = np.einsum("ij,ij->i", u, between), np.einsum("ij,ij->i", v, between)
    # four ends against the other segment, and the inner point where the lines come nearest
    nearest = np.full(len(first), np.inf)
    determinant = a * c - b * b
    inner = np.where(determinant > 1e-12 * a * c, (b * e - c * d) / np.where(determinant > 0, determinant, 1.0), 0.0)
    for s in (np.zeros_like(a), np.ones_like(a), np.clip(inner, 0, 1)):
        t = np.clip((s * b + e) / c, 0, 1)
        s_again = np.clip((t * b - d) / a, 0, 1)
        gap = between + s_again[:, None] * u - t[:, None] * v
        nearest = np.minimum(nearest, np.linalg.norm(gap, axis=1))
    return bool(np.any(nearest <= touch))


def check_corners(corners: tuple[int, ...], count: int) -> tuple[int, ...]:
    """Raise MeshError unless the corners are different border vertices; return them ascending."""
    marks = tuple(sorted(int(corner) for corner in corners))
    if len(set(marks)) != len(marks) or any(not 0 <= corner < count for corner in marks):
        raise MeshError(f"Corners must be different border vertices from 0 to {count - 1}; got {list(corners)}.")
    return marks


def border_of_loop(mesh: PolyMesh, loop: npt.ArrayLike, adjacency: Adjacency | None = None) -> Border:
    """A closed boundary loop as the patch needs it, from its lowest vertex on, turned so that the patch goes on from the faces outside.

    loop : (n,) int, mesh vertices in order, either way round
    Raises MeshError where the loop repeats a vertex or runs along an edge that has no face or more than one.
    """
    adjacency = adjacency or build_adjacency(mesh)
    vertices = np.asarray(loop, dtype=np.int64)
    if len(np.unique(vertices)) != len(vertices):
        raise MeshError("The border runs through a vertex twice; split the vertex, or fill the two borders one by one.")
    if len(vertices) < 2 or vertices.min() < 0 or vertices.max() >= mesh.vertex_count:
        raise MeshError(f"A border needs at least 4 vertices of the mesh; got {len(vertices)}.")
    vertices = _from_lowest(vertices if _with_faces(mesh, adjacency, vertices) else vertices[::-1])
    return Border(vertices.astype(np.int32), *_outside(mesh, adjacency, vertices))


def _from_lowest(loop: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The loop from its lowest vertex on, so that the same border gives the same patch wherever it was entered."""
    return np.roll(loop, -int(np.argmin(loop)))


def _with_faces(mesh: PolyMesh, adjacency: Adjacency, vertices: npt.NDArray[np.int64]) -> bool:
    """Whether the loop runs against the faces outside, as the patch's own border must."""
    start, end = mesh.corner_verts.astype(np.int64), mesh.corner_verts[adjacency.corner_next].astype(np.int64)
    following = np.roll(vertices, -1)
    key, low = start * mesh.vertex_count + end, np.minimum(vertices, following)
    edge_keys = adjacency.edge_verts[:, 0].astype(np.int64) * mesh.vertex_count + adjacency.edge_verts[:, 1]
    wanted = low * mesh.vertex_count + np.maximum(vertices, following)
    at = np.minimum(np.searchsorted(edge_keys, wanted), len(edge_keys) - 1)
    faces = np.where(edge_keys[at] == wanted, adjacency.edge_face_count[at], 0)
    if np.any(faces != 1):
        bad = int(np.flatnonzero(faces != 1)[0])
        raise MeshError(f"The edge from vertex {int(vertices[bad])} to {int(following[bad])} has {int(faces[bad])} faces; "
                        "a border's edges have exactly one each, so choose the loop along an open rim.")
    forward = np.isin(vertices * mesh.vertex_count + following, key)
    if forward.any() and not forward.all():
        raise MeshError("The faces along the border look to different sides; make the normals consistent first.")
    return not bool(forward.any())


def _outside(mesh: PolyMesh, adjacency: Adjacency, vertices: npt.NDArray[np.int64]) -> tuple[FloatArray, FloatArray, IntArray]:
    place = np.full(mesh.vertex_count, -1, dtype=np.int64)
    place[vertices] = np.arange(len(vertices))
    touching = np.flatnonzero(place[mesh.corner_verts] >= 0)
    at = place[mesh.corner_verts[touching]]
    here = mesh.positions[mesh.corner_verts[touching]]
    area = np.cross(mesh.positions[mesh.corner_verts[adjacency.corner_next[touching]]] - here,
                    mesh.positions[mesh.corner_verts[adjacency.corner_previous[touching]]] - here)
    normals: FloatArray = np.stack([np.bincount(at, area[:, axis], len(vertices)) for axis in range(3)], axis=1).astype(np.float64)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    return normals, _flow_wishes(mesh, adjacency, vertices, place, normals), adjacency.face_valence[vertices]


def _flow_wishes(mesh: PolyMesh, adjacency: Adjacency, vertices: npt.NDArray[np.int64], place: npt.NDArray[np.int64],
                 normals: FloatArray) -> FloatArray:
    """One mean border edge straight on from the only edge that arrives from outside, in the plane across the normal."""
    ends = np.concatenate([adjacency.edge_verts, adjacency.edge_verts[:, ::-1]])
    arriving = ends[(place[ends[:, 1]] >= 0) & (place[ends[:, 0]] < 0)]
    at = place[arriving[:, 1]]
    single = np.bincount(at, minlength=len(vertices)) == 1
    wishes = np.full((len(vertices), 3), np.nan)
    here = mesh.positions[vertices]
    reach = 0.5 * np.linalg.norm(np.roll(here, -1, axis=0) - np.roll(here, 1, axis=0), axis=1)
    straight = mesh.positions[arriving[:, 1]] - mesh.positions[arriving[:, 0]]
    straight -= np.einsum("ij,ij->i", straight, normals[at])[:, None] * normals[at]
    straight /= np.maximum(np.linalg.norm(straight, axis=1, keepdims=True), 1e-300)
    wishes[at] = here[at] + reach[at][:, None] * straight
    wishes[~single] = np.nan
    return wishes


def fill_mesh_loop(mesh: PolyMesh, loop: npt.ArrayLike, *, corners: tuple[int, ...] | None = None, follow: bool = False,
                   surface: Surface | None = None, options: PatchOptions | None = None) -> Welded:
    """Fill a closed boundary loop of a mesh and weld the patch in.

    loop : (n,) int, vertices of the loop in order, either way round
    corners : mesh vertices of the loop that are corners, or None: found
    follow : let the flow follow the faces outside: corners where three or more faces meet, border quads in line with the edges that arrive
    surface, options : as in fill_loop
    Returns, with the patch, the mesh with new vertices and faces appended; all that existed keeps its number and place.
    Raises MeshError as fill_loop and border_of_loop do.
    """
    border = border_of_loop(mesh, loop)
    patch = _fill_border(mesh, border, corners, follow, surface, options)
    return Welded(_weld(mesh, border, patch), patch)


def _fill_border(mesh: PolyMesh, border: Border, corners: tuple[int, ...] | None, follow: bool, surface: Surface | None,
                 options: PatchOptions | None) -> Patch:
    marks: tuple[int, ...] | None = None
    if corners is not None:
        place = {int(vertex): number for number, vertex in enumerate(border.vertices)}
        missing = [corner for corner in corners if int(corner) not in place]
        if missing:
            raise MeshError(f"Corner {missing[0]} is not a vertex of the border; choose corners along the border.")
        marks = tuple(place[int(corner)] for corner in corners)
    elif follow:
        marks = corners_from_faces(border.outer_faces)
    inward = inward_corners_from_faces(border.outer_faces) if follow else None
    positions, normals = mesh.positions[border.vertices], border.normals if _usable(border.normals) else None

    def filled(chosen: PatchOptions) -> Patch:
        along = fill_loop(positions, corners=marks, inward=inward, normals=normals, flow=border.flow if follow else None,
                          surface=surface, options=chosen)
        if corners is not None or not follow or along.least_squareness() >= FOLD:
            return along
        return max(along, fill_loop(positions, normals=normals, flow=border.flow, surface=surface, options=chosen),
                   key=Patch.least_squareness)

    options = options or PatchOptions()
    patch = filled(options)
    if _doubles_an_edge(mesh, border, patch):
        patch = filled(replace(options, padding=max(options.padding, 1)))
    if _doubles_an_edge(mesh, border, patch):
        raise MeshError("The patch would run along edges that the mesh has already; give other corners or more padding.")
    return patch


def _doubles_an_edge(mesh: PolyMesh, border: Border, patch: Patch) -> bool:
    """Whether an edge of the patch across from border to border is already an edge of the mesh."""
    size = patch.loop_size
    start, end = patch.quads.ravel(), np.roll(patch.quads, -1, axis=1).ravel()
    across = (start < size) & (end < size) & (end != (start + 1) % size)
    ends = np.sort(border.vertices[np.stack([start[across], end[across]], axis=1)], axis=1).astype(np.int64)
    edges = build_adjacency(mesh).edge_verts.astype(np.int64)
    return bool(np.isin(ends @ [mesh.vertex_count, 1], edges @ [mesh.vertex_count, 1]).any())


def _usable(normals: FloatArray) -> bool:
    """Normals guide the patch only where it goes on from the faces; at the end of a tube they look sideways."""
    total = normals.sum(axis=0)
    return bool(np.all(np.linalg.norm(normals, axis=1) > 0.5) and np.linalg.norm(total) > 0.5 * len(normals))


def _weld(mesh: PolyMesh, border: Border, patch: Patch) -> PolyMesh:
    number = np.concatenate([border.vertices, np.arange(mesh.vertex_count, mesh.vertex_count + len(patch.positions) - patch.loop_size)])
    quads = number[patch.quads].astype(np.int32)
    offsets = mesh.face_offsets[-1] + 4 * np.arange(1, len(quads) + 1)
    added = {"vertex": len(patch.positions) - patch.loop_size, "face": len(quads)}
    return PolyMesh(np.vstack([mesh.positions, patch.positions[patch.loop_size:]]),
                    np.concatenate([mesh.corner_verts, quads.ravel()]).astype(np.int32),
                    np.concatenate([mesh.face_offsets, offsets]).astype(np.int32),
                    {name: _extended(values, added.get(name.split(".")[0], 0)) for name, values in mesh.attributes.items()})


def _extended(values: npt.NDArray[np.generic], more: int) -> npt.NDArray[np.generic]:
    return np.concatenate([values, np.zeros((more, *values.shape[1:]), dtype=values.dtype)])


def refill_region(mesh: PolyMesh, faces: npt.ArrayLike, *, corners: tuple[int, ...] | None = None, follow: bool = False,
                  surface: Surface | None = None, options: PatchOptions | None = None) -> Welded:
    """Take faces out (triangles and n-gons too) and fill their border with quads.

    faces : (k,) int, faces of one connected region without holes
    corners, follow, surface, options : as in fill_mesh_loop
    Returns, with the patch, a mesh without the region's inner vertices; border and outside keep their order and place, what is new comes
        last.
    Raises MeshError where the region is empty, in pieces or has holes, and as fill_loop does.
    """
    chosen = np.zeros(mesh.face_count, dtype=np.bool_)
    chosen[np.asarray(faces, dtype=np.int64)] = True
    loop = region_border(mesh, chosen)
    remaining, number = _without_faces(mesh, chosen, loop)
    border = _region_frame(mesh, chosen, remaining, number, loop)
    marks = None if corners is None else tuple(int(number[corner]) for corner in corners)
    patch = _fill_border(remaining, border, marks, follow, surface, options)
    return Welded(_weld(remaining, border, patch), patch)


def region_border(mesh: PolyMesh, chosen: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """The single border loop of chosen faces, (n,) int64, counter-clockwise for the region."""
    if not chosen.any():
        raise MeshError("No face is chosen; choose the faces of a region to refill.")
    adjacency = build_adjacency(mesh)
    corner_chosen = chosen[adjacency.corner_faces]
    inside = np.bincount(adjacency.corner_edges[corner_chosen], minlength=adjacency.edge_count)
    crowded = np.flatnonzero((inside > 0) & (adjacency.edge_face_count > 2))
    if len(crowded):
        start, end = adjacency.edge_verts[crowded[0]].tolist()
        raise MeshError(f"The edge from vertex {start} to {end} in the region has more than two faces; take the surplus faces away first.")
    rim = np.flatnonzero(corner_chosen & (inside[adjacency.corner_edges] == 1))
    following = dict(zip(mesh.corner_verts[rim].tolist(), mesh.corner_verts[adjacency.corner_next[rim]].tolist(), strict=True))
    if len(following) != len(rim) or not following:
        raise MeshError("The region's border touches itself or the region has none; choose faces that make one open disc.")
    loop = [next(iter(following))]
    while following[loop[-1]] != loop[0]:
        loop.append(following[loop[-1]])
    corner_verts = mesh.corner_verts[corner_chosen]
    characteristic = len(np.unique(corner_verts)) - int(np.count_nonzero(inside)) + int(chosen.sum())
    if len(loop) != len(rim) or characteristic != 1:
        raise MeshError("The chosen faces make no single disc; choose faces that hang together and leave no hole.")
    return _from_lowest(np.asarray(loop, dtype=np.int64))


def _without_faces(mesh: PolyMesh, chosen: npt.NDArray[np.bool_], loop: npt.NDArray[np.int64]) -> tuple[PolyMesh, npt.NDArray[np.int64]]:
    """The mesh without the chosen faces and the vertices that only they used; new number of every vertex, -1 where it went."""
    sizes = mesh.face_sizes
    corner_chosen = np.repeat(chosen, sizes)
    gone = np.zeros(mesh.vertex_count, dtype=np.bool_)
    gone[mesh.corner_verts[corner_chosen]] = True
    gone[mesh.corner_verts[~corner_chosen]] = False
    gone[loop] = False
    number = np.where(gone, -1, np.cumsum(~gone) - 1)
    keep = {"vertex": ~gone, "face": ~chosen}
    attributes = {name: values[keep[name.split(".")[0]]] for name, values in mesh.attributes.items()}
    offsets = np.concatenate([[0], np.cumsum(sizes[~chosen])]).astype(np.int32)
    return PolyMesh(mesh.positions[~gone], number[mesh.corner_verts[~corner_chosen]].astype(np.int32), offsets, attributes), number


def _region_frame(mesh: PolyMesh, chosen: npt.NDArray[np.bool_], remaining: PolyMesh, number: npt.NDArray[np.int64],
                  loop: npt.NDArray[np.int64]) -> Border:
    """The border with the normals of the whole old surface, which stand on both sides of it."""
    whole = _outside(mesh, build_adjacency(mesh), loop)[0]
    adjacency = build_adjacency(remaining)
    vertices = number[loop]
    flow = _outside(remaining, adjacency, vertices)[1] if remaining.face_count else np.full((len(loop), 3), np.nan)
    return Border(vertices.astype(np.int32), whole, flow, adjacency.face_valence[vertices])
