"""Invented creatures' parts as dense targets, each with the places that an artist would point at, on its skin.

Axes as a figure that faces -y stands: x to its left, z up; lengths in no unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ringwright.core.polymesh import FloatArray

from .reference_surface import ReferenceSurface
from .shapes import LimbChain, Shape, hand, hand_chains, limb_distance, surface_nets

FAR = 50.0
TOES = ("big toe", "second toe", "third toe")
FROM_THE_SIDE = (1.0, 0.0, 0.0)
FINGERS = ("thumb", "index", "middle", "ring", "little")


@dataclass(frozen=True)
class Part:
    """A target and the places on it.

    places : (3,) float64 by the template's names, on the skin
    joints : where the shape's own skeleton has its joints, by limb; empty where nothing is compared
    """

    shape: Shape
    places: Mapping[str, FloatArray]
    joints: Mapping[str, FloatArray]

    def surface(self) -> ReferenceSurface:
        return ReferenceSurface(self.shape.positions, self.shape.triangles)


def hand_part() -> Part:
    """The hand of the shapes: wrist and five fingertips."""
    chains = hand_chains()
    return _part(hand(), chains, {"wrist": [0.0, 0.0, 0.1]}, _tips(FINGERS))


def arm_part(cells: int = 200) -> Part:
    """The same hand on a bent arm with an elbow."""
    chains = {**hand_chains(), "forearm": _chain([[0, 0, 0], [0, 0.3, -3.5], [0, 0.8, -7]], [0.95, 1.2, 1.2]),
              "upper arm": _chain([[0, 0.8, -7], [0, -1.5, -11], [0, -4.5, -15.5]], [1.2, 1.45, 1.5])}
    inner = {f"in {name}": _chain([[0, 0, 0.5], chains[name].joints[0]], [0.6, 0.5]) for name in FINGERS[1:]}
    shape = grown({**inner, **chains}, 0.25, cells)
    return _part(shape, chains, {"shoulder": [0.0, -4.2, -15.0], "elbow": [0.1, 0.8, -7.0], "wrist": [0.1, 0.0, 0.1]},
                 _tips(FINGERS))


def foot_part(cells: int = 110) -> Part:
    """A foot with three stout toes, the leg upward, the toes toward -y."""
    chains = {"shin": _chain([[0, 0, 8], [0, 0.3, 4], [0, 0, 0]], [1.6, 1.5, 1.1]), **_foot()}
    return _part(grown(chains, 0.4, cells), chains, {"shin": [0.0, 0.2, 6.8], "ankle": [0.0, 0.1, 0.3]}, _tips(TOES), FROM_THE_SIDE)


def leg_part(cells: int = 150) -> Part:
    """The same foot under a shin and a thigh."""
    chains = {"thigh": _chain([[0, 0.6, 17], [0, 0, 12.5], [0, -0.4, 8]], [2.1, 1.9, 1.4]),
              "shin": _chain([[0, -0.4, 8], [0, 0.4, 4.5], [0, 0, 0]], [1.4, 1.5, 1.05]), **_foot()}
    return _part(grown(chains, 0.4, cells), chains, {"hip": [0.0, 0.5, 16.5], "knee": [0.0, -0.2, 8.0], "ankle": [0.0, 0.1, 0.3]},
                 _tips(TOES), FROM_THE_SIDE)


def _foot() -> dict[str, LimbChain]:
    """Heel, instep and three toes."""
    chains = {"heel": _chain([[0, 0, 0], [0, 0.9, -1.1]], [1.0, 0.9]),
              "foot": _chain([[0, 0, 0], [0, -2.0, -0.8], [0, -3.4, -1.3]], [1.1, 1.0, 0.75])}
    for name, x in zip(TOES, (-1.1, 0.0, 1.1), strict=True):
        chains[f"in {name}"] = _chain([[0.4 * x, -1.5, -0.8], [x, -3.6, -1.35]], [0.8, 0.6])
        chains[name] = _chain([[x, -3.6, -1.35], [1.15 * x, -4.6, -1.4], [1.25 * x, -5.5, -1.5]], [0.6, 0.52, 0.42])
    return chains


def _tips(names: Sequence[str]) -> dict[str, str]:
    return {f"{name} tip": name for name in names}


def paw_part(cells: int = 120) -> Part:
    """A paw with four short toes and a dewclaw, the leg upward."""
    chains = {"leg": _chain([[0, 0.4, 7], [0, 0.5, 3], [0, 0, 0]], [1.3, 1.1, 0.95]),
              "paw": _chain([[0, 0, 0], [0, -1.3, -1.6]], [0.95, 1.0])}
    for name, x, y in (("inner toe", -1.5, -2.9), ("second toe", -0.5, -3.4), ("third toe", 0.5, -3.4), ("outer toe", 1.5, -2.9)):
        chains[f"in {name}"] = _chain([[0.3 * x, -0.6, -1.0], [0.8 * x, -1.9, -2.0]], [0.8, 0.55])
        chains[name] = _chain([[0.8 * x, -1.9, -2.0], [x, y + 0.2, -1.95], [1.1 * x, y - 0.8, -2.3]], [0.5, 0.5, 0.36])
    chains["dewclaw"] = _chain([[-0.3, -0.5, -0.4], [-1.4, -0.9, -0.6], [-1.9, -1.3, -1.0]], [0.42, 0.38, 0.3])
    return _part(grown(chains, 0.25, cells), chains, {"leg": [0.0, 0.0, 6.0], "wrist": [0.2, 0.0, 0.3]},
                 _tips(("inner toe", "second toe", "third toe", "outer toe", "dewclaw")))


def wing_part(cells: int = 150) -> Part:
    """A folded, featherless wing with a thumb at its front edge."""
    chains = {"upper arm": _chain([[0, 0, 0], [2.5, 1.0, 0.4], [5, 2, 0.6]], [1.0, 0.85, 0.75]),
              "forearm": _chain([[5, 2, 0.6], [7.3, 0.4, 0.8], [9.5, -1.2, 1.0]], [0.75, 0.7, 0.6]),
              "hand": _chain([[9.5, -1.2, 1.0], [12.5, 0.4, 0.9], [15.5, 2.6, 0.5]], [0.62, 0.6, 0.3]),
              "thumb": _chain([[9.9, -1.0, 1.0], [10.5, -2.5, 1.1], [11.0, -3.6, 1.0]], [0.36, 0.34, 0.26])}
    return _part(grown(chains, 0.25, cells), chains, {"shoulder": [0.5, 0.2, 0.0], "elbow": [5.0, 1.9, 0.0], "wrist": [9.5, -1.1, 0.0]},
                 {"wing tip": "hand", "thumb tip": "thumb"}, (0.0, 0.0, -1.0))


def tail_part(cells: int = 90) -> Part:
    """A tapering tail that swings down and up again."""
    turns = np.linspace(0.0, 1.0, 16)
    joints = np.column_stack([0.8 * np.sin(3 * turns), 14 * turns, 3.0 * np.cos(4.5 * turns)])
    chains = {"tail": LimbChain(joints, 1.3 - 0.95 * turns)}
    return _part(grown(chains, 0.2, cells), chains, {"root": joints[1]}, {"tip": "tail"})


def tentacle_part(cells: int = 90) -> Part:
    """A tentacle curled by more than a whole turn."""
    turns = np.linspace(0.0, 1.0, 28)
    angles, away = 2.6 * np.pi * turns, 5.2 - 3.4 * turns
    joints = np.column_stack([away * np.cos(angles), 1.2 * turns, away * np.sin(angles)])
    chains = {"tentacle": LimbChain(joints, 0.85 - 0.6 * turns)}
    return _part(grown(chains, 0.1, cells), chains, {"root": joints[2]}, {"tip": "tentacle"})


def biped_part(cells: int = 140) -> Part:
    """A whole creature with three-fingered hands and toeless feet, arms held down and out."""
    chains = biped_chains()
    shape = grown(chains, 0.6, cells)
    places = {"neck": [0.0, 0.0, 19.0], "collar": [0.0, 0.0, 17.0], "pelvis": [0.0, 0.0, 9.8],
              "shoulder": [2.9, 0.0, 15.6], "elbow": [6.3, 0.0, 12.6], "wrist": [8.9, 0.0, 9.4],
              "hip": [1.5, 0.0, 9.0], "knee": [1.8, 0.0, 4.6], "ankle": [1.9, 0.0, 1.8]}
    tips = {f"{name} tip": f"{name} +1" for name in ("thumb", "index", "middle", "ring")}
    return _part(shape, chains, places, {**tips, "big toe tip": "foot +1"})


def biped_chains() -> dict[str, LimbChain]:
    """The limbs of that creature."""
    chains = {"neck": _chain([[0, 0, 20], [0, 0, 17.2]], [1.2, 1.3]),
              "trunk": _chain([[0, 0, 17], [0, 0.1, 14.5], [0, 0, 11.5], [0, 0, 9.6]], [1.9, 2.5, 2.1, 2.2])}
    for sign in (1.0, -1.0):
        side = _biped_side()
        flip = np.array([sign, 1.0, 1.0])
        chains |= {f"{name} {sign:+.0f}": LimbChain(chain.joints * flip, chain.radii) for name, chain in side.items()}
    return chains


def _biped_side() -> dict[str, LimbChain]:
    """The limbs of the creature's left side."""
    side = {"upper arm": _chain([[2.2, 0, 15.8], [6.3, 0.2, 12.6]], [1.25, 0.95]),
            "forearm": _chain([[6.3, 0.2, 12.6], [8.9, -0.2, 9.4]], [0.95, 0.7]),
            "thigh": _chain([[1.4, 0, 9.2], [1.8, -0.2, 4.6]], [1.5, 1.1]), "shin": _chain([[1.8, -0.2, 4.6], [1.9, 0.1, 0.9]], [1.1, 0.8]),
            "heel": _chain([[1.9, 0.1, 0.9], [1.9, 0.5, 0.5]], [0.8, 0.75]),
            "foot": _chain([[1.9, 0.1, 0.7], [2.1, -1.4, 0.4], [2.2, -2.6, 0.25]], [0.8, 0.75, 0.55])}
    for name, y in (("index", -0.85), ("middle", 0.0), ("ring", 0.85)):
        side[f"in {name}"] = _chain([[9.0, -0.1, 9.2], [10.0, -0.1 + y, 7.7]], [0.65, 0.5])
        side[name] = _chain([[10.0, -0.1 + y, 7.7], [10.7, -0.1 + 1.2 * y, 6.5], [11.1, -0.1 + 1.3 * y, 5.4]], [0.45, 0.4, 0.33])
    side["thumb"] = _chain([[9.2, -0.6, 8.9], [9.4, -1.8, 8.2], [9.6, -2.5, 7.4]], [0.5, 0.42, 0.34])
    return side


