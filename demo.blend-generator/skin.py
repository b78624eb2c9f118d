"""Skin detail as a height along the normal: octaves of noise, knobs and creases, all from a seed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

OCTAVES = ((0.075, 0.0030), (0.036, 0.0017), (0.017, 0.0009), (0.0085, 0.0005), (0.0050, 0.0002))
"""Lattice spacing and height of every octave of the noise, metres, on a limb of FULL_GIRTH."""
KNOB_CELLS = ((0.034, 0.0052, 0.60, 1.0), (0.0160, 0.0028, 0.70, 0.4))
"""Cell size and height in metres, share of cells that hold a knob, and how strongly the height follows the girth (0: not at all)."""
FULL_GIRTH = 0.060
"""Radius in metres at which detail has its full height; thinner parts get less."""
RIDGES = (
    ("forearm", 72.0, 0.0068, 8),
    ("forearm", 120.0, 0.0052, 7),
    ("forearm", 22.0, 0.0040, 6),
    ("upper_arm", 86.0, 0.0068, 6),
    ("upper_arm", 136.0, 0.0048, 5),
)
"""Rows of big knobs: limb, degrees round it from the thumb's side over the back, height in metres, number of knobs."""
CREASES = ((-0.0085, 0.6), (0.0, 1.0), (0.0080, 0.7))
"""Skin folds of one joint: metres along the digit from the joint, share of the full depth."""
CREASE_DEPTH = 0.0016
CREASE_WIDTH = 0.0019


def skin_height(points: FloatArray, normals: FloatArray, radius: FloatArray, chains: Mapping[str, FloatArray], seed: int) -> FloatArray:
    """Height of the skin over smooth flesh.

    points, normals : (n, 3) float64
    radius : (n,) float64, girth of the flesh at each point, metres
    chains : joints of every limb
    seed : same seed, same skin
    Returns (n,) float64, metres.
    """
    rng = np.random.default_rng(seed)
    scale = np.clip(radius / FULL_GIRTH, 0.42, 1.0)
    height = sum((depth * scale * gradient_noise(points / wave, rng) for wave, depth in OCTAVES), np.zeros(len(points)))
    back = _smooth_step((normals[:, 2] + 0.25) / 0.7)
    patches = _smooth_step(0.5 + 1.6 * gradient_noise(points / 0.13, rng))
    for cell, depth, share, follow in KNOB_CELLS:
        height += depth * scale**follow * back * (0.25 + 0.75 * patches) * knobs(points / cell, share, rng)
    for limb, angle, depth, count in RIDGES:
        height += depth * ridge(points, chains[limb], radius, angle, count, rng)
    wobble = 0.0035 * gradient_noise(points / 0.02, rng)
    for name in chains:
        if name not in ("upper_arm", "forearm", "palm"):
            height -= creases(points, chains[name], radius, wobble)
    return height


def gradient_noise(points: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Noise of lattice spacing 1, about -1 to 1, (n,) float64 (after Perlin, "Improving noise", 2002).

    Along a line 95 % of its power lies under 0.8 waves a unit (measured).
    """
    table = rng.permutation(256)
    gradients = rng.normal(size=(256, 3))
    gradients /= np.linalg.norm(gradients, axis=1, keepdims=True)
    shifted = points + rng.uniform(0.0, 256.0, 3)
    cell = np.floor(shifted).astype(np.int64)
    inner = shifted - cell
    fade = inner**3 * (inner * (inner * 6.0 - 15.0) + 10.0)
    total = np.zeros(len(points))
    for corner in np.ndindex(2, 2, 2):
        offset = np.array(corner)
        direction = gradients[_hash(cell + offset, table)]
        weight = np.prod(np.where(offset == 1, fade, 1.0 - fade), axis=1)
        total += weight * np.einsum("ij,ij->i", direction, inner - offset)
    return 1.6 * total


def knobs(points: FloatArray, share: float, rng: np.random.Generator) -> FloatArray:
    """Round bumps, at most one in a cell of side 1, 0 to about 1, (n,) float64.

    After Worley, "A cellular texture basis function", 1996.
    """
    table = rng.permutation(256)
    place = rng.uniform(0.15, 0.85, (256, 3))
    reach = np.where(rng.uniform(size=256) < share, rng.uniform(0.28, 0.62, 256), 1e-6)
    shifted = points + rng.uniform(0.0, 256.0, 3)
    cell = np.floor(shifted).astype(np.int64)
    inner = shifted - cell
    height = np.zeros(len(points))
    for offset in np.ndindex(3, 3, 3):
        neighbour = np.array(offset) - 1
        key = _hash(cell + neighbour, table)
        away = np.sum((place[key] + neighbour - inner) ** 2, axis=1) / reach[key] ** 2
        bump = np.clip(1.0 - away, 0.0, None) ** 2 * (reach[key] / 0.62)
        height = np.maximum(height, bump)
    return height


def ridge(points: FloatArray, joints: FloatArray, radius: FloatArray, angle: float, count: int, rng: np.random.Generator) -> FloatArray:
    """A row of knobs along a straight limb, 0 to about 1, (n,) float64.

    joints : (2, 3) float64, ends of the limb
    angle : degrees round the limb, from +y over +z
    count : knobs in the row; sizes and places vary by ``rng``
    """
    line = joints[1] - joints[0]
    axis = line / np.linalg.norm(line)
    across = np.cross([0.0, 0.0, 1.0], axis)
    across /= np.linalg.norm(across)
    offset = points - joints[0]
    along = offset @ axis / np.linalg.norm(line)
    around = np.arctan2(offset @ np.cross(axis, across), offset @ across)
    height = np.zeros(len(points))
    for place in 0.10 + 0.80 * (np.arange(count) + 0.5) / count:
        size = (0.55 + 0.45 * np.sin(np.pi * place)) * rng.uniform(0.75, 1.0)
        turn = np.angle(np.exp(1j * (around - np.radians(angle) - rng.normal(0.0, 0.10))))
        aside = np.hypot((along - place - rng.normal(0.0, 0.012)) * np.linalg.norm(line), turn * radius)
        height = np.maximum(height, size * np.clip(1.0 - (aside / (0.027 * size)) ** 2, 0.0, None) ** 2)
    return height


def creases(points: FloatArray, joints: FloatArray, radius: FloatArray, wobble: FloatArray) -> FloatArray:
    """Depth of the skin folds across the inner joints of a digit, (n,) float64, metres."""
    depth = np.zeros(len(points))
    for before, joint, after in zip(joints[:-2], joints[1:-1], joints[2:], strict=True):
        axis = (joint - before) / np.linalg.norm(joint - before) + (after - joint) / np.linalg.norm(after - joint)
        axis /= np.linalg.norm(axis)
        offset = points - joint
        along = offset @ axis + wobble
        aside = np.linalg.norm(offset - (offset @ axis)[:, None] * axis, axis=1)
        close = 1.0 - _smooth_step((aside / np.maximum(radius, 1e-6) - 1.15) / 0.35)
        folds = sum((share * np.exp(-(((along - shift) / CREASE_WIDTH) ** 2)) for shift, share in CREASES), np.zeros(len(points)))
        depth += CREASE_DEPTH * close * folds
    return depth


def _hash(cells: npt.NDArray[np.int64], table: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    wrapped = cells & 255
    return np.asarray(table[(table[(table[wrapped[:, 0]] + wrapped[:, 1]) & 255] + wrapped[:, 2]) & 255])


def _smooth_step(values: FloatArray) -> FloatArray:
    t = np.clip(values, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))
