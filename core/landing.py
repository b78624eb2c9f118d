"""Where a cage's vertex lands on the target: the skin that looks the vertex's way and that nothing covers.

The nearest skin is often not the right one: between two fingers it may be the neighbour's, in a sculpt of
several shells an inner one, over a hole the hole's rim, and parts of a target may be wound inside out.
Right is a skin that lies square to the cage's normal and has the open outside over it: rays from it along
the normal leave as many bodies as they enter. Where a single face looks another way, as on a noisy scan,
the faces round it are asked too; where the faces of a place look all ways, as on noise finer than it is high, only what
they say together counts, and the open outside begins over the bumps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .frames import unit
from .polymesh import BoolArray, FloatArray
from .rows import dots, rows_of
from .surface import Surface

AGREEMENT = 0.1
"""Least cosine between the cage's normal and the normal of the skin that a vertex may land on."""
SQUARENESS = 0.3
"""Least cosine between a skin's normal and the way to it; less is the rim of a hole."""
CLEAR = 0.5
"""Where the cosine is at least this, one face is enough; else the faces round it decide."""
SAME = 0.8
"""Least cosine between the normals before and after a move for the skin to count as the same."""
FOOTPRINT = 0.25
"""Radius of the place whose faces are asked, looks."""
ASKED = 8
"""Points that are asked there."""
ASKED_MORE = 32
"""Points that are asked in addition where those do not agree."""
AGREED = 0.8
"""Least length of the mean normal of faces that agree."""
ROUGH = 0.9
"""A surface is rough where this length is not reached at half of the places that are looked at."""
PLACES = 256
"""Most places at which a surface's grain is looked at."""
OVER_BUMPS = 10.0
"""How far over a rough skin the open outside begins, root mean squares of its bumps' heights."""
COHERENT = 0.25
"""Least length of their mean normal; less says nothing."""
LIFT = 0.03
"""How far over a skin the open outside begins, looks: over the bumps of a noisy one."""
CLOSE = 0.1
"""A way under this share of the look is too short to tell its direction."""
RAY_STEP = 4e-6
"""How far a ray starts off a skin, diagonals: a few steps of the host's single precision."""
TILT = 0.4
"""How far the rays that look for the open outside lean away from the normal."""
MOST_CROSSINGS = 6
"""Skins that such a ray may pass; one that passes more counts as covered."""
LAYERS = 3
"""Skins that a vertex may look through along its normal."""

Indices = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Landing:
    """Where points came down.

    positions : (n, 3) float64; a point that found no skin is where it was
    normals : (n, 3) float64, of the skin, turned the cage's way; the cage's own where there is no skin
    landed : (n,) bool
    over_hole : (n,) bool, the nearest skin is the rim of a hole
    against : (n,) bool, the skin is wound against the cage
    """

    positions: FloatArray
    normals: FloatArray
    landed: BoolArray
    over_hole: BoolArray
    against: BoolArray


@dataclass(frozen=True)
class Grain:
    """How fine a surface is against what settles on it.

    lift : how far over a skin the open outside begins, looks
    rough : whether single faces say nothing about the way that the skin looks
    """

    lift: float = LIFT
    rough: bool = False


SMOOTH = Grain()


def grain_of(points: FloatArray, cage_normals: FloatArray, surface: Surface, look: FloatArray) -> Grain:
    """The grain of a surface near (n, 3) points with unit normals, looked at in places of the size of their looks."""
    chosen = np.unique(np.linspace(0, len(points) - 1, min(PLACES, len(points))).astype(np.int64))
    nearest = surface.closest(points[chosen])
    asked = _asked_round(nearest.positions, cage_normals[chosen], look[chosen], ASKED)
    found = surface.closest(asked.reshape(-1, 3))
    normals, positions = (values.reshape(asked.shape) for values in (found.normals, found.positions))
    middle = positions.mean(axis=0)
    heights = np.einsum("asi,si->as", positions - middle, cage_normals[chosen])
    if not len(chosen) or np.median(np.linalg.norm(normals.mean(axis=0), axis=1)) >= ROUGH:
        return SMOOTH
    bumps = float(np.median(np.sqrt(np.mean(heights**2, axis=0)) / np.maximum(look[chosen], 1e-300)))
    return Grain(max(LIFT, OVER_BUMPS * bumps), True)


