"""Rows of quads between two open rings without folds, also where the rings zigzag.

A ring that was cut through faces runs to and fro along its limb. The rows then lie on a smooth tube (a loft) between the two rings' smooth
courses: their corners are made square in the loft's own coordinates, how far round and how far along, and only then laid in space.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .adjacency import Adjacency
from .frames import unit
from .patch_descent import barrier, descend, kept_positive, lbfgs
from .patch_laplacian import PatchLaplacian
from .patch_weave import Weave
from .polymesh import FloatArray, IntArray, PolyMesh
from .ring_curve import hermite
from .ring_rows import RingRows, even_coordinates

DESCENT_ROUNDS = 150
"""Most steps of descent at one softness."""

FINISHING_ROUNDS = (2, 10)
"""Steps of descent in space after that on the loft, where rows that lie on it are not sound: the fewer, the less they swell off it."""

SOUND = 0.1
"""Soundness that is good enough: corners and faces within 84 degrees of the best."""

UNFOLD_TRIES = 12
"""Rounds of ever harder barriers against folds."""

EVENNESS = 0.3
"""Weight of even quad sizes beside square corners."""

PLANE_SHARE = 0.05
"""Weight of a ring's own plane beside its mesh's normals where the limb's axis is sought (tried: 0.01 to 0.2 are alike)."""

WAVES_ACROSS, WAVES_ALONG = 6, 2
"""Waves round a ring of which its smooth course may consist: of its distance from the middle, and of its place along the limb."""


WAY_ROUND = 72
"""Samples once round a ring."""


@dataclass(frozen=True)
class RingSide:
    """What a splice's shape takes from one of its rings.

    points : (n, 3) float64, vertices; both rings run alike
    normals : (n, 3) float64, unit outward normals of the mesh there
    arrivals : (n, 3) float64, unit directions in which the mesh's faces run out there
    """

    points: FloatArray
    normals: FloatArray
    arrivals: FloatArray


@dataclass(frozen=True)
class LaidRows:
    """Where a splice's vertices lie.

    positions : (n, 3) float64 of all local vertices, in the mesh's units
    soundness : of the worst quad, 1 where all are flat rectangles that look straight out, 0 or less where one is folded
    """

    positions: FloatArray
    soundness: float


def lay_rows(rows: RingRows, positions: FloatArray, normals: FloatArray, first: RingSide, last: RingSide) -> LaidRows:
    """Place the vertices between two rings so that no quad folds; where all are sound, nothing moves.

    rows : the rows' topology
    positions : (n, 3) float64 of all local vertices, in the mesh's units
    normals : (n, 3) float64, unit, outward there
    first, last : the rings at the rows' two ends, which stay
    Source: descent as ``patch_descent`` tells it; the rows are a patch whose border is both rings.
    """
    patch = _as_patch(rows, len(first.points), len(last.points))
    best = LaidRows(positions, _soundness(rows.quads, positions, normals))
    if patch is None or best.soundness >= SOUND:
        return best
    for placed, outward in _tries(rows, patch, positions[patch.order], normals[patch.order], _loft(first, last)):
        soundness = _soundness(patch.woven.quads, placed, outward)
        if soundness > best.soundness:
            laid = positions.copy()
            laid[patch.order] = placed
            best = LaidRows(laid, soundness)
        if best.soundness >= SOUND:
            break
    return best


def _soundness(quads: IntArray, positions: FloatArray, normals: FloatArray) -> float:
    """Least sine of a quad's corner against the quad's own normal, or cosine of that normal against the outward ones (n, 3)."""
    corners = positions[quads]
    edges = np.roll(corners, -1, axis=1) - corners
    edges = unit(edges)
    own = unit(np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]))
    corner = np.einsum("qij,qj->qi", np.cross(np.roll(edges, 1, axis=1), edges), own)
    lean = np.einsum("qj,qj->q", unit(normals[quads].sum(axis=1)), own)
    return float(min(corner.min(), lean.min()))


@dataclass(frozen=True)
class _Patch:
    """Rows as a patch whose border is both rings: border vertices first.

    order : (n,) int, local vertex of the rows at every place
    """

    order: IntArray
    woven: Weave
    laplacian: PatchLaplacian


