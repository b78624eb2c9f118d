"""Invented hands, arms, feet and bodies in other poses and proportions, each with the places that an artist would point at."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ringwright.core.polymesh import FloatArray

from .creatures import FROM_THE_SIDE, TOES, Part, _chain, _part, _tips, grown
from .shapes import LimbChain

FINGER_LENGTHS = {"little": 2.4, "ring": 3.1, "middle": 3.4, "index": 3.0}
FROM_ABOVE = (0.0, 0.0, -1.0)
X_AXIS, Y_AXIS = np.eye(3)[:2]


def turned(axis: FloatArray, degrees: float) -> FloatArray:
    """The rotation about a unit axis, (3, 3) float64."""
    angle = np.radians(degrees)
    cross = np.cross(np.eye(3), axis)
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def placed(chains: dict[str, LimbChain], frame: FloatArray, origin: npt.ArrayLike, size: float = 1.0) -> dict[str, LimbChain]:
    """Chains in another place: turned by a frame whose columns are their axes, and scaled."""
    return {name: LimbChain(size * chain.joints @ frame.T + np.asarray(origin), size * chain.radii) for name, chain in chains.items()}


def bent_hand(bend: float, length: float = 1.0, thick: float = 1.0, spread: float = 1.0) -> dict[str, LimbChain]:
    """A palm along +z that faces -y with four fingers and a thumb.

    bend : degrees at both inner joints of a finger
    length, thick, spread : of the fingers, 1 as the hand of the shapes
    """
    chains = {"palm": _chain([[0, 0, 0], [0, 0, 1.8], [0, 0, 3.1]], [0.95, 0.85, 0.65])}
    for (name, whole), x in zip(FINGER_LENGTHS.items(), np.linspace(-1.5, 1.45, 4), strict=True):
        knuckle = np.array([x, 0, 3.3])
        chains[f"in {name}"] = _chain([[0, 0, 0.5], knuckle], [0.65, 0.5 * thick])
        radii = thick * np.array([0.46, 0.42, 0.37, 0.3])
        chains[name] = _digit(knuckle, np.array([0.3 * x * spread, -0.05, 2.6]), length * whole * np.array([0.42, 0.32, 0.26]), radii,
                              turned(X_AXIS, bend))
    thumb = length**0.5 * np.array([1.6, 1.35, 1.05])
    chains["thumb"] = _digit(np.array([0.7, -0.2, 0.6]), np.array([1.2, -0.4, 1.1]), thumb, thick * np.array([0.6, 0.52, 0.45, 0.36]),
                             turned(-Y_AXIS, 0.3 * bend))
    return chains


def _digit(start: FloatArray, way: FloatArray, lengths: FloatArray, radii: FloatArray, bend: FloatArray) -> LimbChain:
    points, way = [start], way / np.linalg.norm(way)
    for length in lengths:
        points.append(points[-1] + length * way)
        way = bend @ way
    return LimbChain(np.array(points), radii)


def hand_part(bend: float, cells: int = 150, **fingers: float) -> Part:
    """Such a hand on a forearm."""
    chains = bent_hand(bend, **fingers) | {"forearm": _chain([[0, 0, -5], [0, 0, -2.5], [0, 0, 0]], [1.3, 1.15, 0.95])}
    return _part(grown(chains, 0.25, cells), chains, {"wrist": [0.0, 0.0, 0.1]}, _tips(("thumb", *FINGER_LENGTHS)))


def arm_part(shoulder: Sequence[float], elbow: Sequence[float], wrist: Sequence[float], bend: float = 0.0, cells: int = 200) -> Part:
    """Such a hand on an arm through three points, seen from above."""
    begin, middle, end = (np.array(point, dtype=np.float64) for point in (shoulder, elbow, wrist))
    along = (end - middle) / np.linalg.norm(end - middle)
    beside = Y_AXIS - (Y_AXIS @ along) * along
    beside /= np.linalg.norm(beside)
    chains = placed(bent_hand(bend), np.column_stack([np.cross(beside, along), beside, along]), end)
    chains |= {"forearm": _chain([middle, 0.5 * (middle + end), end], [1.25, 1.3, 0.95]),
               "upper arm": _chain([begin, 0.5 * (begin + middle), middle], [1.6, 1.5, 1.25])}
    seen = {"shoulder": begin + 0.1 * (middle - begin), "elbow": middle, "wrist": end + 0.1 * along}
    return _part(grown(chains, 0.25, cells), chains, seen, _tips(("thumb", *FINGER_LENGTHS)), FROM_ABOVE)


def toed_foot(length: float = 1.0, thick: float = 1.0, width: float = 1.0) -> dict[str, LimbChain]:
    """A foot of three toes toward -y under its ankle; length, thick, width : of the toes and their row."""
    chains = {"heel": _chain([[0, 0, 0], [0, 0.9, -1.1]], [1.0, 0.9]),
              "instep": _chain([[0, 0, 0], [0, -2.0, -0.8], [0, -3.4, -1.3]], [1.1, 1.0, 0.75])}
    for name, x in zip(TOES, width * np.array([-1.25, 0.0, 1.25]), strict=True):
        radius = 0.6 * thick
        chains[f"in {name}"] = _chain([[0.4 * x, -1.5, -0.8], [x, -3.6, -1.35]], [0.8, radius])
        chains[name] = _chain([[x, -3.6, -1.35], [1.12 * x, -3.6 - length, -1.4], [1.2 * x, -3.6 - 1.9 * length, -1.5]],
                              radius * np.array([1, 0.88, 0.72]))
    return chains


def foot_part(down: float, cells: int = 130, **toes: float) -> Part:
    """Such a foot under a shin, its toes pointing down by some degrees."""
    chains = placed(toed_foot(**toes), turned(X_AXIS, down), np.zeros(3))
    chains["shin"] = _chain([[0, 0, 8], [0, 0.3, 4], [0, 0, 0]], [1.6, 1.5, 1.1])
    return _part(grown(chains, 0.22, cells), chains, {"shin": [0.0, 0.2, 6.8], "ankle": [0.0, 0.1, 0.3]}, _tips(TOES), FROM_THE_SIDE)


def biped_part(droop: float, limbs: float = 1.0, girth: float = 1.0, cells: int = 200) -> Part:
    """A whole body with five-fingered hands and three-toed feet.

    droop : degrees of the arms below the horizontal: 0 in a T-pose, 45 in an A-pose
    limbs, girth : length of the arms and thickness of the trunk
    """
    chains = {"neck": _chain([[0, 0, 20], [0, 0, 17.2]], [1.2, 1.3]),
              "trunk": _chain([[0, 0, 16.6], [0, 0.1, 14.5], [0, 0, 11.5], [0, 0, 9.6]], girth * np.array([1.9, 2.4, 2.0, 2.2]))}
    way = np.array([np.cos(np.radians(droop)), 0, -np.sin(np.radians(droop))])
    shoulder = np.array([2.2 * girth, 0, 15.8])
    elbow, wrist = shoulder + 4.6 * limbs * way, shoulder + 8.8 * limbs * way
    side = {"upper arm": _chain([shoulder, elbow], [1.2 * girth**0.5, 0.95 * girth**0.5]), "forearm": _chain([elbow, wrist], [0.95, 0.6]),
            "thigh": _chain([[1.4 * girth, 0, 9.2], [1.8, -0.2, 4.6]], [1.5 * girth**0.5, 1.1 * girth**0.5]),
            "shin": _chain([[1.8, -0.2, 4.6], [1.9, 0.1, 0.9]], [1.1, 0.75]), **placed(toed_foot(), np.eye(3), [1.9, 0.1, 0.95], 0.55),
            **placed(bent_hand(10.0), np.column_stack([-Y_AXIS, np.cross(way, -Y_AXIS), way]), wrist, 0.5)}
    for sign in (1, -1):
        chains |= {f"{name} {sign:+d}": LimbChain(chain.joints * [sign, 1, 1], chain.radii) for name, chain in side.items()}
    seen = {"neck": [0, 0, 19], "collar": [0, 0, 17], "pelvis": [0, 0, 9.8], "shoulder": shoulder + 0.7 * way, "elbow": elbow,
            "wrist": wrist + 0.1 * way, "hip": [1.5 * girth, 0, 9], "knee": [1.8, 0, 4.6], "ankle": [1.9, 0, 1.6]}
    return _part(grown(chains, 0.3, cells), chains, seen, {f"{name} tip": f"{name} +1" for name in (*FINGER_LENGTHS, "thumb", *TOES)})