def _chain(joints: npt.ArrayLike, radii: npt.ArrayLike) -> LimbChain:
    return LimbChain(np.array(joints, dtype=np.float64), np.array(radii, dtype=np.float64))


def grown(chains: Mapping[str, LimbChain], blend: float, cells: int) -> Shape:
    """Limbs of round sections grown together, as a dense surface."""
    joints = np.concatenate([chain.joints for chain in chains.values()])
    radii = np.concatenate([chain.radii for chain in chains.values()])[:, None]
    margin = 0.3 * radii.max()
    return surface_nets(limb_distance(chains, blend), (joints - radii).min(axis=0) - margin, (joints + radii).max(axis=0) + margin, cells)


def _part(shape: Shape, chains: Mapping[str, LimbChain], seen: Mapping[str, npt.ArrayLike], tips: Mapping[str, str],
          view: tuple[float, float, float] = (0.0, 1.0, 0.0)) -> Part:
    """Places on the skin: what is seen of a point from one side (from the front: -y), and where a limb's own end comes through."""
    surface = ReferenceSurface(shape.positions, shape.triangles)
    points, way = np.array(list(seen.values()), dtype=np.float64), np.array(view)
    hits = surface.cast(points - FAR * way, np.broadcast_to(way, points.shape))
    places = dict(zip(seen, hits.positions, strict=True))
    for name, limb in tips.items():
        joints = chains[limb].joints
        along = joints[-1] - joints[-2]
        places[name] = surface.cast(joints[-1:], along[None]).positions[0]
    return Part(shape, places, {name: chain.joints for name, chain in chains.items()})
