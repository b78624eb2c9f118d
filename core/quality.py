"""Shape metrics of quads, as the VERDICT library defines them.

Every metric takes ``corners : (F, 4, 3) float`` in the mesh's units, counter-clockwise seen from
outside, and returns ``(F,) float64``. Definitions and names: Stimpson, Ernst, Knupp, Pebay,
Thompson, "The Verdict Library Reference Manual", 2007 (SAND2007-1751), and, where text and code
part (warpage, distortion, degenerate input), the code's values. A metric without bound is
capped at ``CAP``, as there.

    P3 --L2-- P2        L0 = P1 - P0    L2 = P3 - P2
    |          |        L1 = P2 - P1    L3 = P0 - P3
    L3        L1        X1 = (P1 - P0) + (P2 - P3)
    |          |        X2 = (P2 - P1) + (P3 - P0)
    P0 --L0-- P1        corner normals N0 = L3 x L0, N1 = L0 x L1, N2 = L1 x L2, N3 = L2 x L3
                        alpha_k = unit(X1 x X2) . N_k, the signed area at corner k
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from .polymesh import BoolArray, FloatArray

CAP = 1.0e30
"""What an unbounded metric returns for a degenerate quad."""

TINY = float(np.finfo(np.float64).tiny)
"""Lengths and areas up to this count as zero."""

_GAUSS = 0.577350269189626
_FLAT_COSINE = 0.99
_THICKNESS = 0.001


def area(corners: FloatArray) -> FloatArray:
    """Area: mean of the four signed corner areas."""
    return 0.25 * _corner_areas(corners).sum(axis=1)


def aspect_ratio(corners: FloatArray) -> FloatArray:
    """Longest edge times perimeter over four areas; 1 for a square."""
    lengths = _lengths(_edges(corners))
    return np.minimum(_ratio(lengths.max(axis=1) * lengths.sum(axis=1), 4.0 * area(corners)), CAP)


def condition(corners: FloatArray) -> FloatArray:
    """Largest condition number of the corner Jacobians; 1 for a square, ``CAP`` where a corner is not convex."""
    of_quads = _ratio(_squared_pairs(corners), _corner_areas(corners)).max(axis=1) / 2.0
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    doubled_area = _lengths(_cross(first, second))
    of_triangles = _ratio(_dot(first, first) + _dot(second, second) - _dot(first, second), np.sqrt(3.0) * doubled_area)
    return np.minimum(np.where(_collapsed(corners), of_triangles, of_quads), CAP)


def distortion(corners: FloatArray) -> FloatArray:
    """Smallest Jacobian over corners and Gauss points against the area, times four; 1 for a parallelogram.

    A quad whose corner normals differ is also measured a thousandth of its size above and below
    itself, as the library does.
    """
    gauss = [(-_GAUSS, -_GAUSS), (_GAUSS, -_GAUSS), (_GAUSS, _GAUSS), (-_GAUSS, _GAUSS)]
    total = sum((_lengths(_jacobian_vector(corners, *point)) for point in gauss), start=np.zeros(len(corners)))
    at_corner = np.swapaxes(_corner_normals(corners), 0, 1) / 4.0
    sense = np.where(_dot(at_corner, _agreed_normal(corners)) > 0.0, 1.0, -1.0)
    smallest = (sense * _lengths(at_corner)).min(axis=0)
    unit_normals = _unit(at_corner)
    flat = (np.abs(_dot(unit_normals[1:], unit_normals[0])) >= _FLAT_COSINE).all(axis=0)
    offset = np.where(flat, 0.0, _THICKNESS * np.sqrt(total))[:, None, None] * np.swapaxes(unit_normals, 0, 1) / 2.0
    for x, y in gauss:
        weights = 0.25 * np.array([(1 - x) * (1 - y), (1 + x) * (1 - y), (1 + x) * (1 + y), (1 - x) * (1 + y)])
        normal = np.tensordot(weights, unit_normals, axes=1)
        for height in (-_GAUSS, _GAUSS):
            smallest = np.minimum(smallest, _dot(normal, _jacobian_vector(corners + height * offset, x, y)))
    return np.minimum(_ratio(4.0 * smallest, total), CAP)


def edge_ratio(corners: FloatArray) -> FloatArray:
    """Longest over shortest edge; 1 for a square."""
    lengths = _lengths(_edges(corners))
    return np.minimum(_ratio(lengths.max(axis=1), lengths.min(axis=1)), CAP)


def equiangle_skew(corners: FloatArray) -> FloatArray:
    """How far the worst corner is from a right angle, 0 to 1 for convex quads."""
    return np.maximum((maximum_angle(corners) - 90.0) / 90.0, (90.0 - minimum_angle(corners)) / 90.0)


def jacobian(corners: FloatArray) -> FloatArray:
    """Smallest signed corner area; above 0 for convex quads."""
    smallest = _corner_areas(corners).min(axis=1)
    triangle = _lengths(_cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    return np.where(_collapsed(corners), triangle, smallest)


def maximum_angle(corners: FloatArray) -> FloatArray:
    """Largest corner angle, degrees; over 180 where a corner is not convex."""
    largest = _angles(corners, np.max)
    folded = (_corner_areas(corners) < 0.0).any(axis=1) & ~_collapsed(corners) & (largest > 0.0)
    return np.where(folded, 360.0 - largest, largest)


def maximum_aspect_frobenius(corners: FloatArray) -> FloatArray:
    """Largest Frobenius aspect of the four corner triangles; 1 for a square."""
    return np.minimum(_ratio(_squared_pairs(corners), _lengths(_corner_normals(corners))).max(axis=1) / 2.0, CAP)


def maximum_edge_ratio(corners: FloatArray) -> FloatArray:
    """Longer over shorter principal axis; 1 for a square."""
    along, across = (_lengths(axis) for axis in _axes(corners))
    return np.minimum(_ratio(np.maximum(along, across), np.minimum(along, across)), CAP)


def mean_aspect_frobenius(corners: FloatArray) -> FloatArray:
    """Mean Frobenius aspect of the four corner triangles; 1 for a square (VTK: MedAspectFrobenius)."""
    return np.minimum(_ratio(_squared_pairs(corners), _lengths(_corner_normals(corners))).sum(axis=1) / 8.0, CAP)


def minimum_angle(corners: FloatArray) -> FloatArray:
    """Smallest corner angle, degrees."""
    return _angles(corners, np.min)


def oddy(corners: FloatArray) -> FloatArray:
    """Largest deviation of the corner metric tensors from a square's; 0 for a square.

    The determinant is taken from the cross product, which keeps its digits where a corner is
    nearly straight; the difference of products that the library uses loses them.
    """
    squares = _squares(corners)
    before = np.roll(squares, 1, axis=1)
    mixed = _dot(_edges(corners), np.roll(_edges(corners), 1, axis=1))
    normals = _corner_normals(corners)
    return np.minimum(_ratio((squares - before) ** 2 + 4.0 * mixed * mixed, 2.0 * _dot(normals, normals)).max(axis=1), CAP)


def radius_ratio(corners: FloatArray) -> FloatArray:
    """Quadratic mean edge times longest edge or diagonal over the smallest corner triangle; 1 for a square."""
    squares = _squares(corners)
    longest = np.maximum(squares.max(axis=1), _diagonals(corners).max(axis=1) ** 2)
    smallest = _lengths(_corner_normals(corners)).min(axis=1)
    return np.minimum(_ratio(np.sqrt(squares.sum(axis=1) * longest) / (2.0 * np.sqrt(2.0)), smallest), CAP)


def relative_size_squared(corners: FloatArray) -> FloatArray:
    """Square of the smaller of area over mean area and its inverse; the mean is over the given quads."""
    areas = area(corners)
    mean = areas.mean() if len(areas) else 0.0
    if mean <= TINY:
        return np.zeros(len(areas))
    share = areas / mean
    return np.where(share > TINY, np.minimum(share, 1.0 / np.maximum(share, TINY)) ** 2, 0.0)


def scaled_jacobian(corners: FloatArray) -> FloatArray:
    """Smallest signed corner area over the product of the edges that meet there; 1 for a rectangle, -1 at worst."""
    lengths = _lengths(_edges(corners))
    products = lengths * np.roll(lengths, 1, axis=1)
    smallest = (_corner_areas(corners) / np.maximum(products, TINY)).min(axis=1)
    scaled = np.where(lengths.min(axis=1) <= TINY, 0.0, smallest)
    collapsed = _collapsed(corners)
    return np.where(collapsed, _scaled_jacobian_of_triangles(corners[:, :3]), scaled)


def shape(corners: FloatArray) -> FloatArray:
    """Twice the smallest corner area over the squares of the edges that meet there; 1 for a square, 0 where not convex."""
    lengths = _lengths(_edges(corners))
    smallest = 2.0 * (_corner_areas(corners) / np.maximum(_squared_pairs(corners), TINY)).min(axis=1)
    return np.where((lengths.min(axis=1) <= TINY) | (smallest <= TINY), 0.0, smallest)


def shape_and_size(corners: FloatArray) -> FloatArray:
    """Shape times relative size squared."""
    return shape(corners) * relative_size_squared(corners)


def shear(corners: FloatArray) -> FloatArray:
    """Scaled Jacobian, 0 where not convex."""
    return np.maximum(scaled_jacobian(corners), 0.0)


def shear_and_size(corners: FloatArray) -> FloatArray:
    """Shear times relative size squared."""
    return shear(corners) * relative_size_squared(corners)


def skew(corners: FloatArray) -> FloatArray:
    """Absolute cosine between the principal axes; 0 for a rectangle."""
    along, across = _axes(corners)
    return np.abs(_dot(_unit(along), _unit(across)))


def stretch(corners: FloatArray) -> FloatArray:
    """Shortest edge over longest diagonal, times the root of two; 1 for a square."""
    return np.minimum(_ratio(np.sqrt(2.0) * _lengths(_edges(corners)).min(axis=1), _diagonals(corners).max(axis=1)), CAP)


def taper(corners: FloatArray) -> FloatArray:
    """Difference of opposite edges against the shorter principal axis; 0 for a parallelogram."""
    along, across = (_lengths(axis) for axis in _axes(corners))
    cross = _lengths(corners[:, 0] - corners[:, 1] + corners[:, 2] - corners[:, 3])
    return np.minimum(_ratio(cross, np.minimum(along, across)), CAP)


def warpage(corners: FloatArray) -> FloatArray:
    """Cube of the smaller cosine between opposite corner normals; 1 for a flat quad."""
    normals = _corner_normals(corners)
    units = _unit(normals)
    cosine = np.minimum(_dot(units[:, 0], units[:, 2]), _dot(units[:, 1], units[:, 3]))
    return np.where(_lengths(normals).min(axis=1) <= TINY, 0.0, cosine**3)


@dataclass(frozen=True)
class QuadMetric:
    """One metric with the range that the manual calls acceptable ("Acceptable Range" in the metric's own table; infinite: no bound)."""

    measure: Callable[[FloatArray], FloatArray]
    lowest: float
    highest: float


METRICS: MappingProxyType[str, QuadMetric] = MappingProxyType({
    "scaled_jacobian": QuadMetric(scaled_jacobian, 0.3, 1.0),
    "aspect_ratio": QuadMetric(aspect_ratio, 1.0, 1.3),
    "edge_ratio": QuadMetric(edge_ratio, 1.0, 1.3),
    "maximum_edge_ratio": QuadMetric(maximum_edge_ratio, 1.0, 1.3),
    "skew": QuadMetric(skew, 0.0, 0.5),
    "taper": QuadMetric(taper, 0.0, 0.7),
    "warpage": QuadMetric(warpage, 0.3, 1.0),
    "stretch": QuadMetric(stretch, 0.25, 1.0),
    "minimum_angle": QuadMetric(minimum_angle, 45.0, 90.0),
    "maximum_angle": QuadMetric(maximum_angle, 90.0, 135.0),
    "condition": QuadMetric(condition, 1.0, 4.0),
    "jacobian": QuadMetric(jacobian, 0.0, np.inf),
    "shear": QuadMetric(shear, 0.3, 1.0),
    "shape": QuadMetric(shape, 0.3, 1.0),
    "distortion": QuadMetric(distortion, 0.5, 1.0),
    "area": QuadMetric(area, 0.0, np.inf),
    "oddy": QuadMetric(oddy, 0.0, 0.5),
    "radius_ratio": QuadMetric(radius_ratio, 1.0, 1.3),
    "mean_aspect_frobenius": QuadMetric(mean_aspect_frobenius, 1.0, 1.3),
    "maximum_aspect_frobenius": QuadMetric(maximum_aspect_frobenius, 1.0, 1.3),
    "relative_size_squared": QuadMetric(relative_size_squared, 0.3, 1.0),
})
"""Metrics with a published range, in the order in which a report lists them."""


def _edges(corners: FloatArray) -> FloatArray:
    return np.roll(corners, -1, axis=1) - corners


def _squares(corners: FloatArray) -> FloatArray:
    edges = _edges(corners)
    return _dot(edges, edges)


def _lengths(vectors: FloatArray) -> FloatArray:
    return np.sqrt(_dot(vectors, vectors))


def _corner_normals(corners: FloatArray) -> FloatArray:
    edges = _edges(corners)
    return _cross(np.roll(edges, 1, axis=1), edges)


def _axes(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    along = (corners[:, 1] - corners[:, 0]) + (corners[:, 2] - corners[:, 3])
    across = (corners[:, 2] - corners[:, 1]) + (corners[:, 3] - corners[:, 0])
    return np.asarray(along, dtype=np.float64), np.asarray(across, dtype=np.float64)


def _corner_areas(corners: FloatArray) -> FloatArray:
    along, across = _axes(corners)
    centre_normal = _unit(_cross(along, across))
    return _dot(_corner_normals(corners), centre_normal[:, None, :])


def _diagonals(corners: FloatArray) -> FloatArray:
    return _lengths(corners[:, 2:] - corners[:, :2])


def _squared_pairs(corners: FloatArray) -> FloatArray:
    """Sum of the squares of the two edges that meet at each corner, (F, 4)."""
    squares = _squares(corners)
    return squares + np.roll(squares, 1, axis=1)


def _collapsed(corners: FloatArray) -> BoolArray:
    """Quads whose last two corners coincide; the library measures those as triangles."""
    return (corners[:, 3] == corners[:, 2]).all(axis=1)


def _scaled_jacobian_of_triangles(corners: FloatArray) -> FloatArray:
    lengths = _lengths(_edges(corners))
    product = (lengths * np.roll(lengths, 1, axis=1)).max(axis=1)
    doubled = _lengths(_cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    return np.where(product > TINY, doubled * (2.0 / np.sqrt(3.0)) / np.maximum(product, TINY), 0.0)


def _angles(corners: FloatArray, choose: Callable[..., FloatArray]) -> FloatArray:
    chosen = choose(_corner_angles(corners), axis=1)
    collapsed = np.flatnonzero(_collapsed(corners))
    chosen[collapsed] = choose(_corner_angles(corners[collapsed, :3]), axis=1)
    return chosen


def _corner_angles(corners: FloatArray) -> FloatArray:
    """Unsigned angles of polygons (F, k, 3) in degrees, (F, k); all 0 where an edge has no length."""
    edges = _edges(corners)
    lengths = _lengths(edges)
    cosine = -_dot(edges, np.roll(edges, 1, axis=1)) / np.maximum(lengths * np.roll(lengths, 1, axis=1), TINY)
    angles = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return np.where(lengths.min(axis=1, keepdims=True) <= TINY, 0.0, angles)


def _jacobian_vector(corners: FloatArray, x: float, y: float) -> FloatArray:
    """Cross product of the bilinear patch's derivatives at (x, y) in [-1, 1] squared, (F, 3)."""
    along = 0.25 * ((1 - y) * (corners[:, 1] - corners[:, 0]) + (1 + y) * (corners[:, 2] - corners[:, 3]))
    across = 0.25 * ((1 - x) * (corners[:, 3] - corners[:, 0]) + (1 + x) * (corners[:, 2] - corners[:, 1]))
    return _cross(along, across)


def _agreed_normal(corners: FloatArray) -> FloatArray:
    """Mean of the normals of two opposite corners where they agree, else of two that do, (F, 3)."""
    first, second, third, _ = np.swapaxes(_unit(_corner_normals(corners)), 0, 1)
    opposite = (_dot(first, third) > 0.0)[:, None]
    neighbour = (_dot(first, second) > 0.0)[:, None]
    return 0.5 * np.where(opposite, first + third, np.where(neighbour, first + second, third + second))


def _ratio(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    """Quotient, ``8 * CAP`` where the denominator is not above zero: sums and halves of it still reach the cap."""
    return np.divide(numerator, denominator, out=np.full(np.shape(denominator), 8.0 * CAP), where=denominator > TINY)


def _dot(first: FloatArray, second: FloatArray) -> FloatArray:
    return np.einsum("...k,...k->...", first, second)


def _cross(first: FloatArray, second: FloatArray) -> FloatArray:
    """Cross product over the last axis; several times faster than numpy's on many short vectors."""
    x0, y0, z0 = first[..., 0], first[..., 1], first[..., 2]
    x1, y1, z1 = second[..., 0], second[..., 1], second[..., 2]
    return np.stack([y0 * z1 - z0 * y1, z0 * x1 - x0 * z1, x0 * y1 - y0 * x1], axis=-1)


def _unit(vectors: FloatArray) -> FloatArray:
    lengths = np.sqrt(_dot(vectors, vectors))[..., None]
    return np.divide(vectors, lengths, out=np.zeros_like(vectors), where=lengths > TINY)
