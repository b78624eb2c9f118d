"""Make a cage symmetric by construction: cut it in the middle of the strips of quads that straddle the plane, keep one
half and mirror it.

A strip (the faces that opposite edges string together) never ends inside an all-quad mesh, so a cut along its middle
parts the mesh and leaves quads only, and every new vertex on the plane is regular once both halves meet there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency, build_adjacency, components
from .errors import MeshError
from .frames import any_square_direction
from .mirror import AXES, mirror_mesh
from .mirror_plane import MirrorPlane
from .polymesh import FACE_LIMB, VERTEX_LIMB, BoolArray, FloatArray, IntArray, PolyMesh
from .skeleton import split_side

ON_EDGES = 0.05
"""Vertices within this share of a mean edge of the plane lie on it."""
MOST_STRIPS = 8
"""Strips that are tried together before the cut is given up."""


@dataclass(frozen=True)
class MirroredCage:
    """A cage whose halves are mirror images.

    partner : (V,) int32, every vertex's image; itself on the plane
    """

    mesh: PolyMesh
    partner: IntArray


def mirror_by_cut(mesh: PolyMesh, plane: str, *, positive: bool = True, limb_images: Mapping[int, int] | None = None) -> MirroredCage:
    """Keep one half of an all-quad cage and mirror it to the other side.

    plane : "x", "y" or "z", the axis that the plane through the origin is square to
    positive : whether the half on the positive side is kept
    limb_images : number of a limb to that of its mirror image, where they are two limbs
    Raises MeshError where no strip of quads runs along the plane, or where the mesh has other faces.
    """
    axis = AXES[plane]
    quads, adjacency = mesh.quads(), build_adjacency(mesh)
    lying = _along_edges(mesh, adjacency, axis)
    if lying is not None:
        return _mirrored(*_half_of(mesh, lying, axis, 1.0 if positive else -1.0), plane, limb_images or {})
    strips = _strips_along(mesh, adjacency, axis)
    for count in range(1, min(len(strips), MOST_STRIPS) + 1):
        parted = _parted(mesh, quads, adjacency, strips[:count], axis)
        half = _kept_half(parted, axis, 1.0 if positive else -1.0)
        if half is not None:
            return _mirrored(*half, plane, limb_images or {})
    raise MeshError("No strip of quads runs along the plane from end to end; give the trunk the same sides all along, "
                    "or turn its up direction square to the plane.")


def _along_edges(mesh: PolyMesh, adjacency: Adjacency, axis: int) -> BoolArray | None:
    """Vertices on the plane, (V,) bool, where it passes between quads along edges as in a mirrored cage; None where it does not."""
    ends = mesh.positions[adjacency.edge_verts]
    reach = ON_EDGES * float(np.mean(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)))
    lying = np.abs(mesh.positions[:, axis]) <= reach
    heights = np.where(lying, 0.0, mesh.positions[:, axis])[mesh.quads()]
    before, behind = (heights > 0).any(axis=1), (heights < 0).any(axis=1)
    return lying if before.any() and behind.any() and not (before & behind).any() else None


def _half_of(mesh: PolyMesh, lying: BoolArray, axis: int, sign: float) -> tuple[PolyMesh, BoolArray]:
    """The quads on one side, and which of their vertices lie on the plane."""
    kept = np.flatnonzero(sign * mesh.positions[mesh.quads()].mean(axis=1)[:, axis] > 0)
    return _part_of(mesh, kept, lying)


def mirror_half_across(mesh: PolyMesh, plane: MirrorPlane, *, positive: bool = True,
                       limb_images: Mapping[int, int] | None = None) -> MirroredCage:
    """Keep one half of an all-quad cage and mirror it across any plane, as ``mirror_by_cut`` does across one through the origin.

    positive : whether the half before the plane is kept, where its normal points
    """
    across = any_square_direction(plane.normal)
    frame = np.stack([plane.normal, across, np.cross(plane.normal, across)])
    laid = mesh.with_positions((mesh.positions - plane.point) @ frame.T)
    found = mirror_by_cut(laid, "x", positive=positive, limb_images=limb_images)
    return MirroredCage(found.mesh.with_positions(found.mesh.positions @ frame + plane.point), found.partner)


def image_limbs(names: Sequence[str]) -> dict[int, int]:
    """Number of every limb whose name ends in a side, to that of the limb of the same name on the other side."""
    number = {name: index for index, name in enumerate(names)}
    images = {}
    for index, name in enumerate(names):
        stem, side = split_side(name)
        other = stem + side[:-len(side.lstrip("._- "))] + OTHER_SIDE.get(side.lstrip("._- "), "") if side else ""
        if other in number:
            images[index] = number[other]
    return images


OTHER_SIDE = {"L": "R", "R": "L", "l": "r", "r": "l", "Left": "Right", "Right": "Left", "left": "right", "right": "left"}


@dataclass(frozen=True)
class _Strip:
    """Edges that a strip crosses, in order, and the faces between them."""

    edges: tuple[int, ...]
    faces: tuple[int, ...]


def _strips_along(mesh: PolyMesh, adjacency: Adjacency, axis: int) -> list[_Strip]:
    """Strips of which an edge crosses the plane, those that stay nearest to it first; strips that cross themselves are left out."""
    heights = mesh.positions[adjacency.edge_verts, axis]
    crossing = np.flatnonzero(heights[:, 0] * heights[:, 1] < 0)
    edges, of_edge = adjacency.corner_edges.reshape(-1, 4), _faces_of_edges(adjacency)
    found: dict[frozenset[int], tuple[float, _Strip]] = {}
    for edge in crossing:
        strip = _walked(int(edge), edges, of_edge)
        if strip is not None:
            key = frozenset(strip.edges)
            if key not in found:
                found[key] = (float(np.abs(heights[list(strip.edges)].mean(axis=1)).max()), strip)
    chosen: list[_Strip] = []
    for _, strip in sorted(found.values(), key=lambda each: each[0]):
        if not any(set(strip.faces) & set(other.faces) for other in chosen):  # strips that cross cannot both be cut
            chosen.append(strip)
    return chosen


def _faces_of_edges(adjacency: Adjacency) -> dict[int, list[tuple[int, int]]]:
    """Face and place in it of every edge."""
    of_edge: dict[int, list[tuple[int, int]]] = {}
    for corner, edge in enumerate(adjacency.corner_edges.tolist()):
        of_edge.setdefault(edge, []).append(divmod(corner, 4))
    return of_edge


def _walked(start: int, edges: IntArray, of_edge: Mapping[int, list[tuple[int, int]]]) -> _Strip | None:
    """The whole strip through an edge; None where it passes a face twice."""
    ways = []
    for face, place in of_edge[start]:
        way_edges: list[int] = []
        way_faces: list[int] = []
        edge = start
        while True:
            way_faces.append(face)
            edge = int(edges[face, (place + 2) % 4])
            if edge == start:
                return _Strip((start, *way_edges), tuple(way_faces)) if len(set(way_faces)) == len(way_faces) else None
            way_edges.append(edge)
            onward = [each for each in of_edge[edge] if each[0] != face]
            if not onward:
                break
            face, place = onward[0]
        ways.append((way_edges, way_faces))
    before = ways[1] if len(ways) > 1 else ([], [])
    faces = (*before[1][::-1], *ways[0][1])
    return _Strip((*before[0][::-1], start, *ways[0][0]), faces) if len(set(faces)) == len(faces) else None


def _parted(mesh: PolyMesh, quads: IntArray, adjacency: Adjacency, strips: list[_Strip], axis: int) -> tuple[PolyMesh, BoolArray]:
    """The mesh with strips cut along their middles, and which vertices lie on the cuts."""
    edges = np.unique([edge for strip in strips for edge in strip.edges])
    number = {int(edge): mesh.vertex_count + index for index, edge in enumerate(edges)}
    middles = _middles(mesh, adjacency, edges, axis)
    own_edges = adjacency.corner_edges.reshape(-1, 4)
    cut = {face for strip in strips for face in strip.faces}
    pieces, source = [], []
    for face, quad in enumerate(quads.tolist()):
        places = [place for place in range(4) if int(own_edges[face, place]) in number] if face in cut else []
        if len(places) != 2:
            pieces.append(quad)
            source.append(face)
            continue
        first = places[0]
        a, b, c, d = (quad[(first + step) % 4] for step in range(4))
        low, high = number[int(own_edges[face, first])], number[int(own_edges[face, (first + 2) % 4])]
        pieces += [[a, low, high, d], [low, b, c, high]]
        source += [face, face]
    beside = adjacency.edge_verts[edges, 0]
    attributes = {name: np.concatenate([values, values[beside]]) if name.startswith("vertex.") else values[source]
                  for name, values in mesh.attributes.items()}
    cut_mesh = PolyMesh.from_quads(np.concatenate([mesh.positions, middles]), np.array(pieces))
    on_cut = np.arange(cut_mesh.vertex_count) >= mesh.vertex_count
    return cut_mesh.with_attributes(**attributes), on_cut


def _middles(mesh: PolyMesh, adjacency: Adjacency, edges: IntArray, axis: int) -> FloatArray:
    """Where edges cross the plane, or their middles where they do not, (k, 3) float64."""
    ends = mesh.positions[adjacency.edge_verts[edges]]
    low, high = ends[:, 0, axis], ends[:, 1, axis]
    crossing = low * high < 0
    share = np.where(crossing, low / np.where(crossing, low - high, 1.0), 0.5)
    return np.asarray(ends[:, 0] + share[:, None] * (ends[:, 1] - ends[:, 0]), dtype=np.float64)


def _kept_half(parted: tuple[PolyMesh, BoolArray], axis: int, sign: float) -> tuple[PolyMesh, BoolArray] | None:
    """The half on one side, and which of its vertices lie on the cut; None where the cuts do not part the mesh in two."""
    mesh, on_cut = parted
    adjacency = build_adjacency(mesh)
    pairs = adjacency.face_pairs
    labels = components(mesh.face_count, pairs.faces[~on_cut[adjacency.edge_verts[pairs.edges]].all(axis=1)])
    centres = mesh.positions[mesh.quads()].mean(axis=1)[:, axis]
    sides = np.array([np.mean(centres[labels == label]) for label in range(int(labels.max()) + 1)])
    kept_labels = np.flatnonzero(sign * sides > 0)
    if len(kept_labels) != 1 or len(sides) != 2:
        return None
    kept = np.flatnonzero(labels == kept_labels[0])
    return _part_of(mesh, kept, on_cut)


def _part_of(mesh: PolyMesh, kept: IntArray, marked: BoolArray) -> tuple[PolyMesh, BoolArray]:
    """Some of a mesh's quads with the vertices that they use, and which of these are marked."""
    used, corners = np.unique(mesh.quads()[kept], return_inverse=True)
    attributes = {name: values[used] if name.startswith("vertex.") else values[kept] for name, values in mesh.attributes.items()}
    half = PolyMesh.from_quads(mesh.positions[used], corners.reshape(-1, 4))
    return half.with_attributes(**attributes), marked[used]


def _mirrored(half: PolyMesh, on_plane: BoolArray, plane: str, limb_images: Mapping[int, int]) -> MirroredCage:
    mesh = mirror_mesh(half, plane, on_plane)
    copied = np.flatnonzero(~on_plane)
    partner = np.arange(mesh.vertex_count, dtype=np.int32)
    partner[copied] = half.vertex_count + np.arange(len(copied), dtype=np.int32)
    partner[half.vertex_count :] = copied
    anew = {}
    for name, own in ((VERTEX_LIMB, half.vertex_count), (FACE_LIMB, half.face_count)):
        if name in mesh.attributes and limb_images:
            anew[name] = np.array(mesh.attributes[name])
            anew[name][own:] = [limb_images.get(int(value), int(value)) for value in anew[name][own:]]
    return MirroredCage(mesh.with_attributes(**anew), partner)
