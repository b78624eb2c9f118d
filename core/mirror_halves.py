"""Mirror symmetry: find the plane of a target, match the two halves of a cage by its topology, repair small asymmetry.

A match by topology does not mind where vertices lie, so it still holds on a cage that an artist has moved on one side.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from .adjacency import build_adjacency
from .defects import face_area_vectors, face_centres
from .errors import MeshError
from .frames import unit
from .polymesh import FloatArray, IntArray, PolyMesh
from .surface import Surface

SAMPLES = 4000
"""Points of a target that a plane is fitted to."""
FIT_STEPS = 12
"""Rounds of reflecting, asking for the closest points and fitting anew."""
LARGEST_ERROR = 0.008
"""A target whose image lies farther from it on average, in its diagonals, has no mirror plane (measured on the tests' shapes: a body
0.000002, a paw 0.0015, a slightly bent hand 0.006, but a folded wing 0.0087, a forelimb with its thumb 0.0098, a curled tentacle 0.015)."""
SEEDS = 12
"""Pairs of faces that a match is tried from, those nearest to mirror images first."""


@dataclass(frozen=True)
class MirrorPlane:
    """A plane of symmetry.

    point : (3,) float64 on the plane
    normal : (3,) float64 unit vector
    error : mean distance of reflected points from the surface, its diagonals
    """

    point: FloatArray
    normal: FloatArray
    error: float

    def reflect(self, points: FloatArray) -> FloatArray:
        """Mirror images of (n, 3) points."""
        return np.asarray(points - 2.0 * self.heights(points)[:, None] * self.normal, dtype=np.float64)

    def heights(self, points: FloatArray) -> FloatArray:
        """Signed distances of (n, 3) points from the plane, (n,) float64."""
        return np.asarray((points - self.point) @ self.normal, dtype=np.float64)


def find_mirror_plane(surface: Surface, points: FloatArray, seed: int = 0) -> MirrorPlane:
    """The plane across which a target is most like its own image.

    points : (n, 3) float64 on the target, such as its vertices
    seed : of the choice among them
    Started from the axes of the points' spread and from the world's; each start is refined by fitting the plane that best
    halves the way from every reflected point to the surface.
    """
    chosen = points[np.random.default_rng(seed).choice(len(points), min(len(points), SAMPLES), replace=False)]
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    spread = np.linalg.eigh(np.cov((chosen - chosen.mean(axis=0)).T))[1].T
    starts = [MirrorPlane(point, normal, np.inf) for normal in (*spread, *np.eye(3)) for point in (centre, chosen.mean(axis=0))]
    return min((_refined(start, surface, chosen) for start in starts), key=lambda plane: plane.error)


def check_mirror_plane(plane: MirrorPlane) -> None:
    """Check that a plane found in a target mirrors it at all.

    Raises MeshError that says how far the image lies off.
    """
    if plane.error > LARGEST_ERROR:
        raise MeshError("The target is like its mirror image across no plane: across the best one the image lies on average "
                        f"{100 * plane.error:.2g} % of the target's diagonal off; choose a plane of the world instead.")


def _refined(plane: MirrorPlane, surface: Surface, points: FloatArray) -> MirrorPlane:
    best = _judged(plane, surface, points)
    for _ in range(FIT_STEPS):
        images = plane.reflect(points)
        nearest = surface.closest(images)
        near = nearest.distances <= np.percentile(nearest.distances, 80.0)  # what has no counterpart must not pull
        away = points[near] - nearest.positions[near]
        middles = 0.5 * (points[near] + nearest.positions[near])
        normal = np.linalg.eigh(away.T @ away)[1][:, -1]
        plane = _judged(MirrorPlane(middles.mean(axis=0), unit(normal), np.inf), surface, points)
        if plane.error < best.error:
            best = plane
    return best


def _judged(plane: MirrorPlane, surface: Surface, points: FloatArray) -> MirrorPlane:
    distances = surface.closest(plane.reflect(points)).distances
    return MirrorPlane(plane.point, plane.normal, float(np.mean(distances)) / surface.diagonal)


def mirror_match(mesh: PolyMesh, plane: MirrorPlane) -> IntArray:
    """The mirror partner of every vertex by topology alone, (V,) int32; a vertex on the plane is its own partner.

    plane : tells which faces to begin with
    Raises MeshError where the two halves are not built alike.
    """
    reached = 0
    edges = _edges_by_ends(mesh)
    for first, second in _seed_pairs(mesh, plane):
        for turn in range(len(mesh.face(first))):
            partner, matched = _grown(mesh, edges, first, second, turn)
            if matched == mesh.face_count:
                return partner
            reached = max(reached, matched)
    raise MeshError(f"The two halves of the cage are not built alike: at most {reached} of {mesh.face_count} faces have a partner; "
                    "mirror one half instead.")


def _seed_pairs(mesh: PolyMesh, plane: MirrorPlane) -> list[tuple[int, int]]:
    """Pairs of faces whose middles and normals are most nearly mirror images."""
    centres, normals = face_centres(mesh), unit(face_area_vectors(mesh))
    images, looks = plane.reflect(centres), normals - 2.0 * (normals @ plane.normal)[:, None] * plane.normal
    pairs = []
    for first in np.argsort(np.abs((centres - plane.point) @ plane.normal), kind="stable")[: 8 * SEEDS]:
        distance = np.linalg.norm(centres - images[first], axis=1) * (2.0 - normals @ looks[first])
        second = int(np.argmin(distance))
        pairs.append((float(distance[second]), int(first), second))
    return [(first, second) for _, first, second in sorted(pairs)[:SEEDS]]


def _edges_by_ends(mesh: PolyMesh) -> dict[tuple[int, int], tuple[int, int]]:
    """Face and corner of every edge as its face runs it, by its two vertices."""
    return {(int(a), int(b)): (face, place) for face in range(mesh.face_count)
            for place, (a, b) in enumerate(zip(mesh.face(face), np.roll(mesh.face(face), -1), strict=True))}


def _grown(mesh: PolyMesh, edges: dict[tuple[int, int], tuple[int, int]], first: int, second: int, turn: int) -> tuple[IntArray, int]:
    """Match two faces corner by corner, the second the other way round, and grow the match over shared edges.

    Returns partners (V,) int32, -1 where none was found, and the number of faces that were matched without a contradiction.
    """
    partner = np.full(mesh.vertex_count, -1, dtype=np.int32)
    matched = np.full(mesh.face_count, -1, dtype=np.int32)
    waiting = deque([(first, second, turn)])
    while waiting:
        own, other, shift = waiting.popleft()
        if matched[own] >= 0:
            if matched[own] != other:
                return partner, int(np.count_nonzero(matched >= 0))
            continue
        mine, theirs = mesh.face(own), mesh.face(other)
        if len(mine) != len(theirs):
            return partner, int(np.count_nonzero(matched >= 0))
        images = theirs[(shift - np.arange(len(mine))) % len(mine)]
        known = partner[mine]
        if ((known >= 0) & (known != images)).any():
            return partner, int(np.count_nonzero(matched >= 0))
        matched[own] = other
        partner[mine] = images
        for place in range(len(mine)):
            a, b = int(mine[place]), int(mine[(place + 1) % len(mine)])
            following, image = edges.get((b, a)), edges.get((int(images[place]), int(images[(place + 1) % len(mine)])))
            if (following is None) != (image is None):
                return partner, int(np.count_nonzero(matched >= 0))
            if following is not None and image is not None:
                # our next face runs b to a from its own corner on; the image's runs from a's partner to b's
                size = len(mesh.face(image[0]))
                waiting.append((following[0], image[0], (image[1] + 1 + following[1]) % size))
    return partner, int(np.count_nonzero(matched >= 0))


def symmetrised(mesh: PolyMesh, plane: MirrorPlane, partner: IntArray) -> PolyMesh:
    """The mesh with every vertex at the mean of its own place and its partner's image; partners on the plane lie exactly on it.

    partner : (V,) int32, as ``mirror_match`` tells
    """
    return mesh.with_positions(0.5 * (mesh.positions + plane.reflect(mesh.positions[partner])))


def asymmetry(mesh: PolyMesh, plane: MirrorPlane, partner: IntArray) -> FloatArray:
    """Distance of every vertex from its partner's mirror image, (V,) float64."""
    return np.asarray(np.linalg.norm(mesh.positions - plane.reflect(mesh.positions[partner]), axis=1), dtype=np.float64)


def one_sided(mesh: PolyMesh, plane: MirrorPlane, partner: IntArray) -> PolyMesh:
    """The mesh with the half behind the plane moved to the image of the half before it; for a cage that was edited on one side."""
    heights = (mesh.positions - plane.point) @ plane.normal
    images = plane.reflect(mesh.positions[partner])
    flat = 0.5 * (mesh.positions + plane.reflect(mesh.positions))
    behind = heights < heights[partner]
    moved = np.where(behind[:, None], images, mesh.positions)
    return mesh.with_positions(np.where((partner == np.arange(mesh.vertex_count))[:, None], flat, moved))


def neighbours_agree(mesh: PolyMesh, partner: IntArray) -> bool:
    """Whether a match takes edges to edges and is its own inverse."""
    edges = build_adjacency(mesh).edge_verts
    images = np.sort(partner[edges], axis=1)
    keys = {(int(a), int(b)) for a, b in edges}
    return bool((partner[partner] == np.arange(mesh.vertex_count)).all()) and all((int(a), int(b)) in keys for a, b in images)
