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
    found = []
    for name in AXES if plane is None else (plane,):
        image = has_image(positions[chosen], AXES[name], distance)
        found.append(Symmetry(name, float(image.mean()), chosen[~image].astype(np.int32)))
    best = max(found, key=lambda symmetry: symmetry.share)
    return best if plane is not None or best.share >= MEANT else None


def has_image(positions: FloatArray, axis: int, distance: float) -> BoolArray:
    """Whether a vertex lies within a distance of every vertex's mirror image, (n,) bool.

    positions : (n, 3) float64
    axis : 0, 1 or 2; its coordinate changes sign
    """
    images = positions.copy()
    images[:, axis] *= -1.0
    low = positions.min(axis=0) - 2.0 * distance
    cells = np.floor((positions - low) / distance).astype(np.int64)
    wanted = np.floor((images - low) / distance).astype(np.int64)
    order = np.lexsort(cells.T[::-1])
    rows = _as_rows(cells[order])
    found = np.zeros(len(positions), dtype=np.bool_)
    for step in product((-1, 0, 1), repeat=3):
        keys = _as_rows(wanted + np.array(step))
        start, stop = np.searchsorted(rows, keys, side="left"), np.searchsorted(rows, keys, side="right")
        for turn in range(int((stop - start).max(initial=0))):
            here = np.flatnonzero(~found & (start + turn < stop))
            offset = positions[order[start[here] + turn]] - images[here]
            found[here] = np.einsum("ij,ij->i", offset, offset) <= distance * distance
    return found


def _as_rows(cells: npt.NDArray[np.int64]) -> npt.NDArray[np.void]:
    """Cells as one sortable number each, in the order of their columns."""
    biased = (cells + (1 << 62)).astype(">u8")
    return np.ascontiguousarray(biased).view([("row", "V24")])["row"].ravel()
