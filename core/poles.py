"""Poles of a quad mesh: where they are, how many there must be, how many there are too many.

Discrete Gauss-Bonnet: over inner vertices the sum of 4 - valence, plus over boundary vertices the
sum of 3 - valence, is four times the Euler number of an all-quad mesh. A pole weighs as much as
its valence is off: a 6-pole counts like two 5-poles.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency, components
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .rings import boundary_loops


@dataclass(frozen=True)
class PlanTally:
    """What a limb plan asks for, in the numbers that decide how many poles there must be.

    tips : closed ends
    branches : a fork of k branches counts k - 1, a socket 1
    step_downs : places where a ring loses two edges
    """

    tips: int
    branches: int
    step_downs: int

    @property
    def pole_bound(self) -> int:
        """Fewest poles that an all-quad mesh of this plan can have."""
        return 4 * self.tips + 4 * self.branches + 2 * self.step_downs


@dataclass(frozen=True)
class PoleCensus:
    """Poles of a mesh.

    vertices : (P,) int32, poles in order of their vertex
    valences : (P,) int32
    on_boundary : (P,) bool; such a pole has a valence other than 3, every other one other than 4
    weight : sum over poles of how far each valence is off
    balance : sum of 4 - valence over inner and 3 - valence over boundary vertices
    euler_number : vertices - edges + faces, loose vertices left out
    bound : fewest poles that the plan, or without one the bare topology, allows
    bound_from_plan : whether a plan gave the bound
    """

    vertices: IntArray
    valences: IntArray
    on_boundary: BoolArray
    weight: int
    balance: int
    euler_number: int
    bound: int
    bound_from_plan: bool

    @property
    def excess(self) -> int:
        """Weight over the bound; 0 is the goal."""
        return self.weight - self.bound

    @property
    def balanced(self) -> bool:
        """Whether the Gauss-Bonnet sum is four times the Euler number, as in every manifold all-quad mesh."""
        return self.balance == 4 * self.euler_number

    def inner_by_valence(self) -> dict[int, int]:
        """Number of inner poles of each valence."""
        return _counts(self.valences[~self.on_boundary])

    def boundary_by_valence(self) -> dict[int, int]:
        """Number of boundary poles of each valence."""
        return _counts(self.valences[self.on_boundary])


@dataclass(frozen=True)
class JointZone:
    """A short cylinder round a joint's rings, in which no pole should lie.

    name : what the report calls it
    centre : (3,) float64
    axis : (3,) float64 unit vector along the limb
    half_length : how far the zone reaches to each side along the axis, the mesh's units
    radius : the mesh's units; infinite for the whole slab
    limb : number of the limb that bends here, -1 where every limb's poles count
    """

    name: str
    centre: FloatArray
    axis: FloatArray
    half_length: float
    radius: float
    limb: int = -1

    def holds(self, positions: FloatArray, stretched: float = 1.0) -> BoolArray:
        """Which of (n, 3) points lie in the zone, or in one so many times as long, (n,) bool."""
        offset = positions - self.centre
        along = offset @ self.axis
        across = np.linalg.norm(offset - along[:, None] * self.axis, axis=1)
        return np.asarray((np.abs(along) <= stretched * self.half_length) & (across <= self.radius), dtype=np.bool_)


@dataclass(frozen=True)
class StepDownPlace:
    """A quad with a 3-pole and a 5-pole at opposite corners: a place where a ring loses two edges.

    face : index of the quad
    three_pole, five_pole : vertex indices
    position : (3,) float64, middle of the two poles
    """

    face: int
    three_pole: int
    five_pole: int
    position: FloatArray


def count_poles(mesh: PolyMesh, adjacency: Adjacency, tally: PlanTally | None = None) -> PoleCensus:
    """Find all poles and weigh them against the fewest that there must be.

    tally : the plan's numbers; without one the bound follows from topology alone and is often lower
    """
    used = adjacency.valence > 0
    off = np.where(used, np.where(adjacency.boundary_vertex, 3, 4) - adjacency.valence, 0)
    vertices = np.flatnonzero(off).astype(np.int32)
    euler = int(np.count_nonzero(used)) - adjacency.edge_count + mesh.face_count
    bound = topological_bound(mesh, adjacency) if tally is None else tally.pole_bound
    return PoleCensus(vertices, adjacency.valence[vertices], adjacency.boundary_vertex[vertices], int(np.abs(off).sum()),
                      int(off.sum()), euler, bound, tally is not None)


def topological_bound(mesh: PolyMesh, adjacency: Adjacency) -> int:
    """Fewest poles that any all-quad mesh with these pieces and boundary loops can have.

    For every piece four times its Euler number, unsigned (all deviations of one sign); for a tube
    with two open ends the difference of their ring counts, two poles for every two edges lost.
    """
    pieces = components(mesh.vertex_count, adjacency.edge_verts)
    count = int(pieces.max(initial=-1)) + 1
    used = np.bincount(pieces, weights=adjacency.valence > 0, minlength=count)
    edges = np.bincount(pieces[adjacency.edge_verts[:, 0]], minlength=count)
    filled = mesh.face_sizes > 0
    faces = np.bincount(pieces[mesh.corner_verts[mesh.face_offsets[:-1][filled]]], minlength=count)
    bounds = np.abs(4 * (used - edges + faces)).astype(int)
    loops_of_piece: dict[int, list[int]] = {}
    for loop in boundary_loops(mesh, adjacency):
        loops_of_piece.setdefault(int(pieces[loop[0]]), []).append(len(loop))
    for piece, sizes in loops_of_piece.items():
        if len(sizes) == 2 and bounds[piece] == 0:
            bounds[piece] = abs(sizes[0] - sizes[1])
    return int(bounds.sum())


def poles_in_zones(positions: FloatArray, poles: IntArray, zones: Sequence[JointZone],
                   vertex_limb: IntArray | None = None) -> dict[str, IntArray]:
    """Poles that lie in each joint zone.

    positions : (V, 3) float64
    poles : (P,) int32 vertex indices
    vertex_limb : (V,) int32, limb of every vertex, where the mesh carries it
    Returns zone name to (k,) int32 vertex indices; zones without a pole are left out.
    """
    found = {}
    for zone in zones:
        inside = zone.holds(positions[poles])
        if vertex_limb is not None and zone.limb >= 0:
            inside &= vertex_limb[poles] == zone.limb
        if inside.any():
            found[zone.name] = poles[inside]
    return found


def find_step_downs(mesh: PolyMesh, census: PoleCensus) -> tuple[StepDownPlace, ...]:
    """Find the quads whose opposite corners are an inner 3-pole and an inner 5-pole; each pole and quad is named once.

    Where a pole could pair with several (poles crowded together), the closest pair goes first.
    """
    faces, corners = mesh.faces_of_size(4)
    sign = np.zeros(mesh.vertex_count, dtype=np.int32)
    inner = ~census.on_boundary
    sign[census.vertices[inner & (census.valences == 3)]] = 1
    sign[census.vertices[inner & (census.valences == 5)]] = -1
    pairs = np.concatenate([corners[:, [0, 2]], corners[:, [1, 3]]])
    row = np.flatnonzero(sign[pairs[:, 0]] * sign[pairs[:, 1]] == -1)
    chosen, face_of = pairs[row], np.tile(faces, 2)[row]
    chosen = np.where(sign[chosen[:, :1]] == 1, chosen, chosen[:, ::-1])
    span = np.linalg.norm(mesh.positions[chosen[:, 0]] - mesh.positions[chosen[:, 1]], axis=1)
    taken: set[int] = set()
    crossed: set[int] = set()
    places = []
    for index in np.argsort(span, kind="stable"):
        face, three, five = int(face_of[index]), int(chosen[index, 0]), int(chosen[index, 1])
        if three not in taken and five not in taken and face not in crossed:
            taken |= {three, five}
            crossed.add(face)
            places.append(StepDownPlace(face, three, five, mesh.positions[chosen[index]].mean(axis=0)))
    return tuple(sorted(places, key=lambda place: place.face))


def _counts(valences: IntArray) -> dict[int, int]:
    return dict(sorted(Counter(valences.tolist()).items()))
