"""How far two surfaces lie apart, measured both ways.

Distances run from points on one surface to the nearest point of the other; the two ways differ.
Mean, root mean square and percentiles are over samples spread evenly by area, the maximum is over
samples and vertices and so a lower bound of the true one (Cignoni, Rocchini, Scopigno, "Measuring
error on simplified surfaces", Computer Graphics Forum 17(2), 1998). Quads are split from their
first to their third corner, as ``PolyMesh.triangles`` splits them.

What the target has beyond the cage's open ends is left out: there the distance to the cage says how
long the rest is, not how well the cage fits. The covered share says how much was looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .coverage import OpenEnds, open_ends
from .errors import MeshError
from .polymesh import FloatArray, IntArray, PolyMesh
from .surface import Surface

SAMPLES = 40_000
"""Samples a side: the mean is then good to about half a per cent of itself, and it takes a fraction of a second."""

AT_ONCE = 1 << 13
"""Points asked for in one go, and samples drawn: with another number a seed gives other samples."""
PIECE = 1 << 11
"""Points and triangles looked at in one go: their arrays stay in the processor's cache, and small beside the target's."""


@dataclass(frozen=True)
class OneWayDeviation:
    """Distances from one surface to the other, in the meshes' units; not a number where there was no sample.

    place : (3,) float64, the point that lies farthest from the other surface
    samples : number of area samples
    """

    mean: float
    root_mean_square: float
    percentile_95: float
    percentile_99: float
    maximum: float
    place: FloatArray
    samples: int


@dataclass(frozen=True)
class Deviation:
    """Deviation both ways.

    target_to_cage : over the part of the target that the cage covers
    covered : that part, as a share of the target's area, 0 to 1
    diagonal : of the target's bounding box, what percentages refer to
    vertex_maximum : largest distance of a cage vertex from the target
    """

    cage_to_target: OneWayDeviation
    target_to_cage: OneWayDeviation
    diagonal: float
    vertex_maximum: float
    covered: float = 1.0

    def percent(self, distance: float) -> float:
        """A distance in per cent of the target's diagonal."""
        return 100.0 * distance / self.diagonal


def sample_triangles(positions: FloatArray, triangles: IntArray, count: int, seed: int) -> FloatArray:
    """Spread points over triangles, one in each of ``count`` equal shares of the area, (count, 3) float64.

    positions : (V, 3) float64
    triangles : (T, 3) int
    Points come in the triangles' order, so that neighbours in the list are neighbours in space.
    Raises MeshError where the triangles have no area or a position is not finite.
    """
    cumulated = _doubled_areas(positions, triangles)
    np.cumsum(cumulated, out=cumulated)
    total = float(cumulated[-1]) if len(cumulated) else 0.0
    if not np.isfinite(total):
        raise MeshError("The mesh has positions that are not finite numbers; mend them before measuring its deviation.")
    if total <= 0.0:
        raise MeshError("The mesh has no face with an area, so its deviation cannot be measured; give it faces.")
    points = np.empty((count, 3))
    for start, (place, u, v) in _drawn(count, seed):
        stop = start + len(place)
        shares = (np.arange(start, stop) + place) * (total / count)
        picked = np.minimum(np.searchsorted(cumulated, shares, side="right"), len(triangles) - 1)
        outside = u + v > 1.0
        u[outside], v[outside] = 1.0 - u[outside], 1.0 - v[outside]
        first, second, third = positions.take(triangles.take(picked, axis=0), axis=0).transpose(1, 2, 0)
        second -= first
        third -= first
        second *= u
        third *= v
        second += first
        second += third
        points[start:stop] = second.T
    return points


def _drawn(count: int, seed: int) -> Iterator[tuple[int, FloatArray]]:
    """Three random numbers a sample, (3, n) float64 piece by piece, and the number of the piece's first sample."""
    random = np.random.default_rng(seed)
    for first in range(0, count, AT_ONCE):
        drawn = random.random((3, min(AT_ONCE, count - first)))
        for start in range(0, drawn.shape[1], PIECE):
            yield first + start, drawn[:, start : start + PIECE]


def summarise_distances(samples: FloatArray, distances: FloatArray, vertices: FloatArray, vertex_distances: FloatArray) -> OneWayDeviation:
    """Sum up distances of area samples (n, 3), (n,) and of vertices (m, 3), (m,); the latter count for the maximum only."""
    if not len(distances):
        none = float("nan")
        return OneWayDeviation(none, none, none, none, none, np.full(3, none), 0)
    farthest = int(np.argmax(distances))
    maximum, place = float(distances[farthest]), samples[farthest]
    if len(vertex_distances) and float(vertex_distances.max()) > maximum:
        farthest = int(np.argmax(vertex_distances))
        maximum, place = float(vertex_distances[farthest]), vertices[farthest]
    high, highest = np.percentile(distances, [95.0, 99.0])
    return OneWayDeviation(float(distances.mean()), float(np.sqrt(np.mean(distances**2))), float(high), float(highest), maximum,
                           np.array(place, dtype=np.float64), len(distances))