@dataclass(frozen=True)
class _Skins:
    """Places where points might land: (n, 3), (n, 3), (n,) distances, (n,) bool.

    near : within the look and square to the way that led there
    """

    positions: FloatArray
    normals: FloatArray
    distances: FloatArray
    near: BoolArray


def land_first(points: FloatArray, cage_normals: FloatArray, surface: Surface, look: FloatArray, grain: Grain) -> Landing:
    """Land points of which nothing is known yet.

    points : (n, 3) float64
    cage_normals : (n, 3) float64 unit vectors
    look : (n,) float64, how far each may look, target units
    """
    nearest, rim = _nearest(points, cage_normals, surface, look, grain)
    facing = _along(nearest.normals, cage_normals)
    good = nearest.near & (facing > CLEAR)
    chosen = np.flatnonzero(good)
    good[chosen] = has_open_outside(nearest.positions[chosen], cage_normals[chosen], grain.lift * look[chosen], surface)
    return _landing(points, cage_normals, surface, look, nearest, good, rim, np.zeros(len(points), dtype=np.bool_), grain)


def land_again(points: FloatArray, cage_normals: FloatArray, surface: Surface, look: FloatArray, before: Landing, grain: Grain) -> Landing:
    """Land points that have moved a little since they last landed.

    before : where they last landed
    """
    nearest, rim = _nearest(points, cage_normals, surface, look, grain)
    facing = _along(nearest.normals, cage_normals)
    turn = np.where(before.against, -1.0, 1.0)
    same_skin = before.landed & (turn * _along(nearest.normals, before.normals) > SAME)
    good = nearest.near & (turn * facing > np.where(same_skin, AGREEMENT, CLEAR))
    return _landing(points, cage_normals, surface, look, nearest, good, rim, before.against, grain)


def gap_to_like_skin(positions: FloatArray, normals: FloatArray, lift: FloatArray, surface: Surface) -> FloatArray:
    """Distance to the next skin that faces the same way, inward or outward, (n,) float64; infinite where the next does not.

    lift : (n,) float64, skins nearer than this are bumps of the same one
    A vertex that moves less than half of it cannot come down on that skin.
    """
    step = np.maximum(lift, RAY_STEP * surface.diagonal)[:, None] * normals
    hits = surface.cast(np.concatenate([positions + step, positions - step]), np.concatenate([normals, -normals]))
    alike = hits.hit & (_along(hits.normals, np.concatenate([normals, normals])) > AGREEMENT)
    gaps = np.where(alike, hits.distances, np.inf)
    return np.asarray(gaps.reshape(2, -1).min(axis=0), dtype=np.float64)


def has_open_outside(positions: FloatArray, directions: FloatArray, lift: FloatArray, surface: Surface) -> BoolArray:
    """Whether most rays from over skins leave as many bodies as they enter, (n,) bool.

    positions : (n, 3) float64, on skins
    directions : (n, 3) float64 unit vectors, which way out is
    lift : (n,) float64, how far over the skin rays start, target units
    """
    across = _square(directions)
    leans = np.stack([np.zeros_like(directions), across, -across, np.cross(directions, across), np.cross(across, directions)])
    rays = unit(directions + TILT * leans)
    origins = positions + np.maximum(lift, RAY_STEP * surface.diagonal)[:, None] * directions
    most = len(leans) // 2 + 1
    covered = _covered(origins, rays[:most], surface)
    split = np.flatnonzero((covered > 0) & (covered < most))  # where these agree, no other ray can outvote them
    covered[split] += _covered(origins[split], rays[most:, split], surface)
    return np.asarray(2 * covered < len(leans), dtype=np.bool_)


def _covered(origins: FloatArray, directions: FloatArray, surface: Surface) -> Indices:
    """How many of the rays from (n, 3) points do not leave as many bodies as they enter, (n,) int.

    directions : (k, n, 3) float64 unit vectors, k rays a point
    """
    step, rays = RAY_STEP * surface.diagonal, directions.reshape(-1, 3)
    starts = np.tile(origins, (len(directions), 1))
    bodies = np.zeros(len(rays), dtype=np.int64)
    active = np.arange(len(rays))
    for _ in range(MOST_CROSSINGS):
        if not len(active):
            break
        hits = surface.cast(starts, rays[active])
        active = active[hits.hit]
        bodies[active] += np.where(_along(hits.normals[hits.hit], rays[active]) > 0.0, 1, -1)
        starts = hits.positions[hits.hit] + step * rays[active]
    bodies[active] = 1
    return np.asarray(np.count_nonzero(bodies.reshape(directions.shape[:2]), axis=0), dtype=np.intp)


