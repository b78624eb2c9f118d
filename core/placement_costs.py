"""What a step-down costs at a vertex: near poles, in bending areas, away from the hidden side."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency, edge_distances
from .frames import unit
from .polymesh import JOINT_RING, FloatArray, PolyMesh

POLE_DISTANCE = 2
"""Edges that step-downs keep from existing poles where there is room (common practice)."""

MOST_POLE_DISTANCE = 16
"""Edges beyond which a distance from poles means nothing on a limb's mesh."""

HIDDEN_SIDE_WEIGHT = 4.0
"""Cost on the side opposite the hidden one: four gaps off by their own length."""

POLE_WEIGHT = 20.0
"""Cost on an existing pole itself; it falls to nothing at the stated distance."""

BENDING_WEIGHT = 20.0
"""Cost inside a bending area."""

WAYS = {"front": (0, -1, 0), "back": (0, 1, 0), "left": (-1, 0, 0), "right": (1, 0, 0), "below": (0, 0, -1), "above": (0, 0, 1)}
"""Sides of the world, z up and the figure facing -y, and where they look."""


def hidden_side_costs(points: npt.ArrayLike, hidden: npt.ArrayLike) -> FloatArray:
    """Cost of every point round a ring, from 0 on the hidden side to HIDDEN_SIDE_WEIGHT opposite, (..., n).

    points : (..., n, 3) float, rings of points
    hidden : (3,) float, direction in which the hidden side looks
    """
    rings = np.asarray(points, dtype=np.float64)
    out = unit(rings - rings.mean(axis=-2, keepdims=True))
    return np.asarray(HIDDEN_SIDE_WEIGHT * (1.0 - out @ unit(np.asarray(hidden, dtype=np.float64))) / 2.0)


def pole_costs(adjacency: Adjacency, distance: int) -> FloatArray:
    """Cost of every vertex by its nearest existing pole, (V,) float64; infinite on poles, 0 from ``distance`` edges on.

    Poles are vertices inside the surface whose valence is not 4.
    """
    poles = ~adjacency.boundary_vertex & (adjacency.valence != 4) & (adjacency.valence > 0)
    steps = edge_distances(adjacency.edge_verts, poles, distance)
    cost = POLE_WEIGHT * np.clip(distance - steps, 0, None) / max(distance, 1)
    return np.asarray(np.where(poles, np.inf, cost))


def bending_costs(bending: npt.ArrayLike) -> FloatArray:
    """Cost of every vertex by how much its place bends, (V,) float64.

    bending : (V,) float or bool, 0 (rigid) to 1 (in the joint)
    """
    return np.asarray(BENDING_WEIGHT * np.asarray(bending, dtype=np.float64))


def joint_bending(mesh: PolyMesh) -> FloatArray:
    """How much every vertex' place bends by the plan that the mesh was built from, (V,) float64: 1 on rings gathered round a joint."""
    marked = mesh.attributes.get(JOINT_RING)
    return np.zeros(mesh.vertex_count) if marked is None else np.asarray(marked, dtype=np.float64)
