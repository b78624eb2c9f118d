"""Dense triangle targets made by code: tubes, capsules, forks and an invented hand.

Every shape is counter-clockwise seen from outside; lengths are in the caller's own units.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from ringwright.core.polymesh import FloatArray, IntArray

Number = TypeVar("Number", np.float64, np.int64)
DistanceFunction = Callable[[FloatArray], FloatArray]


class Shape(NamedTuple):
    """A triangle mesh.

    positions : (V, 3) float64
    triangles : (T, 3) int32
    """

    positions: FloatArray
    triangles: IntArray


@dataclass(frozen=True)
class LimbChain:
    """A round limb along joint points, the skeleton of a shape.

    joints : (n, 3) float64, from the root to the tip
    radii : (n,) float64, radius at every joint
    """

    joints: FloatArray
    radii: FloatArray


def cylinder(radius: float = 1.0, length: float = 4.0, around: int = 64, along: int = 64) -> Shape:
    """A round tube along +z from z = 0, open at both ends."""
    heights = np.linspace(0.0, length, along + 1)
    centres = np.column_stack([np.zeros_like(heights), np.zeros_like(heights), heights])
    return tube(centres, np.full(along + 1, radius), around)


def capsule(radius: float = 1.0, length: float = 4.0, around: int = 64, along: int = 64, tip_radius: float | None = None) -> Shape:
    """A limb along +z between the centres z = 0 and z = length of two round ends; tapered where the tip radius differs."""
    last = radius if tip_radius is None else tip_radius
    lean = np.arcsin((radius - last) / length)  # where a common tangent touches both spheres
    turns = np.linspace(0.0, 1.0, max(along // 4, 4) + 1)
    bottom = -np.pi / 2 + turns * (np.pi / 2 + lean)
    top = lean + turns * (np.pi / 2 - lean)
    low = np.column_stack([radius * np.cos(bottom), radius * np.sin(bottom)])
    high = np.column_stack([last * np.cos(top), length + last * np.sin(top)])
    side = low[-1] + np.linspace(0.0, 1.0, along + 1)[1:-1, None] * (high[0] - low[-1])
    profile = np.concatenate([low, side, high])
    centres = np.column_stack([np.zeros((len(profile), 2)), profile[:, 1]])
    return _closed_tube(centres, profile[:, 0], around)


def bent_tube(radius: float = 1.0, bend_radius: float = 4.0, angle: float = np.pi / 2, around: int = 64, along: int = 64) -> Shape:
    """An open tube along a circular arc in the xz plane that starts at the origin towards +z and bends towards +x."""
    turns = np.linspace(0.0, angle, along + 1)
    centres = bend_radius * np.column_stack([1.0 - np.cos(turns), np.zeros_like(turns), np.sin(turns)])
    return tube(centres, np.full(along + 1, radius), around)


def tube(centres: FloatArray, radii: FloatArray, around: int) -> Shape:
    """An open round tube along a curve in a plane of constant y.

    centres : (m, 3) float64, points of the curve
    radii : (m,) float64
    """
    tangents = np.gradient(centres, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    across = np.array([0.0, 1.0, 0.0])
    sideways = np.cross(across, tangents)
    angles = np.arange(around) * (2.0 * np.pi / around)
    spokes = np.cos(angles)[None, :, None] * sideways[:, None] + np.sin(angles)[None, :, None] * across
    positions = centres[:, None] + radii[:, None, None] * spokes
    return Shape(positions.reshape(-1, 3), _tube_triangles(len(centres), around))


def sphere(radius: float = 1.0, rounds: int = 5) -> Shape:
    """A sphere round the origin with 8 * 4**rounds triangles of much the same size: an octahedron, halved again and again."""
    positions = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=np.float64)
    triangles = np.array([[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]], dtype=np.int32)
    for _ in range(rounds):
        positions, triangles = _halve_edges(positions, triangles)
        positions /= np.linalg.norm(positions, axis=1, keepdims=True)
    return Shape(radius * positions, triangles)


def fork_chains() -> dict[str, LimbChain]:
    """Skeleton of the Y shape: a trunk and two branches in the xz plane."""
    return {
        "trunk": _chain([[0, 0, -5], [0, 0, -2.5], [0, 0, 0]], [1.1, 1.05, 1.0]),
        "left": _chain([[0, 0, 0], [-1.5, 0, 2], [-2.3, 0, 4.5]], [0.9, 0.8, 0.7]),
        "right": _chain([[0, 0, 0], [1.5, 0, 2], [2.3, 0, 4.5]], [0.9, 0.8, 0.7]),
    }


def fork(cells: int = 96) -> Shape:
    """Two capsules that run smoothly into one trunk: a closed Y in the xz plane."""
    return surface_nets(limb_distance(fork_chains(), blend=0.6), *_box(fork_chains()), cells)


def hand_chains() -> dict[str, LimbChain]:
    """Skeleton of the invented hand, palm facing -y, forearm down -z: forearm, palm, four fingers in order, thumb.

    The digits start inside the palm, as a rig has it.
    """
    chains = {
        "forearm": _chain([[0, 0, -7], [0, 0, -3.5], [0, 0, 0]], [1.35, 1.2, 0.95]),
        "palm": _chain([[0, 0, 0], [0, 0, 1.8], [0, 0, 3.2]], [0.95, 0.8, 0.6]),
        "thumb": _chain([[0.7, -0.2, 0.6], [1.9, -0.5, 1.7], [2.6, -0.7, 2.9], [3.0, -0.8, 3.9]], [0.6, 0.55, 0.45, 0.36]),
    }
    for name, offset, reach in (("little", -1.5, 2.4), ("ring", -0.52, 3.1), ("middle", 0.48, 3.4), ("index", 1.45, 3.0)):
        knuckle, tip = np.array([offset, 0.0, 3.3]), np.array([1.45 * offset, -0.2, 3.3 + reach])
        joints = knuckle + np.array([0.0, 0.42, 0.74, 1.0])[:, None] * (tip - knuckle)
        chains[name] = LimbChain(joints, np.array([0.46, 0.42, 0.37, 0.3]))
    return chains


def hand(cells: int = 160, bumps: float = 0.0) -> Shape:
    """The invented hand with forearm, one closed piece; ``bumps`` is the height of its knobbly detail."""
    chains = hand_chains()
    metacarpals = {f"in {name}": _chain([[0, 0, 0.5], chains[name].joints[0]], [0.6, 0.5])
                   for name in ("little", "ring", "middle", "index")}
    smooth = surface_nets(limb_distance({**metacarpals, **chains}, blend=0.35), *_box(chains), cells)
    return bumpy(smooth, bumps, wavelength=0.8) if bumps else smooth


def bumpy(shape: Shape, height: float, wavelength: float) -> Shape:
    """The same mesh with smooth bumps and dents of up to ``height`` along its normals."""
    wave = np.sin(shape.positions * (2.0 * np.pi / wavelength) + np.array([0.3, 1.1, 2.3]))
    offset = height * wave.prod(axis=1)
    return Shape(shape.positions + offset[:, None] * vertex_normals(shape), shape.triangles)


def open_below(shape: Shape, axis: int, height: float) -> Shape:
    """The part of a shape whose triangles lie above a height along an axis: opens a closed limb."""
    kept = (shape.positions[shape.triangles, axis] > height).all(axis=1)
    used, triangles = np.unique(shape.triangles[kept], return_inverse=True)
    return Shape(shape.positions[used], triangles.reshape(-1, 3).astype(np.int32))


def vertex_normals(shape: Shape) -> FloatArray:
    """Unit vertex normals, weighted by area, (V, 3) float64."""
    first, second, third = (shape.positions[shape.triangles[:, corner]] for corner in range(3))
    areas = np.cross(second - first, third - first)
    sums = np.stack([np.bincount(shape.triangles.ravel(), np.repeat(areas[:, axis], 3), len(shape.positions)) for axis in range(3)], axis=1)
    return sums / np.linalg.norm(sums, axis=1, keepdims=True)


def limb_distance(chains: Mapping[str, LimbChain], blend: float) -> DistanceFunction:
    """Signed distance (about; negative inside) to round limbs that run into one another over a width of ``blend``."""

    def distance(points: FloatArray) -> FloatArray:
        total = np.full(len(points), np.inf)
        for chain in chains.values():
            single = _chain_distance(points, chain)
            near = np.maximum(blend - np.abs(total - single), 0.0) / blend
            total = np.minimum(total, single) - 0.25 * blend * near * near
        return total

    return distance


def surface_nets(distance: DistanceFunction, low: FloatArray, high: FloatArray, cells: int) -> Shape:
    """The zero surface of a distance function by surface nets (Gibson 1998), drawn onto it by Newton steps.

    low, high : (3,) float64, corners of a box that holds the surface
    cells : cells along the box's longest side
    """
    step = float((high - low).max()) / cells
    counts = np.ceil((high - low) / step).astype(np.int64) + 1
    values = _without_pinched_cells(_grid_values(distance, low, step, counts))
    corners = _cell_corner_values(values)
    crossed = (corners.min(axis=0) < 0.0) & (corners.max(axis=0) >= 0.0)
    number = np.full(crossed.shape, -1, dtype=np.int64)
    number[crossed] = np.arange(np.count_nonzero(crossed))
    positions = low + step * (np.argwhere(crossed) + 0.5)
    for _ in range(4):
        positions = _newton_step(distance, positions, step)
    quads = np.concatenate([_crossed_edge_quads(values, number, axis) for axis in range(3)])
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return Shape(positions, triangles.astype(np.int32))


def _chain(joints: Sequence[npt.ArrayLike], radii: Sequence[float]) -> LimbChain:
    return LimbChain(np.array(joints, dtype=np.float64), np.array(radii, dtype=np.float64))


def _box(chains: Mapping[str, LimbChain]) -> tuple[FloatArray, FloatArray]:
    joints = np.concatenate([chain.joints for chain in chains.values()])
    radii = np.concatenate([chain.radii for chain in chains.values()])[:, None]
    margin = 0.3 * radii.max()
    return (joints - radii).min(axis=0) - margin, (joints + radii).max(axis=0) + margin


def _chain_distance(points: FloatArray, chain: LimbChain) -> FloatArray:
    nearest = np.full(len(points), np.inf)
    for index in range(len(chain.joints) - 1):
        start, bone = chain.joints[index], chain.joints[index + 1] - chain.joints[index]
        place = np.clip((points - start) @ bone / (bone @ bone), 0.0, 1.0)
        radius = chain.radii[index] + place * (chain.radii[index + 1] - chain.radii[index])
        nearest = np.minimum(nearest, np.linalg.norm(points - start - place[:, None] * bone, axis=1) - radius)
    return nearest


def _grid_values(distance: DistanceFunction, low: FloatArray, step: float, counts: npt.NDArray[np.int64]) -> FloatArray:
    axes = [low[axis] + step * np.arange(counts[axis]) for axis in range(3)]
    slabs = [distance(np.stack(np.meshgrid(axes[0][[index]], axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 3))
             for index in range(counts[0])]
    return np.stack(slabs).reshape(tuple(counts))


def _without_pinched_cells(values: FloatArray) -> FloatArray:
    """Grid values in which the inner corners of every cell hang together along its edges, and the outer ones too.

    Elsewhere the net would pinch to a point or an edge of four faces. The outer corner next to the
    surface is taken in, again and again; each round takes in more, so it ends.
    """
    values = values.copy()
    numbers = _cell_corner_values(np.arange(values.size).reshape(values.shape)).reshape(8, -1)
    pinching = np.array([not (_hang_together(code) and _hang_together(255 - code)) for code in range(256)])
    while True:
        codes = (values.ravel()[numbers] < 0.0).T @ (1 << np.arange(8))
        pinched = numbers[:, pinching[codes]]
        if not pinched.shape[1]:
            return values
        heights = values.ravel()[pinched]
        outer = np.where(heights < 0.0, np.inf, heights)
        values.ravel()[pinched[outer.argmin(axis=0), np.arange(outer.shape[1])]] = -np.finfo(np.float64).tiny


def _hang_together(code: int) -> bool:
    """Whether the cell corners whose bits are set are one piece along the cell's edges; two corners one bit apart share an edge."""
    corners = [corner for corner in range(8) if code >> corner & 1]
    reached = corners[:1]
    for corner in reached:
        reached.extend(near for near in (corner ^ 1, corner ^ 2, corner ^ 4) if near in corners and near not in reached)
    return len(reached) == len(corners)


