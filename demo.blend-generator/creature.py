"""The invented creature's right forelimb as data: joint chains, flesh and skin, in metres.

Axes: the limb reaches along +x, the back of the hand looks up (+z), the thumb points to +y.
Everything is worked out from the bone lengths and angles written here; nothing is read from a file.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Place = tuple[float, float, float]

SHOULDER = np.array([0.0, 0.0, 0.24])
CUT_BEFORE_SHOULDER = 0.03
"""Metres between the flat cut and the shoulder joint, so that the joint lies inside the flesh."""


@dataclass(frozen=True)
class Bone:
    """A straight piece of flesh: a segment with a radius that changes along it.

    start, end : (3,) float64, metres
    radii : metres, evenly spaced from start to end
    """

    start: FloatArray
    end: FloatArray
    radii: tuple[float, ...]


@dataclass(frozen=True)
class Flesh:
    """Bones that melt into each other, then into all flesh before them.

    name : what it is
    bones : the pieces
    melt : metres over which the bones of this flesh blend together
    join : metres over which the whole blends with the flesh before it
    """

    name: str
    bones: tuple[Bone, ...]
    melt: float
    join: float


@dataclass(frozen=True)
class Digit:
    """One digit as numbers.

    forward, across, rise : metres from the wrist to its first joint, in the hand's frame
    splay, pitch : degrees, sideways to the thumb's side and upwards
    lengths : metres, bone by bone
    curls : degrees, how far each bone turns down against the one before
    radii : metres, at every joint and then at the bulb
    """

    forward: float
    across: float
    rise: float
    splay: float
    pitch: float
    lengths: tuple[float, ...]
    curls: tuple[float, ...]
    radii: tuple[float, ...]


DIGITS: dict[str, Digit] = {
    "little": Digit(0.140, -0.101, -0.010, -17.0, -1.0, (0.088, 0.062, 0.046), (5.0, 14.0, 14.0), (0.0285, 0.0260, 0.0230, 0.0262)),
    "ring": Digit(0.158, -0.035, 0.002, -6.0, 1.0, (0.108, 0.076, 0.054), (5.0, 14.0, 15.0), (0.0305, 0.0280, 0.0248, 0.0285)),
    "middle": Digit(0.162, 0.035, 0.003, 5.0, 2.0, (0.114, 0.081, 0.056), (5.0, 13.0, 15.0), (0.0315, 0.0285, 0.0252, 0.0290)),
    "index": Digit(0.150, 0.102, -0.006, 16.0, 1.0, (0.100, 0.072, 0.052), (5.0, 13.0, 14.0), (0.0310, 0.0280, 0.0248, 0.0285)),
}
"""The fork's branches, in order across the palm."""

THUMB = Digit(0.010, 0.046, -0.014, 49.0, -7.0, (0.118, 0.084, 0.058), (0.0, 6.0, 12.0), (0.0390, 0.0320, 0.0270, 0.0310))


def direction(yaw: float, pitch: float) -> FloatArray:
    """Unit vector along +x, turned ``yaw`` degrees to +y and ``pitch`` degrees to +z, (3,) float64."""
    turn, lift = np.radians(yaw), np.radians(pitch)
    return np.asarray([np.cos(lift) * np.cos(turn), np.cos(lift) * np.sin(turn), np.sin(lift)], dtype=np.float64)


UPPER_ARM_DIRECTION = direction(-3.0, -27.0)
FOREARM_DIRECTION = direction(3.0, 1.0)
HAND_YAW, HAND_PITCH = 4.0, -9.0
ELBOW = SHOULDER + 0.38 * UPPER_ARM_DIRECTION
WRIST = ELBOW + 0.37 * FOREARM_DIRECTION
KNUCKLES = WRIST + 0.155 * direction(HAND_YAW, HAND_PITCH)


def hand_frame() -> FloatArray:
    """The hand's axes as rows: forward, to the thumb's side, up; (3, 3) float64."""
    forward = direction(HAND_YAW, HAND_PITCH)
    across = np.cross([0.0, 0.0, 1.0], forward)
    across /= np.linalg.norm(across)
    return np.stack([forward, across, np.cross(forward, across)])