def _tries(rows: RingRows, patch: _Patch, start: FloatArray, normals: FloatArray,
           loft: _Loft | None) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Places and outward normals (n, 3) to judge, the gentlest first."""
    many: tuple[int, ...] = (DESCENT_ROUNDS,)
    if loft is not None:
        start, normals = _on_loft(loft, rows, patch, start[: patch.woven.loop_size])
        many = (0, *FINISHING_ROUNDS, DESCENT_ROUNDS)
    centre, scale = start.mean(axis=0), _mean_edge(start, patch.woven.quads)
    for rounds in many:
        yield descend(patch.woven, patch.laplacian, (start - centre) / scale, normals, None, rounds) * scale + centre, normals


def _as_patch(rows: RingRows, first: int, last: int) -> _Patch | None:
    """The rows between rings of so many vertices; None where no vertex lies between them."""
    count, fixed = int(rows.counts.sum()), first + last
    if fixed == count:
        return None
    order = np.concatenate([rows.ring(0), rows.ring(len(rows.counts) - 1), np.arange(first, count - last)])
    place = np.empty(count, dtype=np.int32)
    place[order] = np.arange(count, dtype=np.int32)
    woven = Weave(place[rows.quads], fixed, count)
    return _Patch(order, woven, PatchLaplacian(woven))


def _mean_edge(positions: FloatArray, quads: IntArray) -> float:
    corners = positions[quads]
    return float(np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).mean())


def ring_normals(mesh: PolyMesh, adjacency: Adjacency, ring: IntArray) -> FloatArray:
    """Outward unit normals at a ring's vertices, the mean of their corners' normals, (n, 3)."""
    slot = np.full(mesh.vertex_count, -1, dtype=np.int32)
    slot[ring] = np.arange(len(ring), dtype=np.int32)
    corners = np.flatnonzero(slot[mesh.corner_verts] >= 0)
    here = mesh.positions[mesh.corner_verts[corners]]
    ahead = mesh.positions[mesh.corner_verts[adjacency.corner_next[corners]]] - here
    behind = mesh.positions[mesh.corner_verts[adjacency.corner_previous[corners]]] - here
    total = np.zeros((len(ring), 3))
    np.add.at(total, slot[mesh.corner_verts[corners]], unit(np.cross(ahead, behind)))
    return unit(total)


@dataclass(frozen=True)
class _Course:
    """A ring's smooth course round its limb.

    centre : (3,) float64
    across : (2, 3) float64, axes that angles are told in
    reach, along : waves, (w, 1) each: distance from the centre, place along the axis
    leave : out of the mesh: along the axis and away from it, the sides of a unit cone
    angles : (n,) float64, of the ring's vertices, unwrapped
    strays : (n,) float64, how far each vertex lies out of the mesh from the course
    """

    centre: FloatArray
    across: FloatArray
    axis: FloatArray
    reach: FloatArray
    along: FloatArray
    leave: tuple[float, float]
    angles: FloatArray
    strays: FloatArray

    def at(self, angles: FloatArray) -> FloatArray:
        """Points of the course, (k, 3)."""
        return np.asarray(self.centre + _waves(self.reach, angles) * self.away(angles) + _waves(self.along, angles) * self.axis)

    def away(self, angles: FloatArray) -> FloatArray:
        """Unit directions away from the axis, (k, 3)."""
        return np.asarray(np.cos(angles)[:, None] * self.across[0] + np.sin(angles)[:, None] * self.across[1])

    def leaving(self, angles: FloatArray) -> FloatArray:
        """Unit directions out of the mesh, (k, 3)."""
        return np.asarray(self.leave[0] * self.axis + self.leave[1] * self.away(angles))


@dataclass(frozen=True)
class _Loft:
    """A smooth tube from one ring's course to another's."""

    first: _Course
    last: _Course

    def at(self, angles: FloatArray, along: FloatArray) -> FloatArray:
        """Points at angles round it and lengths along it, (k, 3); in the zigzags, lengths fall below nothing or exceed its reach."""
        start, end, reach = self.first.at(angles), self.last.at(angles), self.reach
        apart = np.linalg.norm(end - start, axis=1, keepdims=True)
        leave, arrive = self.first.leaving(angles), -self.last.leaving(angles)
        inside = hermite(start, leave * apart, end, arrive * apart, np.clip(along / reach, 0.0, 1.0))
        return inside + np.minimum(along, 0.0)[:, None] * leave + np.maximum(along - reach, 0.0)[:, None] * arrive

    def normals(self, angles: FloatArray, along: FloatArray) -> FloatArray:
        """Unit outward normals there, (k, 3)."""
        turn, step = 1e-4, 1e-4 * self.reach
        ahead = self.at(angles, along + step) - self.at(angles, along - step)
        return unit(np.cross(ahead, self.at(angles + turn, along) - self.at(angles - turn, along)))

    @cached_property
    def reach(self) -> float:
        """Mean length along it."""
        even = 2.0 * np.pi * np.arange(WAY_ROUND) / WAY_ROUND
        return float(np.linalg.norm(self.last.at(even) - self.first.at(even), axis=1).mean())

    def girth(self) -> float:
        """Mean length round it."""
        return float(np.pi * (self.first.reach[0, 0] + self.last.reach[0, 0]))


def _loft(first: RingSide, last: RingSide) -> _Loft | None:
    """The tube between two rings' smooth courses; None where a ring does not run round its middle once."""
    axes = _axis(first), _axis(last)
    helper = np.eye(3)[int(np.argmin(np.abs(axes[0])))]
    one = unit(np.cross(helper, axes[0]))
    across = np.stack([one, np.cross(axes[0], one)])
    apart = last.points.mean(axis=0) - first.points.mean(axis=0)
    start = _course(first, axes[0], across, -1.0)
    end = _course(last, axes[1], _carried(across, *axes, apart), 1.0)
    if start is None or end is None:
        return None
    loft = _Loft(start, end)
    return loft if loft.reach > 1e-6 * loft.girth() else None