def _cell_corner_values(values: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """The eight corner values of every cell; corner 4a + 2b + c is a, b, c steps from the cell's lowest corner."""
    size = [slice(0, -1), slice(1, None)]
    return np.stack([values[first, second, third] for first in size for second in size for third in size])


def _newton_step(distance: DistanceFunction, points: FloatArray, step: float) -> FloatArray:
    reach = 1e-3 * step
    value = distance(points)
    slope = np.stack([(distance(points + reach * axis) - distance(points - reach * axis)) / (2.0 * reach) for axis in np.eye(3)], axis=1)
    steepness = np.maximum(np.einsum("ij,ij->i", slope, slope), 0.1)
    move = -(value / steepness)[:, None] * slope
    return points + np.clip(move, -0.5 * step, 0.5 * step)


def _crossed_edge_quads(values: FloatArray, number: npt.NDArray[np.int64], axis: int) -> npt.NDArray[np.int64]:
    """Quads round the grid edges along one axis that the surface crosses: one corner in each of the four cells."""
    turned = np.moveaxis(values, axis, 0)
    cell = np.moveaxis(number, axis, 0)
    below, above = turned[:-1, 1:-1, 1:-1] < 0.0, turned[1:, 1:-1, 1:-1] < 0.0
    quads = np.stack([cell[:, :-1, :-1], cell[:, 1:, :-1], cell[:, 1:, 1:], cell[:, :-1, 1:]], axis=-1)
    if axis == 1:  # moving y to the front mirrors the other two axes
        quads = quads[..., ::-1]
    return np.concatenate([quads[below & ~above], quads[~below & above][:, ::-1]])


def _tube_triangles(rings: int, around: int) -> IntArray:
    start = np.arange(rings - 1)[:, None] * around
    here, onward = start + np.arange(around), start + (np.arange(around) + 1) % around
    quads = np.stack([here, onward, onward + around, here + around], axis=-1).reshape(-1, 4)
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int32)