def looks_outward(points: FloatArray, directions: FloatArray, reach: FloatArray, surface: Surface, grain: Grain = SMOOTH) -> BoolArray:
    """Whether directions at points near the skin look the skin's way, (n,) bool.

    The skin is the nearest one, or in a thin wall one along the direction: the middle of a face that spans a bend
    may lie nearer to the wall's other side.

    points : (n, 3) float64
    directions : (n, 3) float64 unit vectors
    reach : (n,) float64, how far along its direction a point may lie from its skin, target units
    """
    nearest = surface.closest(points)
    agrees = _along(nearest.normals, directions) >= 0.0
    doubted = np.flatnonzero(~agrees & directions.any(axis=1))
    if len(doubted):
        way, far = directions[doubted], reach[doubted]
        around = _footprint_normals(nearest.positions[doubted], nearest.normals[doubted], way, far, surface, grain)
        agrees[doubted] = _along(around, way) >= 0.0
        for skin in _along_normals(points[doubted], way, surface, far):
            agrees[doubted] |= skin.near & (_along(skin.normals, way) > AGREEMENT)
    return np.asarray(agrees, dtype=np.bool_)


def _nearest(points: FloatArray, cage_normals: FloatArray, surface: Surface, look: FloatArray,
             grain: Grain) -> tuple[_Skins, BoolArray]:
    """The nearest skins, and which of them are rims of holes."""
    found = surface.closest(points)
    normals = _footprint_normals(found.positions, found.normals, cage_normals, look, surface, grain) if grain.rough else found.normals
    way = points - found.positions
    along = np.maximum(np.abs(_along(way, normals)), np.abs(_along(way, cage_normals)))
    rim = (along < SQUARENESS * found.distances) & (found.distances > np.maximum(CLOSE, grain.lift if grain.rough else 0.0) * look)
    return _Skins(found.positions, normals, found.distances, (found.distances <= look) & ~rim), rim


def _landing(points: FloatArray, cage_normals: FloatArray, surface: Surface, look: FloatArray, nearest: _Skins, good: BoolArray,
             rim: BoolArray, against: BoolArray, grain: Grain) -> Landing:
    """The nearest skin where it is good, elsewhere the best of what the normal leads to."""
    positions, normals, landed = rows_of(nearest.positions).copy().T, rows_of(nearest.normals).copy().T, good.copy()
    poor = np.flatnonzero(~good)
    positions[poor], normals[poor] = points[poor], cage_normals[poor]
    rest = poor[cage_normals[poor].any(axis=1)]
    if len(rest):
        skins = [_Skins(nearest.positions[rest], nearest.normals[rest], nearest.distances[rest], nearest.near[rest]),
                 *_along_normals(points[rest], cage_normals[rest], surface, look[rest])]
        best, found = _best_skin(skins, cage_normals[rest], look[rest], surface, grain)
        positions[rest[found]], normals[rest[found]] = best.positions[found], best.normals[found]
        landed[rest[found]] = True
    turned = landed & (_along(normals, cage_normals) < 0.0)
    normals[turned] *= -1.0
    return Landing(positions, normals, landed, rim & ~landed, np.where(landed, turned, against))


def _along_normals(points: FloatArray, directions: FloatArray, surface: Surface, look: FloatArray) -> list[_Skins]:
    """The first skins outward and inward, those that lie behind them too."""
    rays = np.concatenate([directions, -directions])
    origins, reach = np.concatenate([points, points]), np.concatenate([look, look])
    starts, way = origins.copy(), np.zeros(len(rays))
    active = np.ones(len(rays), dtype=np.bool_)
    skins: list[_Skins] = []
    for _ in range(LAYERS):
        chosen = np.flatnonzero(active)
        if not len(chosen):
            break
        hits = surface.cast(starts[chosen], rays[chosen])
        way[chosen] = np.where(hits.hit, way[chosen] + hits.distances, np.inf)
        active = np.isfinite(way) & (way <= reach) & active
        positions, normals = origins.copy(), np.zeros_like(rays)
        positions[chosen], normals[chosen] = hits.positions, hits.normals
        square = np.abs(_along(normals, rays)) >= SQUARENESS
        for half in (slice(None, len(points)), slice(len(points), None)):
            skins.append(_Skins(positions[half], normals[half], way[half].copy(), (active & square)[half]))
        starts = np.where(active[:, None], positions + RAY_STEP * surface.diagonal * rays, starts)
        way = way + RAY_STEP * surface.diagonal
    return skins


