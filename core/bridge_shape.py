"""Rows of quads between two open rings without folds, also where the rings zigzag.

A ring that was cut through faces runs to and fro along its limb. The rows then lie on a smooth tube (a loft) between the two rings' smooth
courses: their corners are made square in the loft's own coordinates, how far round and how far along, and only then laid in space.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .adjacency import Adjacency
from .patch_descent import barrier, descend, folded, kept_positive, lbfgs
from .patch_laplacian import PatchLaplacian
from .patch_weave import Weave
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .ring_curve import hermite
from .ring_figures import directions
from .ring_rows import RingRows, even_coordinates

DESCENT_ROUNDS = 150
"""Most steps of descent at one softness."""

FINISHING_ROUNDS = 2
"""Steps of descent in space after that on the loft: enough to even out how the loft stretches, too few to swell off it."""

UNFOLD_TRIES = 12
"""Rounds of ever harder barriers against folds."""

EVENNESS = 0.3
"""Weight of even quad sizes beside square corners."""

WAVES_ACROSS, WAVES_ALONG = 6, 2
"""Waves round a ring of which its smooth course may consist: of its distance from the middle, and of its place along the limb."""


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


def without_folds(rows: RingRows, positions: FloatArray, first: RingSide, last: RingSide) -> FloatArray:
    """Place the vertices between two rings so that no quad folds; where none does, nothing moves.

    rows : the rows' topology
    positions : (n, 3) float64 of all local vertices, in the mesh's units
    first, last : the rings at the rows' two ends
    Returns (n, 3) float64; both rings stay.
    Source: descent as ``patch_descent`` tells it; the rows are a patch whose border is both rings.
    """
    patch = _as_patch(rows, first, last)
    if patch is None or not patch.folds(positions):
        return positions
    start, woven, laplacian = positions[patch.order], patch.woven, patch.laplacian
    loft = _loft(first, last)
    laid = start if loft is None else _on_loft(loft, rows, patch, start[: woven.loop_size])
    centre, scale = start.mean(axis=0), _mean_edge(start, woven.quads)
    result = positions.copy()
    for rounds in (DESCENT_ROUNDS,) if loft is None else (FINISHING_ROUNDS, 5 * FINISHING_ROUNDS, DESCENT_ROUNDS):
        placed = descend(woven, laplacian, (laid - centre) / scale, patch.normals, None, rounds) * scale + centre
        result[patch.order[woven.loop_size :]] = placed[woven.loop_size :]
        if not patch.folds(result):
            break
    return result


def has_folds(rows: RingRows, positions: FloatArray, first: RingSide, last: RingSide) -> bool:
    """Whether a quad of the rows turns a corner against the mesh's outside; arguments as in ``without_folds``."""
    patch = _as_patch(rows, first, last)
    return patch is not None and patch.folds(positions)


@dataclass(frozen=True)
class _Patch:
    """Rows as a patch whose border is both rings: border vertices first.

    order : (n,) int, local vertex of the rows at every place
    normals : (n, 3) float64, unit, blended from the rings'
    """

    order: IntArray
    woven: Weave
    laplacian: PatchLaplacian
    normals: FloatArray

    def folds(self, positions: FloatArray) -> bool:
        """Whether a quad is folded where the rows' vertices lie at positions (n, 3)."""
        placed = positions[self.order]
        return bool(folded(self.woven, placed, self.normals).any() or _dented(placed[self.woven.quads]).any())


def _dented(corners: FloatArray) -> BoolArray:
    """Quads (q, 4, 3) with a corner that turns against their own middle, (q,) bool."""
    edges = np.roll(corners, -1, axis=1) - corners
    across = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    return np.asarray((np.einsum("qij,qj->qi", np.cross(np.roll(edges, 1, axis=1), edges), across) <= 0).any(axis=1))


def _as_patch(rows: RingRows, first: RingSide, last: RingSide) -> _Patch | None:
    """None where no vertex lies between the rings."""
    count, fixed = int(rows.counts.sum()), len(first.points) + len(last.points)
    if fixed == count:
        return None
    order = np.concatenate([rows.ring(0), rows.ring(len(rows.counts) - 1), np.arange(len(first.points), count - len(last.points))])
    place = np.empty(count, dtype=np.int32)
    place[order] = np.arange(count, dtype=np.int32)
    woven = Weave(place[rows.quads], fixed, count)
    laplacian = PatchLaplacian(woven)
    return _Patch(order, woven, laplacian, directions(laplacian.harmonic(np.concatenate([first.normals, last.normals]))))


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
    np.add.at(total, slot[mesh.corner_verts[corners]], directions(np.cross(ahead, behind)))
    return directions(total)