def _closed_tube(centres: FloatArray, radii: FloatArray, around: int) -> Shape:
    """A tube along +z whose first and last ring have shrunk to points."""
    side = tube(centres[1:-1], radii[1:-1], around)
    first, last = len(side.positions), len(side.positions) + 1
    start = np.arange(around)
    onward = (start + 1) % around
    end = first - around
    bottom = np.column_stack([np.full(around, first), onward, start])
    top = np.column_stack([np.full(around, last), end + start, end + onward])
    positions = np.concatenate([side.positions, centres[[0, -1]]])
    return Shape(positions, np.concatenate([side.triangles, bottom, top]).astype(np.int32))


def _halve_edges(positions: FloatArray, triangles: IntArray) -> tuple[FloatArray, IntArray]:
    edges = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    unique, back = np.unique(edges, axis=0, return_inverse=True)
    middle = len(positions) + back.reshape(-1, 3)
    first, second, third = triangles.T
    split = [[first, middle[:, 0], middle[:, 2]], [second, middle[:, 1], middle[:, 0]],
             [third, middle[:, 2], middle[:, 1]], [middle[:, 0], middle[:, 1], middle[:, 2]]]
    points = np.concatenate([positions, positions[unique].mean(axis=1)])
    return points, np.concatenate([np.column_stack(corners) for corners in split]).astype(np.int32)