def _axis(side: RingSide) -> FloatArray:
    """The unit direction of the limb that a ring runs round counter-clockwise, (3,).

    All outward normals of a tube or a cone make one angle with its axis, however its end is cut. Where the mesh is flat
    they say nothing, and the ring's own plane decides.
    """
    local = side.points - side.points.mean(axis=0)
    bends = side.normals - side.normals.mean(axis=0)
    spread = bends.T @ bends / len(bends) + PLANE_SHARE * local.T @ local / max(float((local**2).sum()), 1e-300)
    axis = np.linalg.eigh(spread)[1][:, 0]
    area = np.cross(local, np.roll(local, -1, axis=0)).sum(axis=0)
    return np.asarray(axis if axis @ area >= 0 else -axis)


def _on_loft(loft: _Loft, rows: RingRows, patch: _Patch, rings: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places and outward normals of all vertices, those of both rings (r, 3) first, (n, 3) each: square corners in the loft's
    coordinates, then in space."""
    order, woven, laplacian = patch.order, patch.woven, patch.laplacian
    reach, girth = loft.reach, loft.girth()
    first, last = loft.first.angles, loft.last.angles
    last = last - 2.0 * np.pi * np.round((last.mean() - first.mean()) / (2.0 * np.pi))
    round_ = even_coordinates(rows, first, last, 2.0 * np.pi).columns[order] * girth / (2.0 * np.pi)
    along = laplacian.harmonic(np.concatenate([loft.first.strays, reach - loft.last.strays])[:, None])[:, 0]
    # Seen from outside with the fuller ring above, the way along the loft leads down.
    flat = _square(woven, laplacian, np.stack([round_, -along]), girth)
    angles = flat[0] * 2.0 * np.pi / girth
    placed = loft.at(angles, -flat[1])
    return placed + laplacian.harmonic(rings - placed[: len(rings)]), loft.normals(angles, -flat[1])


def _square(woven: Weave, laplacian: PatchLaplacian, start: FloatArray, period: float) -> FloatArray:
    """Make quad corners square in the plane, which repeats after a period in its first coordinate, (2, n) to (2, n)."""
    around = woven.quads.T[[3, 0, 1, 2, 3, 0]]
    shift = np.zeros((2, *around.shape))
    shift[0] = -period * np.round((start[0][around] - start[0][around[1]]) / period)
    size = float(np.sqrt(np.abs(_corner_areas(start[:, around] + shift)).mean())) or 1.0
    current, shift = start / size, shift / size
    fixed, count = woven.loop_size, woven.vertex_count - woven.loop_size
    for _ in range(UNFOLD_TRIES):
        areas = _corner_areas(current[:, around] + shift)
        mean, softness, is_last = barrier(areas)

        def energy(values: FloatArray, softness: float = softness, mean: float = mean) -> tuple[float, FloatArray]:
            current[:, fixed:] = values.reshape(3, count)[:2]
            value, by_corner = _corner_energy(current[:, around] + shift, softness, mean)
            gradient = np.zeros((3, woven.vertex_count))
            for row, along in zip(gradient, by_corner, strict=False):
                row += np.bincount(around.ravel(), along.ravel(), woven.vertex_count)
            return value, gradient[:, fixed:].ravel()

        # The descent counts three coordinates; the third stays nothing.
        flat = np.concatenate([current[:, fixed:].ravel(), np.zeros(count)])
        current[:, fixed:] = lbfgs(energy, flat, DESCENT_ROUNDS, laplacian)[1].reshape(3, count)[:2]
        if is_last:
            break
    return current * size


def _corner_areas(points: FloatArray) -> FloatArray:
    """Twice the area that the two edges of every corner span, (4, F), from corners (2, 6, F) told once round and one on."""
    edge = points[:, 1:] - points[:, :-1]
    return np.asarray(edge[0, :4] * edge[1, 1:] - edge[1, :4] * edge[0, 1:])


def _corner_energy(points: FloatArray, softness: float, mean: float) -> tuple[float, FloatArray]:
    """Energy of ``patch_descent`` in the plane, and its gradient by the corners (2, 6, F) that it is told from."""
    edge = points[:, 1:] - points[:, :-1]
    before, after = edge[:, :4], edge[:, 1:]
    area = before[0] * after[1] - before[1] * after[0]
    chi, root = kept_positive(area, softness)
    shape = 0.5 * ((before**2).sum(axis=0) + (after**2).sum(axis=0) + EVENNESS * mean) / chi
    size = 0.5 * EVENNESS / mean * chi
    by_area = (size - shape) / root
    by_edge = np.zeros_like(edge)
    by_edge[:, :4] += before / chi + by_area * np.stack([after[1], -after[0]])
    by_edge[:, 1:] += after / chi + by_area * np.stack([-before[1], before[0]])
    gradient = np.zeros_like(points)
    gradient[:, 1:] += by_edge
    gradient[:, :-1] -= by_edge
    return float(shape.sum() + size.sum()), gradient


def _carried(vectors: FloatArray, start: FloatArray, end: FloatArray, apart: FloatArray) -> FloatArray:
    """Vectors (k, 3) turned by the least turn that brings one unit vector to another; to its opposite, by way of ``apart``."""
    half = start + end
    if np.linalg.norm(half) < 1e-6:
        half = apart - (apart @ start) * start
    middle = unit(half)
    # Two mirrors make a turn: across the first vector's plane, then across the plane half way to the second.
    first = vectors - 2.0 * (vectors @ start)[:, None] * start
    return np.asarray(first - 2.0 * (first @ middle)[:, None] * middle)


def _middle(points: FloatArray, across: FloatArray) -> FloatArray:
    """The middle of the area that a ring encloses as seen along its axis, at its mean height, (3,).

    Unlike the mean of the vertices it does not lean to where teeth crowd them.
    """
    mean = points.mean(axis=0)
    flat = (points - mean) @ across.T
    following = np.roll(flat, -1, axis=0)
    areas = flat[:, 0] * following[:, 1] - flat[:, 1] * following[:, 0]
    total = float(areas.sum())
    if total <= 1e-9 * float(np.abs(areas).sum()):
        return np.asarray(mean)
    return np.asarray(mean + (areas @ (flat + following)) / (3.0 * total) @ across)


def _course(side: RingSide, axis: FloatArray, across: FloatArray, way: float) -> _Course | None:
    """The smooth course of a ring that runs counter-clockwise about an axis; None where it does not run round it once.

    way : 1 where the ring's mesh ends along the axis, -1 where it ends against it
    """
    centre = _middle(side.points, across)
    local = side.points - centre
    flat, height = local @ across.T, local @ axis
    angles = np.unwrap(np.arctan2(flat[:, 1], flat[:, 0]))
    back = float((angles[0] - angles[-1] + np.pi) % (2.0 * np.pi) - np.pi)
    if abs(angles[-1] - angles[0] + back - 2.0 * np.pi) > 1e-6:
        return None
    reach = _fitted(angles, np.linalg.norm(flat, axis=1), min(WAVES_ACROSS, len(flat) // 4))
    along = _fitted(angles, height, min(WAVES_ALONG, len(flat) // 6))
    # The mesh ends as a cone does whose normals make this angle with its axis; more would follow single teeth.
    spread = float(np.clip(-way * (side.normals @ axis).mean(), -1.0, 1.0))
    steep = float(np.sqrt(1.0 - spread**2))
    strays = way * (height - _waves(along, angles)[:, 0]) / max(steep, 0.5)
    return _Course(centre, across, axis, reach, along, (way * steep, spread), angles, strays)


def _wave_columns(angles: FloatArray, waves: int) -> FloatArray:
    return np.column_stack([np.ones(len(angles)), *(shape(wave * angles) for wave in range(1, waves + 1) for shape in (np.cos, np.sin))])


def _fitted(angles: FloatArray, values: FloatArray, waves: int) -> FloatArray:
    """The sum of a few waves that comes closest to values (n,) at angles all the way round, (1 + 2 waves, 1).

    Each value counts by how far round it reaches: teeth crowd vertices at few angles and leave others without any.
    """
    even = 2.0 * np.pi * np.arange(WAY_ROUND) / WAY_ROUND
    around = np.interp(even, angles, values, period=2.0 * np.pi)
    return np.asarray(np.linalg.lstsq(_wave_columns(even, waves), around[:, None], rcond=None)[0])


def _waves(fit: FloatArray, angles: FloatArray) -> FloatArray:
    return np.asarray(_wave_columns(angles, len(fit) // 2) @ fit)