def _best_skin(skins: list[_Skins], cage_normals: FloatArray, look: FloatArray, surface: Surface,
               grain: Grain) -> tuple[_Skins, BoolArray]:
    """The nearest skin with the open outside over it, else the nearest that faces the cage's way; and which points have one."""
    positions = np.stack([skin.positions for skin in skins])
    normals = np.stack([skin.normals for skin in skins])
    distances = np.stack([skin.distances for skin in skins])
    near = np.stack([skin.near for skin in skins])
    layer, point = np.nonzero(near)
    normals[layer, point] = _footprint_normals(positions[layer, point], normals[layer, point], cage_normals[point], look[point],
                                               surface, grain)
    facing = np.einsum("sij,ij->si", normals, cage_normals)
    possible = near & (np.abs(facing) > AGREEMENT)
    layer, point = np.nonzero(possible)
    outer = np.zeros(possible.shape, dtype=np.bool_)
    outer[layer, point] = has_open_outside(positions[layer, point], cage_normals[point], grain.lift * look[point], surface)
    longest = float(distances[possible].max(initial=0.0)) + 1.0
    cost = np.where(outer, distances, np.where(facing > AGREEMENT, distances + longest, np.inf))
    cost = np.where(possible, cost, np.inf)
    best, every = np.argmin(cost, axis=0), np.arange(len(cage_normals))
    found = np.isfinite(cost[best, every])
    return _Skins(positions[best, every], normals[best, every], distances[best, every], found), found


def _footprint_normals(positions: FloatArray, normals: FloatArray, directions: FloatArray, look: FloatArray,
                       surface: Surface, grain: Grain) -> FloatArray:
    """Mean normals of the faces round places on the skin, (n, 3) float64 unit vectors; the place's own where they cancel out.

    directions : (n, 3) float64 unit vectors, the round place lies square to them
    """
    asked = _asked_round(positions, directions, look, ASKED)
    total = surface.closest(asked.reshape(-1, 3)).normals.reshape(asked.shape).sum(axis=0) + normals
    count = np.full(len(positions), ASKED + 1.0)
    unsure = np.flatnonzero(grain.rough & (np.linalg.norm(total, axis=1) < AGREED * count))
    if len(unsure):
        asked = _asked_round(positions[unsure], directions[unsure], look[unsure], ASKED_MORE)
        total[unsure] += surface.closest(asked.reshape(-1, 3)).normals.reshape(asked.shape).sum(axis=0)
        count[unsure] += ASKED_MORE
    coherent = np.linalg.norm(total, axis=1) >= COHERENT * count
    return np.where(coherent[:, None], unit(total), normals)


def _asked_round(positions: FloatArray, directions: FloatArray, look: FloatArray, count: int) -> FloatArray:
    """Points round places, spread evenly over discs square to unit directions, (count, n, 3) float64."""
    across = _square(directions)
    beside = np.cross(directions, across)
    turns = np.arange(count) * (np.pi * (3.0 - np.sqrt(5.0)))
    reach = FOOTPRINT * np.sqrt((np.arange(count) + 0.5) / count)
    offsets = np.cos(turns)[:, None, None] * across + np.sin(turns)[:, None, None] * beside
    return np.asarray(positions + (reach[:, None] * look)[..., None] * offsets)


def _along(first: FloatArray, second: FloatArray) -> FloatArray:
    """Scalar products of (n, 3) vectors, (n,) float64."""
    return dots(first.T, second.T)


def _square(directions: FloatArray) -> FloatArray:
    """A unit vector square to each of (n, 3) unit vectors."""
    seeds = np.eye(3)[np.argmin(np.abs(directions), axis=1)]
    return unit(np.cross(directions, seeds))
