"""Mirror symmetry of a cage: match its two halves by topology, repair small asymmetry.

A match by topology does not mind where vertices lie, so it still holds on a cage that an artist has moved on one side.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .adjacency import Adjacency, build_adjacency, components
from .errors import MeshError
from .face_geometry import face_area_vectors, face_centres
from .frames import unit
from .mirror_plane import MirrorPlane
from .polymesh import FloatArray, IntArray, PolyMesh

SIDES = ("both", "positive", "negative")
"""Which side tells where the vertices of a symmetric cage lie."""
SEEDS = 12
"""Pairs of faces that a match is tried from, those nearest to mirror images first."""
LOOKED_AT = 96
"""Faces of a piece, those nearest to the plane, among which such pairs are sought."""
NEAR = 0.5
"""A match whose vertices lie on average within so many edges of their partners' images is taken without a look at all others."""

ASKED = 300
"""Vertices by which a match is held against what lies at their images."""
RIGHT_THERE = 0.1
"""A vertex lies right at an image where it is no farther from it than so many mean edges."""


def mirror_match(mesh: PolyMesh, plane: MirrorPlane) -> IntArray:
    """The mirror partner of every vertex by topology alone, (V,) int32; a vertex on the plane is its own partner.

    Pieces that do not hang together, such as two arms, are matched with themselves or with each other. Where a piece has several
    mirror images, as a tube has, the one that lies nearest is taken.
    plane : tells which faces to begin with, and which of several images is meant
    Raises MeshError where the two halves are not built alike, or where vertices belong to no face.
    """
    halves = _Halves(mesh, plane, build_adjacency(mesh), _edges_by_ends(mesh))
    partner = np.full(mesh.vertex_count, -1, dtype=np.int32)
    reached = 0
    first_corners, pieces = mesh.corner_verts[mesh.face_offsets[:-1]], halves.pieces()
    for piece in pieces:
        free = np.flatnonzero(partner[first_corners] < 0)
        if not np.isin(piece[0], free):
            continue  # it is the image of a piece before it
        images, matched = _match_of(halves, piece, np.setdiff1d(free, piece) if len(pieces) > 1 and halves.is_beside(piece) else free)
        reached += matched
        if images is None:
            raise MeshError(f"The two halves of the cage are not built alike: at most {reached} of {mesh.face_count} faces have a partner; "
                            "mirror one half instead.")
        own = np.flatnonzero(images >= 0)
        partner[images[own]], partner[own] = own, images[own]
    if (partner < 0).any():
        raise MeshError(f"Vertices of the cage that belong to no face: {np.count_nonzero(partner < 0)}; delete them first, since they have "
                        "no mirror image.")
    return partner