def in_hand(forward: float, across: float, rise: float) -> FloatArray:
    """The point that lies so many metres from the wrist along the hand's axes, (3,) float64."""
    return np.asarray(WRIST + np.array([forward, across, rise]) @ hand_frame())


def digit_joints(digit: Digit) -> FloatArray:
    """Joints of one digit from its root to the middle of its bulb, (k, 3) float64, metres."""
    frame = hand_frame()
    joints = [in_hand(digit.forward, digit.across, digit.rise)]
    pitch = digit.pitch
    for length, curl in zip(digit.lengths, digit.curls, strict=True):
        pitch -= curl
        joints.append(joints[-1] + length * (direction(digit.splay, pitch) @ frame))
    return np.array(joints)


def joint_chains() -> dict[str, FloatArray]:
    """Joints of every limb from its root end to its tip end, name to (k, 3) float64, metres."""
    chains = {
        "upper_arm": np.array([SHOULDER, ELBOW]),
        "forearm": np.array([ELBOW, WRIST]),
        "palm": np.array([WRIST, KNUCKLES]),
    }
    chains.update({name: digit_joints(digit) for name, digit in DIGITS.items()})
    chains["thumb"] = digit_joints(THUMB)
    return chains


def cut_plane() -> tuple[FloatArray, FloatArray]:
    """A point of the flat cut at the shoulder and the cut's normal, which looks into the limb; each (3,) float64."""
    return SHOULDER - CUT_BEFORE_SHOULDER * UPPER_ARM_DIRECTION, UPPER_ARM_DIRECTION


def flesh() -> tuple[Flesh, ...]:
    """All flesh of the forelimb in the order in which it melts together."""
    digits = tuple(Flesh(name, _digit_bones(digit), 0.012, 0.020) for name, digit in DIGITS.items())
    return (_upper_arm(), _forearm(), _palm(), *digits, Flesh("thumb", _digit_bones(THUMB), 0.014, 0.026), _webs(), _tendons())


def _muscle(start: FloatArray, end: FloatArray, head: Place, tail: Place, radii: tuple[float, ...]) -> Bone:
    """A belly beside the line from start to end, between two places (fraction of the line, metres up, metres across)."""
    line = end - start
    axis = line / np.linalg.norm(line)
    across = np.cross([0.0, 0.0, 1.0], axis)
    across /= np.linalg.norm(across)
    up = np.cross(axis, across)
    ends = [start + fraction * line + rise * up + side * across for fraction, rise, side in (head, tail)]
    return Bone(ends[0], ends[1], radii)


def _upper_arm() -> Flesh:
    root, elbow = SHOULDER, ELBOW
    bones = (
        _muscle(root, elbow, (-0.30, 0.0, 0.0), (1.0, 0.0, 0.0), (0.090, 0.088, 0.078, 0.066, 0.058, 0.055)),
        _muscle(root, elbow, (0.22, 0.030, 0.010), (0.88, 0.022, 0.004), (0.030, 0.052, 0.058, 0.050, 0.026)),
        _muscle(root, elbow, (0.05, -0.032, -0.016), (0.92, -0.020, -0.006), (0.040, 0.058, 0.056, 0.042, 0.024)),
        _muscle(root, elbow, (0.08, -0.022, 0.030), (0.70, -0.012, 0.020), (0.036, 0.050, 0.048, 0.026)),
        _muscle(root, elbow, (-0.30, 0.030, -0.012), (0.34, 0.014, -0.030), (0.066, 0.070, 0.058, 0.028)),
    )
    return Flesh("upper_arm", bones, 0.026, 0.02)


