"""Random limb plans with round, straight limbs: what the counts and the assembly must cope with, without a target.

A limb is laid in space as its joins ask, so that sockets look at their trunk's side and a fork's
branches stand in a row; its measure is written down instead of measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ringwright.core.frames import any_square_direction
from ringwright.core.measure import STATIONS, Measure
from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice
from ringwright.core.polymesh import BoolArray, FloatArray
from ringwright.core.surface import ClosestPoints, RayHits

RAYS = 32


@dataclass(frozen=True)
class RoundLimb:
    """A straight round limb: root point, direction (3,) float64, length, radius and bones, the caller's units."""

    root: FloatArray
    direction: FloatArray
    length: float
    radius: float
    bones: int = 2

    @property
    def joints(self) -> FloatArray:
        """Joint points, (bones + 1, 3) float64."""
        return self.root + np.linspace(0.0, self.length, self.bones + 1)[:, None] * self.direction

    def measure(self, *, closed: bool) -> Measure:
        """What measuring the limb would give."""
        lengths = np.linspace(0.0, self.length, STATIONS)
        even = np.ones(STATIONS)
        repeated = [np.tile(vector, (STATIONS, 1)) for vector in (self.direction, any_square_direction(self.direction))]
        return Measure(lengths, self.root + lengths[:, None] * self.direction, *repeated, np.full((STATIONS, RAYS), self.radius),
                       self.radius * even, 2 * np.pi * self.radius * even, np.linspace(0.0, self.length, self.bones + 1), lengths,
                       0.0 * even, self.length - 0.3 * self.radius * closed, 0, np.zeros(3))


class NoSurface:
    """A target that no ray meets; the measured sections stand in."""

    bounds: FloatArray = np.array([[-1e3] * 3, [1e3] * 3])
    diagonal: float = 3464.0

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Every point is its own nearest."""
        return ClosestPoints(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)), np.zeros(len(points)))

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """No ray hits anything."""
        return RayHits(np.zeros(len(origins), dtype=np.bool_), origins, np.zeros_like(directions), np.full(len(origins), np.inf))

    def inside(self, points: FloatArray) -> BoolArray:
        """Every point lies inside."""
        return np.ones(len(points), dtype=np.bool_)


@dataclass
class _Growing:
    rng: np.random.Generator
    limbs: list[Limb] = field(default_factory=list)
    rounds: dict[str, RoundLimb] = field(default_factory=dict)
    forks: list[Fork] = field(default_factory=list)
    sockets: list[Socket] = field(default_factory=list)
    splices: list[Splice] = field(default_factory=list)


def random_plan(rng: np.random.Generator, *, explicit: bool) -> tuple[LimbPlan, Mapping[str, Measure]]:
    """A plan of one piece with up to about ten limbs, and its measures by limb name.

    explicit : sides and webs are given wherever a coin says so; else all counts are left to the planner
    """
    growing = _Growing(rng)
    up = np.array([0.0, 0.0, 1.0])
    _grow(growing, RoundLimb(np.zeros(3), up, rng.uniform(4, 7), 1.0, int(rng.integers(1, 4))), depth=0, explicit=explicit)
    for tables in (growing.limbs, growing.forks, growing.sockets, growing.splices):
        rng.shuffle(tables)  # type: ignore[arg-type]  # a plan's tables stand in any order
    plan = LimbPlan(tuple(growing.limbs), tuple(growing.forks), tuple(growing.sockets), tuple(growing.splices))
    measures = {limb.name: growing.rounds[limb.name].measure(closed=limb.tip == "closed") for limb in plan.limbs}
    return plan, measures


def _grow(growing: _Growing, shape: RoundLimb, depth: int, *, explicit: bool) -> str:
    rng = growing.rng
    name = f"limb {len(growing.limbs) + 1}"
    place = len(growing.limbs)
    sides = 2 * int(rng.integers(3, 8)) if explicit and rng.random() < 0.5 else None
    limb = Limb(name, shape.joints, sides, joint_loops=int(rng.choice([0, 1, 3, 3, 5])))
    growing.limbs.append(limb)
    growing.rounds[name] = shape
    end = shape.root + shape.length * shape.direction
    join = rng.choice(["closed", "open", "fork", "splice"], p=[0.35, 0.1, 0.35, 0.2] if depth < 2 else [0.8, 0.2, 0, 0])
    if join == "closed":
        growing.limbs[place] = replace(limb, tip="closed")
    elif join == "fork":
        _grow_fork(growing, name, shape, end, depth, explicit=explicit)
    elif join == "splice":
        length, radius = rng.uniform(4, 8) * shape.radius, rng.uniform(0.7, 1.2) * shape.radius
        upper = RoundLimb(end, shape.direction, length, radius, int(rng.integers(1, 4)))
        growing.splices.append(Splice(_grow(growing, upper, depth + 1, explicit=explicit), name))
    if depth < 2 and rng.random() < 0.45:
        _grow_socket(growing, name, shape, depth, explicit=explicit)
    return name


def _grow_fork(growing: _Growing, trunk: str, shape: RoundLimb, end: FloatArray, depth: int, *, explicit: bool) -> None:
    rng = growing.rng
    count = int(rng.integers(2, 6))
    across = np.cross(shape.direction, any_square_direction(shape.direction))
    radius = shape.radius * 2.2 / count
    branches = []
    for index in range(count):
        root = end + (0.3 * radius) * shape.direction + 2.4 * radius * (index - 0.5 * (count - 1)) * across
        finger = RoundLimb(root, shape.direction, radius * rng.uniform(4, 8), radius * rng.uniform(0.8, 1.1), int(rng.integers(1, 4)))
        branches.append(_grow(growing, finger, depth + 1, explicit=explicit))
    sides = [limb.sides or 64 for limb in growing.limbs if limb.name in branches]
    widest = max(1, min(min([(each - 2) // 2 for each in sides[1:-1]] or [64]), sides[0] - 2, sides[-1] - 2, 4))
    webs = tuple(int(rng.integers(1, widest + 1)) for _ in range(count - 1)) if explicit and rng.random() < 0.5 else None
    growing.forks.append(Fork(trunk, tuple(branches), webs))


def _grow_socket(growing: _Growing, trunk: str, shape: RoundLimb, depth: int, *, explicit: bool) -> None:
    rng = growing.rng
    frame = any_square_direction(shape.direction)
    angle = rng.uniform(0, 2 * np.pi)
    out = np.cos(angle) * frame + np.sin(angle) * np.cross(shape.direction, frame)
    place = shape.root + shape.length * rng.uniform(0.55, 0.8) * shape.direction
    radius = shape.radius * rng.uniform(0.4, 0.6)
    branch = RoundLimb(place + (shape.radius + 0.2 * radius) * out, out, radius * rng.uniform(4, 7), radius, int(rng.integers(1, 4)))
    growing.sockets.append(Socket(trunk, _grow(growing, branch, depth + 1, explicit=explicit)))
