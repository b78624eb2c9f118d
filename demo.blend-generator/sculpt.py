"""The dense sculpt: flesh to a triangle mesh, skin on top, cut flat at the shoulder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import creature
from .field import field_values, girth
from .skin import skin_height
from .surface_nets import surface_nets
from .trimming import cut_flat, smooth, vertex_normals

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.int32]

GRID_STEP = 0.0022
"""Metres between grid points: about 400,000 triangles."""
MARGIN = 0.02
"""Metres of free space round the flesh inside the grid."""


@dataclass(frozen=True)
class Forelimb:
    """A sculpted forelimb.

    positions : (V, 3) float64, metres
    triangles : (T, 3) int32, counter-clockwise seen from outside
    joints : joints of every limb from root to tip, name to (k, 3) float64, metres
    """

    positions: FloatArray
    triangles: IndexArray
    joints: dict[str, FloatArray]


def make_forelimb(seed: int = 1, *, grid_step: float = GRID_STEP) -> Forelimb:
    """Sculpt the forelimb.

    seed : same seed, same skin
    grid_step : metres between grid points; smaller is denser
    """
    fleshes, chains = creature.flesh(), creature.joint_chains()
    low, high = _box(fleshes)
    positions, triangles = surface_nets(lambda points: field_values(points, fleshes), low, high, grid_step)
    positions = smooth(positions, triangles, 3)
    normals = vertex_normals(positions, triangles)
    radius = _spread(girth(positions, fleshes).astype(np.float64), triangles)
    height = skin_height(positions, normals, radius, chains, seed)
    positions = smooth(positions + height[:, None] * normals, triangles, 1)
    point, normal = creature.cut_plane()
    positions, triangles = cut_flat(positions, triangles, point, normal)
    return Forelimb(positions, triangles, chains)


def _box(fleshes: tuple[creature.Flesh, ...]) -> tuple[FloatArray, FloatArray]:
    """Corners of the box that holds all flesh, each (3,) float64."""
    bones = [bone for flesh in fleshes for bone in flesh.bones]
    ends = np.array([end for bone in bones for end in (bone.start, bone.end)])
    reach = np.repeat([max(bone.radii) for bone in bones], 2)[:, None] + MARGIN
    return (ends - reach).min(axis=0), (ends + reach).max(axis=0)


def _spread(values: FloatArray, triangles: IndexArray, rounds: int = 8) -> FloatArray:
    """Even out one number a vertex over its neighbours, (V,) float64."""
    for _ in range(rounds):
        mean = values[triangles].mean(axis=1)
        total = np.bincount(triangles.ravel(), weights=np.repeat(mean, 3), minlength=len(values))
        values = total / np.bincount(triangles.ravel(), minlength=len(values))
    return values
