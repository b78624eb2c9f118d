"""Tell whether points lie inside a surface, by what rays from them cross."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .frames import even_directions
from .polymesh import BoolArray, FloatArray, IntArray
from .surface import RayHits

VOTES = 7
"""Rays a point: odd, so that there is a majority; open surfaces lose the rays through their openings."""
OFF_AXES = 0.5
"""Radians by which the rays' directions are turned, so that none runs along an axis, where edges of modelled meshes lie."""
RAY_STEP = 2e-6
"""How far a ray restarts behind a hit, diagonals: a few steps of single precision at a diagonal of one."""
MOST_CROSSINGS = 64
"""Most skins that one ray may cross; a ray that crosses more has no vote."""


def inside_by_crossings(cast: Callable[[FloatArray, FloatArray], RayHits], points: FloatArray, diagonal: float) -> BoolArray:
    """Whether each of (n, 3) points lies inside a surface, (n,) bool.

    cast : first hits of rays from (n, 3) origins along (n, 3) directions
    diagonal : of the surface's box
    Every point sends rays in directions spread over the sphere. Along a ray, leaving the surface counts +1 and entering
    it -1; a sum other than zero votes for inside, whichever way the faces look, and where pieces overlap. The majority
    decides, which bridges the openings of an open surface.
    """
    rays = np.repeat(even_directions(VOTES, OFF_AXES), len(points), axis=0)
    votes = _crossing_sums(cast, np.tile(points, (VOTES, 1)), rays, RAY_STEP * diagonal) != 0
    return np.asarray(2 * votes.reshape(VOTES, -1).sum(axis=0) > VOTES, dtype=np.bool_)


def _crossing_sums(cast: Callable[[FloatArray, FloatArray], RayHits], starts: FloatArray, rays: FloatArray, step: float) -> IntArray:
    """Signed crossings of rays from (n, 3) points along (n, 3) unit directions, (n,) int32; 0 where a ray has no vote."""
    sums = np.zeros(len(starts), dtype=np.int32)
    active = np.arange(len(starts))
    for _ in range(MOST_CROSSINGS):
        if not len(active):
            return sums
        hits = cast(starts, rays[active])
        active = active[hits.hit]
        starts = hits.positions[hits.hit] + step * rays[active]
        leaving = np.einsum("ij,ij->i", hits.normals[hits.hit], rays[active]) > 0.0
        sums[active] += np.where(leaving, 1, -1).astype(np.int32)
    sums[active] = 0
    return sums
