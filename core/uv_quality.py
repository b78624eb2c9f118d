"""How good an unwrap is: stretch, flips, overlap, texel density, islands and the margin between them.

Stretch is the L2 texture stretch of Sander, Snyder, Gortler, Hoppe, "Texture Mapping Progressive Meshes", 2001: the
root mean square of how much a unit step on the map is stretched on the surface, scaled by the areas so that 1 is the
least there can be.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import components
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .raster import counted_up

Indices = npt.NDArray[np.int64]

SAME_POINT = 1e-6
"""Map coordinates this near are one: the host stores single precision."""
PIXELS = 1024
"""Side of the raster on which overlap and margin are measured."""
PIXELS_AT_ONCE = 1 << 18
"""Pixels that may lie in a triangle looked at in one go, to bound the memory."""
MOST_MARGIN = 32
"""Margins wider than this many pixels are told as this many."""


@dataclass(frozen=True)
class UnwrapFigures:
    """What an unwrap is like.

    stretch : L2 stretch of the whole map, at least 1
    worst_stretch : L2 stretch of the worst face
    worst_face : the face that is stretched most, -1 without faces
    flipped : faces whose map runs the other way than most, or that have no area on it, (k,) int32
    overlap : share of the covered map that is covered more than once
    doubled : faces of which a pixel is covered more than once, (k,) int32
    density_spread : largest over smallest texel density of the islands
    islands : number of islands
    margin : pixels between two islands at the raster's size, at most ``MOST_MARGIN``; that for a single island
    used : share of the unit square that is covered
    outside : share of the corners that lie outside the unit square
    """

    stretch: float
    worst_stretch: float
    worst_face: int
    flipped: IntArray
    overlap: float
    doubled: IntArray
    density_spread: float
    islands: int
    margin: int
    used: float
    outside: float


def measure_unwrap(mesh: PolyMesh, uvs: FloatArray, pixels: int = PIXELS) -> UnwrapFigures:
    """Measure an unwrap.

    uvs : (C, 2) float64, map coordinates of every corner
    pixels : side of the raster for overlap and margin
    """
    corners, faces = corner_triangles(mesh)
    squares, map_areas, areas = _triangle_stretch(mesh.positions[mesh.corner_verts[corners]], uvs[corners])
    sign = np.sign(map_areas.sum()) or 1.0
    bad = sign * map_areas <= 1e-12 * max(float(np.abs(map_areas).sum()), 1e-300)
    islands = face_islands(mesh, uvs)
    scale = np.sqrt(np.abs(map_areas).sum() / max(float(areas.sum()), 1e-300))
    of_faces = face_stretch(mesh, uvs)
    covered, owner = _raster(uvs[corners], islands[faces], pixels)
    outside = ((uvs < -SAME_POINT) | (uvs > 1 + SAME_POINT)).any(axis=1)
    return UnwrapFigures(
        float(np.sqrt((squares * areas).sum() / max(float(areas.sum()), 1e-300)) * scale), float(of_faces.max(initial=0.0)),
        int(np.argmax(of_faces)) if len(of_faces) else -1, np.unique(faces[bad]).astype(np.int32),
        float(np.count_nonzero(covered > 1) / max(np.count_nonzero(covered), 1)), _doubled(uvs[corners], faces, covered),
        _density_spread(np.abs(map_areas), areas, islands[faces]), int(islands.max(initial=-1)) + 1, _margin(owner),
        float(np.count_nonzero(covered) / covered.size), float(outside.mean()) if len(outside) else 0.0)


def face_stretch(mesh: PolyMesh, uvs: FloatArray) -> FloatArray:
    """L2 stretch of every face, (F,) float64, scaled as that of the whole map is.

    uvs : (C, 2) float64
    """
    corners, faces = corner_triangles(mesh)
    squares, map_areas, areas = _triangle_stretch(mesh.positions[mesh.corner_verts[corners]], uvs[corners])
    of_faces = _by_face(squares * areas, faces, mesh.face_count) / np.maximum(_by_face(areas, faces, mesh.face_count), 1e-300)
    return np.asarray(np.sqrt(of_faces * np.abs(map_areas).sum() / max(float(areas.sum()), 1e-300)), dtype=np.float64)


def corner_triangles(mesh: PolyMesh) -> tuple[IntArray, IntArray]:
    """Every face as a fan of triangles: corners (T, 3) int32 and face (T,) int32."""
    fans = np.maximum(mesh.face_sizes.astype(np.int64) - 2, 0)
    faces = np.repeat(np.arange(mesh.face_count, dtype=np.int32), fans)
    step = np.arange(int(fans.sum())) - np.repeat(np.cumsum(fans) - fans, fans)
    first = mesh.face_offsets[faces].astype(np.int64)
    return np.column_stack([first, first + step + 1, first + step + 2]).astype(np.int32), faces


def face_islands(mesh: PolyMesh, uvs: FloatArray) -> IntArray:
    """Island of every face, (F,) int32: faces that share an edge on the map as well as on the mesh.

    uvs : (C, 2) float64
    """
    following = np.arange(1, len(mesh.corner_verts) + 1)
    following[mesh.face_offsets[1:] - 1] = mesh.face_offsets[:-1]
    start, end = mesh.corner_verts, mesh.corner_verts[following]
    forward = start < end
    low = np.where(forward[:, None], uvs, uvs[following])
    high = np.where(forward[:, None], uvs[following], uvs)
    key = np.minimum(start, end).astype(np.int64) * max(mesh.vertex_count, 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = (np.diff(key[order]) == 0) & (np.abs(low[order[1:]] - low[order[:-1]]) <= SAME_POINT).all(axis=1)
    same &= (np.abs(high[order[1:]] - high[order[:-1]]) <= SAME_POINT).all(axis=1)
    face_of = np.repeat(np.arange(mesh.face_count, dtype=np.int32), mesh.face_sizes)
    pairs = np.column_stack([face_of[order[:-1][same]], face_of[order[1:][same]]])
    return components(mesh.face_count, pairs)


def _triangle_stretch(points: FloatArray, flat: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Squared L2 stretch, signed area on the map and area on the surface of every triangle, each (T,) float64.

    points : (T, 3, 3), flat : (T, 3, 2)
    """
    first, second = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    map_areas = 0.5 * (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0])
    areas = 0.5 * np.linalg.norm(np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0]), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        after, before = np.roll(flat, -1, axis=1), np.roll(flat, 1, axis=1)
        along = np.einsum("tki,tk->ti", points, after[..., 1] - before[..., 1]) / (2 * map_areas)[:, None]
        across = np.einsum("tki,tk->ti", points, before[..., 0] - after[..., 0]) / (2 * map_areas)[:, None]
        squares = 0.5 * (np.einsum("ij,ij->i", along, along) + np.einsum("ij,ij->i", across, across))
    return np.where(np.isfinite(squares), squares, np.inf), map_areas, areas