def measure_deviation(cage: PolyMesh, target: PolyMesh, cage_surface: Surface, target_surface: Surface, *, seed: int,
                      samples: int = SAMPLES) -> Deviation:
    """Measure the deviation between cage and target both ways.

    cage_surface, target_surface : answer for the same faces, the cage's quads split from first to third corner
    seed : of the samples
    samples : area samples a side; of the target's vertices at most a quarter as many are looked at, evenly spread
    Raises MeshError where one of the two has no area.
    """
    ends = open_ends(cage)
    cage_side, vertex_maximum = _from_cage(cage, target_surface, samples, seed)
    target_side, covered = _from_target(target, cage_surface, ends, samples, seed + 1)
    return Deviation(cage_side, target_side, target_surface.diagonal, vertex_maximum, covered)


def _from_cage(cage: PolyMesh, surface: Surface, samples: int, seed: int) -> tuple[OneWayDeviation, float]:
    """The way from the cage to the target, and the largest distance of a vertex."""
    used = np.zeros(cage.vertex_count, dtype=np.bool_)
    used[cage.corner_verts] = True
    vertices, points = cage.positions[used], sample_triangles(cage.positions, cage.triangles(), samples, seed)
    vertex_distances = _distances(vertices, surface)
    return summarise_distances(points, _distances(points, surface), vertices, vertex_distances), float(vertex_distances.max(initial=0.0))


def _from_target(target: PolyMesh, surface: Surface, ends: OpenEnds, samples: int, seed: int) -> tuple[OneWayDeviation, float]:
    """The way from the part of the target that the cage covers to the cage, and that part's share."""
    points = sample_triangles(target.positions, target.triangles(), samples, seed)
    corners = target.positions.take(target.corner_verts[:: max(1, 4 * len(target.corner_verts) // samples)], axis=0)
    distances, corner_distances = (_distances(each, surface, ends) for each in (points, corners))
    covered, known = np.isfinite(distances), np.isfinite(corner_distances)
    if not covered.all():
        points, distances = points[covered], distances[covered]
    if not known.all():
        corners, corner_distances = corners[known], corner_distances[known]
    return summarise_distances(points, distances, corners, corner_distances), len(points) / len(covered)


def _distances(points: FloatArray, surface: Surface, ends: OpenEnds | None = None) -> FloatArray:
    """Distances of (n, 3) points from a surface, (n,) float64; infinite for those beyond its open ends."""
    distances = np.empty(len(points))
    for start in range(0, len(points), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        found = surface.closest(points[part])
        distances[part] = found.distances
        if ends is not None and len(ends.edges):
            distances[part][ends.hold(found.positions)] = np.inf
    return distances


@dataclass(frozen=True)
class DeviationMap:
    """The cage's faces cut fine, with the distance to the target at every point, for a heat map.

    positions : (n, 3) float64
    triangles : (t, 3) int32
    distances : (n,) float64
    """

    positions: FloatArray
    triangles: IntArray
    distances: FloatArray


def map_deviation(cage: PolyMesh, target_surface: Surface, *, cuts: int = 4) -> DeviationMap:
    """Measure the distance to the target on a fine grid over the cage's faces.

    cuts : parts into which every triangle's edge is cut
    """
    positions, triangles = _cut_triangles(cage.positions[cage.triangles()], cuts)
    return DeviationMap(positions, triangles, target_surface.closest(positions).distances)


def _cut_triangles(corners: FloatArray, cuts: int) -> tuple[FloatArray, IntArray]:
    """Cut every triangle (T, 3, 3) into cuts * cuts smaller ones; shared points are repeated."""
    grid = [(i, j) for i in range(cuts + 1) for j in range(cuts + 1 - i)]
    number = {cell: index for index, cell in enumerate(grid)}
    small = [(number[i, j], number[i + 1, j], number[i, j + 1]) for i, j in grid if i + j < cuts]
    small += [(number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]) for i, j in grid if i + j < cuts - 1]
    weights = np.array([(cuts - i - j, i, j) for i, j in grid]) / cuts
    positions = np.einsum("gc,tck->tgk", weights, corners).reshape(-1, 3)
    triangles = (np.arange(len(corners))[:, None, None] * len(grid) + np.array(small)[None]).reshape(-1, 3)
    return positions, triangles.astype(np.int32)


def _doubled_areas(positions: FloatArray, triangles: IntArray) -> FloatArray:
    """Twice the area of every triangle, (T,) float64, in batches that stay in the processor's cache."""
    doubled = np.empty(len(triangles))
    for start in range(0, len(triangles), PIECE):
        corners = triangles[start : start + PIECE]
        first = positions[corners[:, 0]]
        a, b = (positions[corners[:, 1]] - first).T, (positions[corners[:, 2]] - first).T
        normal = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
        doubled[start : start + PIECE] = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    return doubled
