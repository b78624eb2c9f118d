"""Facing open rings, paired, and what it takes to join each pair."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .errors import PlanError
from .pairing import pair_up
from .placement import StepDownPlaces, place_step_downs, rows_for_step_downs
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .rings import Rings

LARGEST_TURN = np.cos(np.radians(75.0))
"""Cosine of the angle up to which an opening still looks at the other ring."""

LARGEST_GAP = 6.0
"""Gap up to which two rings face each other, in radii of the larger one."""

LARGEST_RATIO = 3.0
"""Ratio up to which two rings' girths belong together."""

NEAR = 1e-3
"""Distance of centres, in radii of the smaller ring, under which two rings are concentric."""

INWARD = 0.25
"""Edges by which a flat piece's faces lie farther in or out than its ring (square faces: a half)."""

ALONE_COST = 2.0
"""Cost of leaving a ring without a partner, in the units of ``facing_costs``."""


@dataclass(frozen=True)
class RingPair:
    """Two open rings that face each other.

    fuller, sparser : indices into the rings; equal counts: the lower index is the fuller one
    counts : edges of the fuller and of the sparser ring
    gap : distance of the centres, the mesh's units
    cost : facing cost, 0 for equal rings that lie on each other
    step_downs : step-downs that a splice needs; None where parity forbids it
    points : (n, 3) float64, the fuller ring's vertices
    """

    fuller: int
    sparser: int
    counts: tuple[int, int]
    gap: float
    cost: float
    step_downs: int | None
    points: FloatArray

    @cached_property
    def places(self) -> StepDownPlaces | None:
        """Where the step-downs would go, round the fuller ring; None where parity or room forbids it."""
        return _places(self.points, self.step_downs)

    @property
    def difference(self) -> int:
        """Edges that the fuller ring has more."""
        return self.counts[0] - self.counts[1]

    @property
    def is_mismatch(self) -> bool:
        """Whether the counts differ."""
        return self.difference != 0

    def sentence(self) -> str:
        """What an artist reads about the pair."""
        fuller, sparser = self.counts
        if self.difference == 0:
            return f"Two rings of {fuller} edges face each other; a splice needs no step-down."
        if self.step_downs is None:
            return (f"A ring of {fuller} edges faces one of {sparser}: an odd difference has no all-quad splice; "
                    f"make the smaller one {sparser + 1} or {sparser - 1}.")
        rows = f" in {self.places.rows} rows" if self.places is not None and self.places.rows > 1 else ""
        many = "step-down" if self.step_downs == 1 else "step-downs"
        return f"A ring of {fuller} edges faces one of {sparser}: a splice takes {self.step_downs} {many}{rows}."


@dataclass(frozen=True)
class RingPairs:
    """Open rings paired with those that face them.

    pairs : in order of their lower ring index
    ends : (k,) int32, rings without a partner
    """

    pairs: tuple[RingPair, ...]
    ends: IntArray

    @property
    def mismatches(self) -> tuple[RingPair, ...]:
        """Pairs whose counts differ."""
        return tuple(pair for pair in self.pairs if pair.is_mismatch)

    @property
    def joinable(self) -> tuple[RingPair, ...]:
        """Pairs that a splice can join."""
        return tuple(pair for pair in self.pairs if pair.step_downs is not None)

    @property
    def odd(self) -> tuple[RingPair, ...]:
        """Pairs whose odd difference no splice can join."""
        return tuple(pair for pair in self.pairs if pair.step_downs is None)


def pair_rings(mesh: PolyMesh, rings: Rings) -> RingPairs:
    """Pair open rings by position, direction and size at least total cost.

    mesh : the mesh that the rings lie on
    rings : boundary rings, as ``boundary_rings`` finds them
    Rings that face nothing become ends.
    """
    cost = facing_costs(rings)
    for first, second in np.argwhere(np.triu(np.isfinite(cost) & _concentric(rings), 1)).tolist():
        if _mesh_lies_between(mesh, rings, first, second):
            cost[first, second] = cost[second, first] = np.inf
    partner = pair_up(cost, ALONE_COST)
    pairs = tuple(ring_pair(mesh, rings, first, int(second), float(cost[first, second]))
                  for first, second in enumerate(partner) if second > first)
    return RingPairs(pairs, np.flatnonzero(partner < 0).astype(np.int32))