def _by_face(values: FloatArray, faces: IntArray, count: int) -> FloatArray:
    return np.asarray(np.bincount(faces, weights=values, minlength=count), dtype=np.float64)


def _density_spread(map_areas: FloatArray, areas: FloatArray, islands: IntArray) -> float:
    if not len(areas):
        return 1.0
    density = np.sqrt(np.bincount(islands, map_areas) / np.maximum(np.bincount(islands, areas), 1e-300))
    return float(density.max() / max(float(density.min()), 1e-300))


def _raster(flat: FloatArray, islands: IntArray, pixels: int) -> tuple[IntArray, IntArray]:
    """How many triangles cover every pixel's middle, and the last island that does (-1: none), both (pixels, pixels) int32."""
    covered = np.zeros(pixels * pixels, dtype=np.int32)
    owner = np.full(pixels * pixels, -1, dtype=np.int32)
    for triangle, pixel in _pixels_of(flat, pixels):
        np.add.at(covered, pixel, 1)
        owner[pixel] = islands[triangle]
    return covered.reshape(pixels, pixels), owner.reshape(pixels, pixels)


def _doubled(flat: FloatArray, faces: IntArray, covered: IntArray) -> IntArray:
    """Faces with a pixel that is covered more than once, (k,) int32."""
    twice = (covered > 1).ravel()
    if not twice.any():
        return np.empty(0, dtype=np.int32)
    return np.unique(np.concatenate([faces[triangle[twice[pixel]]] for triangle, pixel in _pixels_of(flat, len(covered))])).astype(np.int32)


