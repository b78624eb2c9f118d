"""Push a cage outward so that its subdivided surface, not the cage itself, lies on the target.

Points of the Catmull-Clark limit surface are weighted means of cage vertices. Each looks for its nearest skin;
the vertices then move so that all points come closest to the planes of their skins, in the least squares sense,
and again. Sources: the planes, Chen, Medioni, "Object modelling by registration of multiple range images", 1992;
the solver, Hestenes, Stiefel, "Methods of conjugate gradients", 1952 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .errors import MeshError
from .face_geometry import face_area_vectors
from .polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .quality import scaled_jacobian
from .stencils import Stencils, Subdivided, limit_stencils, subdivide
from .surface import Surface

ROUNDS_FINE = 1
"""Rounds of subdivision between cage and samples: four quads of samples a face."""
MOST_ROUNDS = 8
ENOUGH = 0.9
"""A round that leaves more than this share of the mean distance is the last."""
ALONG = 0.05
"""Weight of the distance along the skin against that to its plane: keeps points from sliding."""
STAY = 1e-2
"""Weight that keeps a vertex where it is, against that of the points that it moves."""
SOLVER_STEPS = 15
SOLVED = 1e-2
"""The solver stops at this share of its first residual."""
AGREEMENT = 0.3
"""Least cosine between the limit surface's normal and the skin's for a point to count."""
LOOK = 1.0
"""How far a point may look for its skin, mean edges of the cage."""
HALVINGS = 5
KEPT_SHAPE = 0.8
"""Least share of its first scaled Jacobian that a face keeps."""


@dataclass(frozen=True)
class LimitFit:
    """A cage fitted by its limit surface.

    positions : (V, 3) float64
    before, after : mean distance of the limit surface's points from the target, target units
    rounds : of looking and solving
    """

    positions: FloatArray
    before: float
    after: float
    rounds: int


@dataclass(frozen=True)
class _Samples:
    """Points of the limit surface on their way to the target.

    ways : (n, 3) float64, from every point to its skin
    normals : (n, 3) float64, of the skin
    shares : (n,) float64, area that a point stands for; 0 where it found no skin
    """

    ways: FloatArray
    normals: FloatArray
    shares: FloatArray

    @property
    def mean(self) -> float:
        """Mean distance, weighted by area."""
        return float(np.average(np.linalg.norm(self.ways, axis=1), weights=self.shares))


def fit_limit(mesh: PolyMesh, surface: Surface, held: BoolArray) -> LimitFit:
    """Move the vertices of a settled cage so that its limit surface fits the target.

    mesh : all quads, near the target
    surface : normals point outward
    held : (V,) bool, vertices that stay where they are
    Raises MeshError where a face is not a quad or no point of the limit surface finds its skin.
    """
    fine = subdivide(mesh, ROUNDS_FINE)
    limit = limit_stencils(fine)
    quads = mesh.quads()
    look = LOOK * float(np.linalg.norm(mesh.positions[quads] - mesh.positions[np.roll(quads, 1, axis=1)], axis=2).mean())
    best, floor = mesh.positions, KEPT_SHAPE * scaled_jacobian(mesh.positions[quads])
    samples = _looked(limit.spread(best), fine, surface, look)
    before, rounds = samples.mean, 0
    while rounds < MOST_ROUNDS:
        rounds += 1
        move = _solved(limit, samples, held)
        following = _in_shape(best, move, quads, floor)
        found = _looked(limit.spread(following), fine, surface, look)
        if found.mean >= samples.mean:
            break
        done = found.mean > ENOUGH * samples.mean
        best, samples = following, found
        if done:
            break
    return LimitFit(best, before, samples.mean, rounds)


def limit_mesh(mesh: PolyMesh, rounds: int = 2) -> PolyMesh:
    """The mesh whose vertices lie on the cage's limit surface; the first are those of the cage, in their order."""
    fine = subdivide(mesh, rounds)
    return PolyMesh.from_quads(limit_stencils(fine).spread(mesh.positions), fine.quads)


def _looked(points: FloatArray, fine: Subdivided, surface: Surface, look: float) -> _Samples:
    """Find every point's skin."""
    vectors = face_area_vectors(PolyMesh.from_quads(points, fine.quads))
    flat = fine.quads.ravel()
    sums = np.column_stack([np.bincount(flat, np.repeat(vectors[:, axis], 4), len(points)) for axis in range(3)])
    shares = np.bincount(flat, np.repeat(np.linalg.norm(vectors, axis=1), 4), len(points)) / 4.0
    lengths = np.linalg.norm(sums, axis=1)
    found = surface.closest(points)
    agrees = np.einsum("ij,ij->i", found.normals, sums) > AGREEMENT * lengths
    ways = found.positions - points
    square = np.abs(np.einsum("ij,ij->i", ways, sums)) > AGREEMENT * lengths * found.distances
    counted = agrees & (found.distances <= look) & (square | (found.distances < 0.1 * look)) & (lengths > 0)
    if not counted.any():
        raise MeshError("No point of the mesh's subdivided surface finds its skin on the target; settle the mesh first.")
    return _Samples(np.where(counted[:, None], ways, 0.0), found.normals, np.where(counted, shares, 0.0))


def _solved(limit: Stencils, samples: _Samples, held: BoolArray) -> FloatArray:
    """The move of every vertex that brings the points to their skins, by conjugate gradients, (V, 3) float64."""
    free = (~held).astype(np.float64)[:, None]
    weight = samples.shares[:, None] / max(float(samples.shares.mean()), 1e-300)
    normals = samples.normals

    def pulled(ways: FloatArray) -> FloatArray:
        across = np.einsum("ij,ij->i", ways, normals)[:, None] * normals
        return weight * (across + ALONG * ways)

    reach = limit.gathered(np.broadcast_to(weight, samples.ways.shape))
    stay = STAY * reach + 1e-9

    def system(move: FloatArray) -> FloatArray:
        return free * (limit.gathered(pulled(limit.spread(move))) + stay * move)

    residual = free * limit.gathered(pulled(samples.ways))
    scale = 1.0 / (reach * (1.0 / 3.0 + ALONG) + stay)
    move, direction = np.zeros_like(residual), scale * residual
    size = first = float(np.sum(residual * direction))
    for _ in range(SOLVER_STEPS):
        if size <= SOLVED**2 * first or size <= 0.0:
            break
        ahead = system(direction)
        length = size / max(float(np.sum(direction * ahead)), 1e-300)
        move, residual = move + length * direction, residual - length * ahead
        size, before = float(np.sum(residual * scale * residual)), size
        direction = scale * residual + (size / before) * direction
    return move


def _in_shape(positions: FloatArray, move: FloatArray, quads: IntArray, floor: FloatArray) -> FloatArray:
    """The moved positions; vertices round faces that would lose their shape go half the way, and half again, or stay.

    floor : (F,) float64, least scaled Jacobian of every face
    """
    share = np.ones(len(positions))
    for halving in range(2 * HALVINGS):
        moved = positions + share[:, None] * move
        poor = scaled_jacobian(moved[quads]) < floor
        if not poor.any():
            return moved
        share[np.unique(quads[poor])] *= 0.5 if halving < HALVINGS else 0.0
    return positions
