"""How much of a mesh has its mirror image in the mesh."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from .mirror import AXES
from .polymesh import BoolArray, FloatArray, IntArray

MEANT = 0.9
"""A mesh of which at least this share of the vertices has its mirror image is meant to be symmetric."""

TRIED = 4096
"""Vertices that are tried first where no plane is given, spread over the mesh: their share is good to a hundredth or so."""
TRY_SLACK = 0.05
"""A plane whose share among those lies this far under ``MEANT`` is no candidate."""
_PRIMES = np.array([73_856_093, 19_349_663, 83_492_791], dtype=np.int64)
"""Of the spatial hash: Teschner, Heidelberger, Mueller, Pomeranets, Gross 2003, "Optimized Spatial Hashing"."""


@dataclass(frozen=True)
class Symmetry:
    """Symmetry across a plane through the origin.

    plane : x, y or z, the axis that the plane is square to
    share : share of the vertices that have their mirror image, 0 to 1
    lone : (k,) int32, vertices without
    """

    plane: str
    share: float
    lone: IntArray


def measure_symmetry(positions: FloatArray, used: BoolArray, distance: float, plane: str | None = None) -> Symmetry | None:
    """The symmetry across a plane, or across the one for which most vertices have their mirror image.

    positions : (V, 3) float64
    used : (V,) bool, vertices that count
    distance : how far a vertex may lie from its mirror image, the mesh's units
    plane : x, y or z; None: the best, if there is one that the mesh is meant to be symmetric across
    """
    chosen = np.flatnonzero(used & np.isfinite(positions).all(axis=1))
    if not len(chosen) or not distance > 0:
        return None
    points, found = positions[chosen], []
    for name in AXES if plane is None else (plane,):
        if plane is None and _tried_share(points, AXES[name], distance) < MEANT - TRY_SLACK:
            continue
        image = has_image(points, points, AXES[name], distance)
        found.append(Symmetry(name, float(image.mean()), chosen[~image].astype(np.int32)))
    best = max(found, key=lambda symmetry: symmetry.share, default=None)
    return best if best is not None and (plane is not None or best.share >= MEANT) else None


def has_image(asked: FloatArray, positions: FloatArray, axis: int, distance: float) -> BoolArray:
    """Whether one of the positions lies within a distance of the mirror image of every point that is asked for, (m,) bool.

    asked : (m, 3) float64
    positions : (n, 3) float64
    axis : 0, 1 or 2; its coordinate changes sign
    """
    images = asked.copy()
    images[:, axis] *= -1.0
    keys = _hashed(np.floor(positions / distance).astype(np.int64))
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    wanted = np.floor(images / distance).astype(np.int64)
    found = np.zeros(len(asked), dtype=np.bool_)
    for step in product((-1, 0, 1), repeat=3):
        left = np.flatnonzero(~found)
        ask = _hashed(wanted[left] + np.array(step))
        start, stop = np.searchsorted(keys, ask, side="left"), np.searchsorted(keys, ask, side="right")
        for turn in range(int((stop - start).max(initial=0))):
            here = np.flatnonzero(start + turn < stop)
            offset = positions[order[start[here] + turn]] - images[left[here]]
            found[left[here]] |= np.einsum("ij,ij->i", offset, offset) <= distance * distance
    return found


def _tried_share(points: FloatArray, axis: int, distance: float) -> float:
    """Share of a few vertices that have their mirror image."""
    return float(has_image(points[:: max(1, len(points) // TRIED)], points, axis, distance).mean())


def _hashed(cells: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """One number for every cell (n, 3); different cells may share one, so that whoever finds a cell by it looks closer."""
    return np.bitwise_xor.reduce(cells * _PRIMES, axis=1)
