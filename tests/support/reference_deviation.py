"""How far two surfaces lie from each other, measured through libigl: the second opinion on the core's own figures."""

from __future__ import annotations

from dataclasses import dataclass

import igl
import numpy as np

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import BoolArray, FloatArray, PolyMesh
from support.reference_surface import ReferenceSurface

ON_RIM = 1e-9  # of the target's diagonal: a nearest point this close to an open edge lies on it


@dataclass(frozen=True)
class ReferenceDeviation:
    """Distances in percent of the target's bounding box diagonal.

    cage_to_target : (n,) float64, from samples on the cage to the target
    target_to_cage : (m,) float64, from samples on the part of the target that the cage covers to the cage
    covered : part of the target's samples that the cage covers; the rest has its nearest point on an open edge of the cage
    """

    cage_to_target: FloatArray
    target_to_cage: FloatArray
    covered: float

    @property
    def mean(self) -> float:
        """Mean over the samples of both ways."""
        return float(np.concatenate([self.cage_to_target, self.target_to_cage]).mean())

    @property
    def percentile_99(self) -> float:
        """99th percentile over the samples of both ways."""
        return float(np.percentile(np.concatenate([self.cage_to_target, self.target_to_cage]), 99.0))


def reference_deviation(cage: PolyMesh, target: ReferenceSurface, samples: int = 100_000, seed: int = 1) -> ReferenceDeviation:
    """Measure both ways with as many samples on either surface, evenly by area; quads split from their first corner.

    Every sampled mean lies within about its standard error of the true one; a sampled maximum is too small.
    Source: Cignoni, Rocchini, Scopigno, "Measuring error on simplified surfaces", 1998.
    """
    random = np.random.default_rng(seed)
    cage_surface = ReferenceSurface.from_mesh(cage)
    percent = 100.0 / target.diagonal
    there = target.closest(sample_surface(cage_surface, samples, random))
    back = cage_surface.closest(sample_surface(target, samples, random))
    covered = ~_on_open_edge(back.positions, cage, ON_RIM * target.diagonal)
    return ReferenceDeviation(percent * there.distances, percent * back.distances[covered], float(covered.mean()))


def sample_surface(surface: ReferenceSurface, samples: int, random: np.random.Generator) -> FloatArray:
    """Random points spread evenly by area, (samples, 3) float64."""
    first, second, third = (surface.positions[surface.triangles[:, corner]] for corner in range(3))
    areas = np.linalg.norm(np.cross(second - first, third - first), axis=1)
    chosen = random.choice(len(areas), samples, p=areas / areas.sum())
    outward, along = np.sqrt(random.random(samples))[:, None], random.random(samples)[:, None]
    return (1.0 - outward) * first[chosen] + outward * ((1.0 - along) * second[chosen] + along * third[chosen])


def _on_open_edge(points: FloatArray, mesh: PolyMesh, reach: float) -> BoolArray:
    adjacency = build_adjacency(mesh)
    edges = np.ascontiguousarray(adjacency.edge_verts[adjacency.edge_face_count == 1], dtype=np.int64)
    if not len(edges):
        return np.zeros(len(points), dtype=np.bool_)
    tree = igl.AABB()
    tree.init(mesh.positions, edges)
    squared, _, _ = tree.squared_distance(mesh.positions, edges, np.ascontiguousarray(points))
    return np.asarray(squared) <= reach * reach
