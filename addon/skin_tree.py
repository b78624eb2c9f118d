"""A target's skin behind a search tree that makes no data in the host: undo and a saved file never see it, so that it can be kept."""

from __future__ import annotations

import numpy as np
from mathutils.bvhtree import BVHTree

from ..core.adjacency import components
from ..core.nested_pieces import nested_pieces, pieces_only
from ..core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .host_surface import _checked_bounds
from .ray_tree import INSIDE_DIRECTIONS, RayTree

RAY_STEP = 2e-6
"""How far a ray restarts behind a hit, diagonals: a few steps of single precision at a diagonal of one."""
MOST_CROSSINGS = 64


class SkinTree(RayTree):
    """A mesh as core.surface.Surface; like a build's own queries it works at a diagonal of one round the origin."""

    def __init__(self, mesh: PolyMesh) -> None:
        """Build the tree: 0.7 s a million triangles.

        Raises MeshError where the mesh has no faces, a coordinate is not a number or all points coincide.
        """
        self._bounds = _checked_bounds(mesh)
        self._matrix = np.diag([self.diagonal, self.diagonal, self.diagonal, 1.0])
        self._matrix[:3, 3] = self._bounds.mean(axis=0)
        self._inverse = np.linalg.inv(self._matrix)
        local = (mesh.positions - self._matrix[:3, 3]) / self.diagonal
        self._tree = BVHTree.FromPolygons(local.tolist(), mesh.triangles().tolist(), all_triangles=True)
        self._side = 1.0

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside: most rays leave more bodies than they enter, or fewer where faces look inward."""
        votes = sum((self._crossing_sums(points, direction) != 0).astype(np.int32) for direction in INSIDE_DIRECTIONS)
        return np.asarray(2 * np.asarray(votes) > len(INSIDE_DIRECTIONS))

    def _crossing_sums(self, points: FloatArray, direction: FloatArray) -> IntArray:
        """Skins left less skins entered along one direction, (n,) int32; 0 where a ray has no vote."""
        sums = np.zeros(len(points), dtype=np.int32)
        active, starts = np.arange(len(points)), points
        for _ in range(MOST_CROSSINGS):
            if not len(active):
                return sums
            hits = self.cast(starts, np.broadcast_to(direction, starts.shape))
            active, starts = active[hits.hit], hits.positions[hits.hit] + RAY_STEP * self.diagonal * direction
            sums[active] += np.where(hits.normals[hits.hit] @ direction > 0.0, 1, -1).astype(np.int32)
        sums[active] = 0
        return sums


def skin_of(mesh: PolyMesh) -> PolyMesh:
    """A target without the pieces that lie wholly inside another, where it has any."""
    starts = np.repeat(mesh.corner_verts[mesh.face_offsets[:-1]], mesh.face_sizes)
    pieces = components(mesh.vertex_count, np.column_stack([starts, mesh.corner_verts]))
    if not pieces.max(initial=0):
        return mesh
    hidden = nested_pieces(mesh, pieces, lambda piece, points: SkinTree(piece).inside(points))
    return pieces_only(mesh, pieces, ~hidden) if hidden.any() else mesh