def _pixels_of(flat: FloatArray, pixels: int) -> Iterator[tuple[Indices, Indices]]:
    """Triangles (T, 3, 2) and the numbers of the pixels whose middles lie inside, each pair once, in parts of bounded size.

    A pixel on an edge belongs to one of its two triangles: both compute the same number, from the edge's lower end on.
    """
    corners = flat * pixels - 0.5
    low = np.maximum(np.ceil(corners.min(axis=1)), 0).astype(np.int64)
    sizes = np.maximum(np.minimum(np.floor(corners.max(axis=1)), pixels - 1).astype(np.int64) - low + 1, 0)
    counts, edges = sizes.prod(axis=1), _edges_of(corners)
    ends, first = np.cumsum(counts), 0
    while first < len(counts):
        before = int(ends[first - 1]) if first else 0
        last = max(first + 1, int(np.searchsorted(ends, before + PIXELS_AT_ONCE, side="right")))
        triangle, place = counted_up(counts[first:last])
        triangle += first
        row, column = np.divmod(place, sizes[triangle, 0])
        row, column = row + low[triangle, 1], column + low[triangle, 0]
        inside = np.ones(len(triangle), dtype=np.bool_)
        for start, step, forward in edges:
            side = step[triangle, 0] * (row - start[triangle, 1]) - step[triangle, 1] * (column - start[triangle, 0])
            inside &= (side >= 0) == forward[triangle]
        yield triangle[inside], row[inside] * pixels + column[inside]
        first = last


def _edges_of(corners: FloatArray) -> list[tuple[FloatArray, FloatArray, BoolArray]]:
    """Lower end, way to the upper one and whether it runs that way, of the three edges of triangles turned counter-clockwise."""
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    turned = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0] < 0
    corners = np.where(turned[:, None, None], corners[:, ::-1], corners)
    found = []
    for start, end in ((corners[:, 0], corners[:, 1]), (corners[:, 1], corners[:, 2]), (corners[:, 2], corners[:, 0])):
        forward = (start[:, 0] < end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] < end[:, 1]))
        low = np.where(forward[:, None], start, end)
        found.append((low, np.where(forward[:, None], end, start) - low, forward))
    return found


def _margin(owner: IntArray) -> int:
    """Pixels that are free between the nearest two islands, along the straight line between them."""
    wide = MOST_MARGIN + 1
    padded = np.pad(owner, wide, constant_values=-1)
    sides = [padded[wide + down : wide + down + len(owner), wide + right : wide + right + owner.shape[1]]
             for down, right in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    rows, columns = np.nonzero((owner >= 0) & np.any([side != owner for side in sides], axis=0))
    own = owner[rows, columns]
    down, right = (steps.ravel() for steps in np.meshgrid(np.arange(wide + 1), np.arange(-wide, wide + 1), indexing="ij"))
    lengths = np.hypot(down, right)
    for step in np.argsort(lengths, kind="stable"):
        other = padded[rows + wide + down[step], columns + wide + right[step]]
        if ((other >= 0) & (other != own)).any():
            return min(int(lengths[step]) - 1, MOST_MARGIN)
        if lengths[step] > wide:
            break
    return MOST_MARGIN