@dataclass(frozen=True)
class _Halves:
    """A mesh whose halves are matched, with what every try asks for.

    edges : face and corner of every edge as its face runs it, by its two vertices
    """

    mesh: PolyMesh
    plane: MirrorPlane
    adjacency: Adjacency
    edges: Mapping[tuple[int, int], tuple[int, int]]

    def pieces(self) -> list[IntArray]:
        """Faces of every piece that hangs together, a (k,) int32 array each."""
        labels = components(self.mesh.vertex_count, self.adjacency.edge_verts)[self.mesh.corner_verts[self.mesh.face_offsets[:-1]]]
        return [np.flatnonzero(labels == label).astype(np.int32) for label in np.unique(labels)]

    def is_beside(self, piece: IntArray) -> bool:
        """Whether a piece lies wholly on one side of the plane; beside others it is not its own image then."""
        heights = self.plane.heights(self.mesh.positions[np.concatenate([self.mesh.face(int(face)) for face in piece])])
        return bool((heights > 0).all() or (heights < 0).all())

    def off(self, partner: IntArray) -> float:
        """How far the vertices that have a partner lie from its image on average, mean edges."""
        own = np.flatnonzero(partner >= 0)
        distances = np.linalg.norm(self.mesh.positions[own] - self.plane.reflect(self.mesh.positions[partner[own]]), axis=1)
        return float(distances.mean()) / self.edge_length()

    def edge_length(self) -> float:
        """Length of a mean edge."""
        ends = self.mesh.positions[self.adjacency.edge_verts]
        return float(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).mean())

    def contradicts(self, partner: IntArray) -> bool:
        """Whether most vertices have another vertex than their partner right at their image, as where one face of a symmetric tube is
        gone: what is left is still its own image, but across another plane."""
        own = np.flatnonzero(partner >= 0)
        own = own[:: max(1, len(own) // ASKED)]
        images, reach = self.plane.reflect(self.mesh.positions[own]), RIGHT_THERE * self.edge_length()
        nearest = np.array([np.linalg.norm(self.mesh.positions - image, axis=1).min() for image in images])
        to_partner = np.linalg.norm(self.mesh.positions[partner[own]] - images, axis=1)
        return bool(np.mean((nearest < reach) & (to_partner >= reach)) > 0.5)


def _match_of(halves: _Halves, piece: IntArray, free: IntArray) -> tuple[IntArray | None, int]:
    """Partners of a piece's vertices among free faces, (V,) int32, -1 beyond the piece; None where it has none there, and the number of
    faces that were matched at most."""
    reached, best = 0, None
    for seeds in (_near_seeds, _all_seeds) if len(free) else ():
        matches, matched = _matches_from(halves, seeds(halves, piece, free), len(piece))
        reached = max(reached, matched)
        best = min(matches if best is None else [best, *matches], key=halves.off, default=None)
        if best is not None and halves.off(best) < NEAR:
            break
    return best, reached


def _matches_from(halves: _Halves, seeds: list[tuple[int, int]], size: int) -> tuple[list[IntArray], int]:
    """All different matches of a piece's faces that begin with one of the pairs of faces, and how many faces were matched at most."""
    matches: list[IntArray] = []
    reached = 0
    for first, second in seeds:
        corner, images = int(halves.mesh.face(first)[0]), halves.mesh.face(second)
        for turn, image in enumerate(images.tolist()):
            if any(match[corner] == image for match in matches):
                continue  # a match follows from where one corner goes
            partner, matched = _grown(halves.mesh, halves.edges, first, second, turn)
            reached = max(reached, matched)
            if matched == size and _is_own_inverse(partner) and not halves.contradicts(partner):
                matches.append(partner)
    return matches, reached


def _is_own_inverse(partner: IntArray) -> bool:
    """Whether partners of partners are the vertices themselves, where both have one."""
    own = np.flatnonzero(partner >= 0)
    back = partner[partner[own]]
    return bool(((back == own) | (back < 0)).all())


def _near_seeds(halves: _Halves, piece: IntArray, free: IntArray) -> list[tuple[int, int]]:
    """Pairs of faces whose middles and normals are most nearly mirror images."""
    centres, normals, plane = face_centres(halves.mesh), unit(face_area_vectors(halves.mesh)), halves.plane
    images, looks = plane.reflect(centres), normals - 2.0 * (normals @ plane.normal)[:, None] * plane.normal
    pairs = []
    for first in piece[np.argsort(np.abs(plane.heights(centres[piece])), kind="stable")[:LOOKED_AT]]:
        distance = np.linalg.norm(centres[free] - images[first], axis=1) * (2.0 - normals[free] @ looks[first])
        second = int(np.argmin(distance))
        pairs.append((float(distance[second]), int(first), int(free[second])))
    return [(first, second) for _, first, second in sorted(pairs)[:SEEDS]]


def _all_seeds(halves: _Halves, piece: IntArray, free: IntArray) -> list[tuple[int, int]]:
    """A face of the rarest kind, with every free face of its kind: one of these pairs is part of any match."""
    kinds = [_kind(halves.adjacency, face) for face in map(halves.mesh.face, range(halves.mesh.face_count))]
    count = Counter(kinds[face] for face in free.tolist())
    first = min(piece.tolist(), key=lambda face: count[kinds[face]])
    return [(first, face) for face in free.tolist() if kinds[face] == kinds[first]]


def _kind(adjacency: Adjacency, face: IntArray) -> tuple[tuple[int, bool], ...]:
    """What a face has in common with its partner: how many edges meet at its corners, and which of them lie on the border."""
    return tuple(sorted(zip(adjacency.valence[face].tolist(), adjacency.boundary_vertex[face].tolist(), strict=True)))


def _edges_by_ends(mesh: PolyMesh) -> dict[tuple[int, int], tuple[int, int]]:
    """Face and corner of every edge as its face runs it, by its two vertices."""
    return {(int(a), int(b)): (face, place) for face in range(mesh.face_count)
            for place, (a, b) in enumerate(zip(mesh.face(face), np.roll(mesh.face(face), -1), strict=True))}


def _grown(mesh: PolyMesh, edges: Mapping[tuple[int, int], tuple[int, int]], first: int, second: int, turn: int) -> tuple[IntArray, int]:
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


def evened(mesh: PolyMesh, plane: MirrorPlane, partner: IntArray, side: str) -> PolyMesh:
    """The mesh with halves that are mirror images.

    side : one of ``SIDES``: both sides meet in the middle, or one tells where vertices lie
    """
    if side == "both":
        return symmetrised(mesh, plane, partner)
    return one_sided(mesh, plane if side == "positive" else MirrorPlane(plane.point, -plane.normal), partner)