def facing_costs(rings: Rings) -> FloatArray:
    """How badly every two open rings face each other, (M, M) float64; infinite where they do not.

    The gap in sums of both radii, plus one minus the cosine between each opening's way and the other ring, plus
    the logarithm of the girths' ratio. Rings that lie on each other are judged by their openings' ways alone.
    """
    radius = np.maximum(rings.lengths / (2.0 * np.pi), 1e-300)
    between = rings.centres[None] - rings.centres[:, None]
    gap = np.linalg.norm(between, axis=2)
    near = _concentric(rings)
    looks = np.einsum("id,ijd->ij", rings.normals, between) / np.where(gap > 0, gap, 1.0)
    opposed = -(rings.normals @ rings.normals.T)
    looks = np.where(near, opposed, looks)
    ratio = np.abs(np.log(radius[:, None] / radius[None]))
    facing = (looks >= LARGEST_TURN) & (looks.T >= LARGEST_TURN) & (ratio <= np.log(LARGEST_RATIO))
    facing &= gap <= LARGEST_GAP * np.maximum(radius[:, None], radius[None])
    np.fill_diagonal(facing, val=False)
    cost = gap / (radius[:, None] + radius[None]) + (1.0 - looks) + (1.0 - looks.T) + ratio
    return np.where(facing, cost, np.inf)


def _concentric(rings: Rings) -> BoolArray:
    """Which rings have one centre, (M, M)."""
    radius = rings.lengths / (2.0 * np.pi)
    gap = np.linalg.norm(rings.centres[None] - rings.centres[:, None], axis=2)
    return np.asarray(gap < NEAR * np.maximum(np.minimum(radius[:, None], radius[None]), 1e-300))


def _mesh_lies_between(mesh: PolyMesh, rings: Rings, first: int, second: int) -> bool:
    """Whether two concentric rings are the rim and the hole of a flat piece, which look away from each other."""
    larger, smaller = (first, second) if rings.lengths[first] >= rings.lengths[second] else (second, first)
    return _outward(mesh, rings, larger) < -INWARD or _outward(mesh, rings, smaller) > INWARD


def _outward(mesh: PolyMesh, rings: Rings, index: int) -> float:
    """How much farther from a ring's centre than the ring the faces that touch it lie, in its edges: 0 on a tube."""
    ring, centre = rings.ring(index), rings.centres[index]
    touching = np.unique(np.repeat(np.arange(mesh.face_count), mesh.face_sizes)[np.isin(mesh.corner_verts, ring)])
    middles = np.array([mesh.positions[mesh.face(face)].mean(axis=0) for face in touching.tolist()])
    beyond = np.linalg.norm(middles - centre, axis=1).mean() - np.linalg.norm(mesh.positions[ring] - centre, axis=1).mean()
    return float(beyond) * len(ring) / max(float(rings.lengths[index]), 1e-300)


def ring_pair(mesh: PolyMesh, rings: Rings, first: int, second: int, cost: float = 0.0) -> RingPair:
    """Compare two open rings, whether they face each other or not.

    first, second : indices into rings
    cost : facing cost to carry along
    """
    counts = rings.edge_counts
    fuller, sparser = (first, second) if counts[first] >= counts[second] else (second, first)
    upper, lower = int(counts[fuller]), int(counts[sparser])
    gap = float(np.linalg.norm(rings.centres[first] - rings.centres[second]))
    step_downs = (upper - lower) // 2 if (upper - lower) % 2 == 0 else None
    return RingPair(fuller, sparser, (upper, lower), gap, cost, step_downs, mesh.positions[rings.ring(fuller)])


def _places(points: FloatArray, step_downs: int | None) -> StepDownPlaces | None:
    if step_downs is None:
        return None
    try:
        rows = max(rows_for_step_downs(len(points), step_downs), 1)
        return place_step_downs(len(points), step_downs, rows, fractions=ring_fractions(points))
    except PlanError:
        return None


def ring_fractions(points: npt.ArrayLike) -> FloatArray:
    """Where every vertex lies round its ring, by arc length, (n,) float64 from 0 to below 1.

    points : (n, 3) float; a ring without length counts as even
    """
    ring = np.asarray(points, dtype=np.float64)
    steps = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    total = float(steps.sum())
    if not total > 0:
        return np.arange(len(ring)) / len(ring)
    fractions: FloatArray = (np.cumsum(steps) - steps) / total
    return fractions