@dataclass(frozen=True)
class _Course:
    """A ring's smooth course round its limb.

    centre : (3,) float64
    across : (2, 3) float64, axes that angles are told in
    reach, along, leave : waves, (w, 1), (w, 1) and (w, 3): distance from the centre, place along the axis, direction out of the mesh
    angles : (n,) float64, of the ring's vertices, unwrapped
    strays : (n,) float64, how far each vertex lies out of the mesh from the course
    """

    centre: FloatArray
    across: FloatArray
    axis: FloatArray
    reach: FloatArray
    along: FloatArray
    leave: FloatArray
    angles: FloatArray
    strays: FloatArray

    def at(self, angles: FloatArray) -> FloatArray:
        """Points of the course, (k, 3)."""
        out = np.cos(angles)[:, None] * self.across[0] + np.sin(angles)[:, None] * self.across[1]
        return np.asarray(self.centre + _waves(self.reach, angles) * out + _waves(self.along, angles) * self.axis)

    def leaving(self, angles: FloatArray) -> FloatArray:
        """Unit directions out of the mesh, (k, 3)."""
        return directions(_waves(self.leave, angles))


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

    @cached_property
    def reach(self) -> float:
        """Mean length along it."""
        even = 2.0 * np.pi * np.arange(36) / 36
        return float(np.linalg.norm(self.last.at(even) - self.first.at(even), axis=1).mean())

    def girth(self) -> float:
        """Mean length round it."""
        return float(np.pi * (self.first.reach[0, 0] + self.last.reach[0, 0]))


def _loft(first: RingSide, last: RingSide) -> _Loft | None:
    """The tube between two rings' smooth courses; None where a ring does not run round its middle once."""
    # The first ring's mesh lies at its axis' side, the last one's away from it.
    axes = directions(np.stack([-first.arrivals.mean(axis=0), last.arrivals.mean(axis=0)]))
    helper = np.eye(3)[int(np.argmin(np.abs(axes[0])))]
    one = directions(np.cross(helper, axes[0])[None])[0]
    across = np.stack([one, np.cross(axes[0], one)])
    start, end = _course(first, axes[0], across), _course(last, axes[1], _carried(across, axes[0], axes[1]))
    if start is None or end is None:
        return None
    loft = _Loft(start, end)
    return loft if loft.reach > 1e-6 * loft.girth() else None


def _on_loft(loft: _Loft, rows: RingRows, patch: _Patch, rings: FloatArray) -> FloatArray:
    """Places of all vertices, those of both rings (r, 3) first: square corners in the loft's coordinates, then in space, (n, 3)."""
    order, woven, laplacian = patch.order, patch.woven, patch.laplacian
    reach, girth = loft.reach, loft.girth()
    first, last = loft.first.angles, loft.last.angles
    last = last - 2.0 * np.pi * np.round((last.mean() - first.mean()) / (2.0 * np.pi))
    round_ = even_coordinates(rows, first, last, 2.0 * np.pi).columns[order] * girth / (2.0 * np.pi)
    along = laplacian.harmonic(np.concatenate([loft.first.strays, reach - loft.last.strays])[:, None])[:, 0]
    # Seen from outside with the fuller ring above, the way along the loft leads down.
    flat = _square(woven, laplacian, np.stack([round_, -along]), girth)
    placed = loft.at(flat[0] * 2.0 * np.pi / girth, -flat[1])
    return placed + laplacian.harmonic(rings - placed[: len(rings)])


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


def _carried(vectors: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Vectors (k, 3) turned by the least turn that brings one unit vector to another."""
    middle = directions((start + end)[None])[0]
    # Two mirrors make a turn: across the first vector's plane, then across the plane half way to the second.
    first = vectors - 2.0 * (vectors @ start)[:, None] * start
    return np.asarray(first - 2.0 * (first @ middle)[:, None] * middle)


def _course(side: RingSide, axis: FloatArray, across: FloatArray) -> _Course | None:
    """The smooth course of a ring that runs counter-clockwise about an axis; None where it does not run round it once."""
    centre = side.points.mean(axis=0)
    local = side.points - centre
    flat, height = local @ across.T, local @ axis
    angles = np.unwrap(np.arctan2(flat[:, 1], flat[:, 0]))
    back = float((angles[0] - angles[-1] + np.pi) % (2.0 * np.pi) - np.pi)
    if abs(angles[-1] - angles[0] + back - 2.0 * np.pi) > 1e-6:
        return None
    reach = _fitted(angles, np.linalg.norm(flat, axis=1)[:, None], min(WAVES_ACROSS, len(flat) // 4))
    along = _fitted(angles, height[:, None], min(WAVES_ALONG, len(flat) // 6))
    # The way out is one direction for all, and a spread or a narrowing as of a cone; more would follow single teeth.
    spread = float(np.einsum("nd,nd->n", side.arrivals, directions(flat) @ across).mean())
    leave = np.stack([side.arrivals.mean(axis=0), spread * across[0], spread * across[1]])
    steep = directions(_waves(leave, angles)) @ axis
    strays = (height - _waves(along, angles)[:, 0]) * np.sign(steep) / np.maximum(np.abs(steep), 0.5)
    return _Course(centre, across, axis, reach, along, leave, angles, strays)


def _wave_columns(angles: FloatArray, waves: int) -> FloatArray:
    return np.column_stack([np.ones(len(angles)), *(shape(wave * angles) for wave in range(1, waves + 1) for shape in (np.cos, np.sin))])


def _fitted(angles: FloatArray, values: FloatArray, waves: int) -> FloatArray:
    """The sum of a few waves round a ring that fits values (n, d) at angles best, (1 + 2 waves, d)."""
    return np.asarray(np.linalg.lstsq(_wave_columns(angles, waves), values, rcond=1e-6)[0])


def _waves(fit: FloatArray, angles: FloatArray) -> FloatArray:
    return np.asarray(_wave_columns(angles, len(fit) // 2) @ fit)