def _forearm() -> Flesh:
    elbow, wrist = ELBOW, WRIST
    bones = (
        _muscle(elbow, wrist, (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.060, 0.066, 0.065, 0.057, 0.049, 0.044)),
        _muscle(elbow, wrist, (-0.06, 0.022, 0.030), (0.74, 0.014, 0.032), (0.028, 0.054, 0.062, 0.052, 0.028)),
        _muscle(elbow, wrist, (0.04, 0.026, -0.018), (0.78, 0.018, -0.018), (0.032, 0.052, 0.056, 0.046, 0.026)),
        _muscle(elbow, wrist, (0.02, -0.032, 0.004), (0.80, -0.016, 0.004), (0.040, 0.060, 0.060, 0.046, 0.026)),
        _muscle(elbow, wrist, (-0.06, -0.034, -0.016), (0.10, -0.026, -0.014), (0.036, 0.044, 0.036)),
        _muscle(elbow, wrist, (0.62, 0.0, 0.026), (1.02, 0.002, 0.033), (0.034, 0.036, 0.040)),
        _muscle(elbow, wrist, (0.62, 0.0, -0.024), (1.02, 0.004, -0.033), (0.032, 0.036, 0.042)),
    )
    return Flesh("forearm", bones, 0.024, 0.032)


def _palm() -> Flesh:
    bones = []
    for digit in DIGITS.values():
        root = in_hand(-0.005, 0.30 * digit.across, 0.0)
        bones.append(Bone(root, in_hand(digit.forward + 0.004, digit.across, digit.rise), (0.040, 0.036, 0.035, 0.035)))
        pad = in_hand(digit.forward - 0.022, 0.98 * digit.across, digit.rise - 0.024)
        bones.append(Bone(pad, pad + 0.016 * hand_frame()[0], (0.022, 0.023)))
    bones.append(Bone(in_hand(0.035, -0.050, -0.018), in_hand(0.110, -0.080, -0.020), (0.026, 0.032, 0.026)))
    bones.append(Bone(in_hand(0.040, 0.0, -0.012), in_hand(0.130, 0.0, -0.014), (0.030, 0.030, 0.028)))
    bones.append(Bone(in_hand(0.132, -0.086, -0.018), in_hand(0.142, 0.076, -0.016), (0.024, 0.028, 0.028, 0.024)))
    return Flesh("palm", tuple(bones), 0.026, 0.036)


def _digit_bones(digit: Digit) -> tuple[Bone, ...]:
    """Bones with knuckles, a waist between two of them, a bulb at the end, and pads underneath."""
    joints = digit_joints(digit)
    under = -hand_frame()[2]
    bones = []
    for index in range(len(joints) - 1):
        near, far = digit.radii[index], digit.radii[index + 1]
        waist = 0.89 * (near + far) / 2.0
        last = index == len(joints) - 2
        radii = (near, 0.92 * near, 0.98 * far, far) if last else (near, waist, waist, far)
        start, line = joints[index], joints[index + 1] - joints[index]
        bones.append(Bone(start, start + line, radii))
        pad = 0.62 * (near + far) / 2.0
        bones.append(Bone(start + 0.30 * line + 0.42 * near * under, start + 0.80 * line + 0.42 * far * under, (0.8 * pad, pad, 0.8 * pad)))
    for joint, radius in zip(joints[:-1], digit.radii[:-1], strict=True):
        knob = joint - 0.40 * radius * under
        bones.append(Bone(knob - 0.1 * radius * line, knob + 0.1 * radius * line, (0.70 * radius, 0.70 * radius)))
    bulb = digit.radii[-1]
    bones.append(Bone(joints[-1], joints[-1] + 0.36 * line, (bulb, 0.90 * bulb, 0.66 * bulb)))
    return tuple(bones)


def _webs() -> Flesh:
    """Skin between neighbouring digits, round the knuckles."""
    roots = list(DIGITS.values())
    bones = []
    for first, second in pairwise(roots):
        forward, across = (first.forward + second.forward) / 2.0, (first.across + second.across) / 2.0
        bones.append(Bone(in_hand(forward - 0.030, across, -0.008), in_hand(forward, 1.02 * across, -0.010), (0.022, 0.014)))
    return Flesh("webs", tuple(bones), 0.010, 0.016)


def _tendons() -> Flesh:
    """Ridges on the back of the hand that run from the wrist to the knuckles."""
    bones = []
    for digit in DIGITS.values():
        start = in_hand(0.025, 0.42 * digit.across, 0.034)
        bones.append(Bone(start, in_hand(digit.forward - 0.008, digit.across, digit.rise + 0.029), (0.006, 0.008, 0.009)))
    return Flesh("tendons", tuple(bones), 0.010, 0.016)
