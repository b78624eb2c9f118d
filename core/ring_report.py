"""The one-call check of all rings of a mesh."""

from __future__ import annotations

from dataclasses import dataclass

from .adjacency import Adjacency, build_adjacency
from .mismatches import RingPairs, pair_rings
from .polymesh import IntArray, PolyMesh
from .rings import Rings, boundary_rings, broken_boundary_edges, closed_edge_loops, walk_boundary
from .strips import Strips, find_strips, walk_strips


@dataclass(frozen=True)
class MeshRings:
    """All rings of a mesh.

    boundaries : open rings: every closed boundary loop
    broken_edges : (k,) int32, boundary edges that belong to no closed loop
    loops : closed edge loops through 4-valent vertices
    strips : face strips, open and closed
    """

    boundaries: Rings
    broken_edges: IntArray
    loops: Rings
    strips: Strips


@dataclass(frozen=True)
class RingReport(MeshRings):
    """All rings of a mesh, and which of them belong together.

    pairs : open rings paired with those that face them
    """

    pairs: RingPairs


def find_rings(mesh: PolyMesh, adjacency: Adjacency | None = None) -> MeshRings:
    """Find, count and measure every ring and strip of any polygon mesh.

    adjacency : the mesh's adjacency where it is at hand; else it is built
    """
    neighbours = build_adjacency(mesh) if adjacency is None else adjacency
    border, walks = walk_boundary(mesh, neighbours), walk_strips(mesh, neighbours)
    return MeshRings(boundary_rings(mesh, neighbours, border), broken_boundary_edges(mesh, neighbours, border),
                     closed_edge_loops(mesh, neighbours, walks), find_strips(mesh, neighbours, walks))


def count_rings(mesh: PolyMesh, adjacency: Adjacency | None = None) -> RingReport:
    """Find all rings as ``find_rings`` does, and pair the open ones that face each other.

    adjacency : the mesh's adjacency where it is at hand; else it is built
    """
    found = find_rings(mesh, adjacency)
    return RingReport(found.boundaries, found.broken_edges, found.loops, found.strips, pair_rings(mesh, found.boundaries))
