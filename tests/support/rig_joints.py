"""The rig's bending joints and how far a cage's poles lie from them, told without the core's own zones.

A joint's plane stands square to the bisector of its two bones. Cage edges that cross the plane run along
the limb; their mean length along the bisector is the height of a row there, the unit of the distances.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import BoolArray, FloatArray, PolyMesh
from support.real_cases import RealCase
from support.reference_surface import ReferenceSurface

TRUNK_REACH = 3.0  # limb radii round a trunk's joint within which every pole counts: digits lie farther off
ROW_REACH = 1.8  # limb radii round a joint within which an edge that crosses its plane belongs to that limb
RAYS = 32


@dataclass(frozen=True)
class RigJoint:
    """Where two bones of a limb, or of two spliced limbs, meet.

    digit : name of the digit; empty for a trunk's joint (elbow, wrist, knee, ankle)
    place, axis : (3,) float64, the joint and the bisector of its bones
    """

    name: str
    digit: str
    place: FloatArray
    axis: FloatArray


def trunk_joints(case: RealCase) -> list[RigJoint]:
    """Elbow and wrist, or knee and ankle: where the case's first three limbs meet."""
    names = list(case.limbs)[:3]
    return [_joint(f"{lower} to {upper}", "", np.concatenate([case.limbs[lower].joints[-2:], case.limbs[upper].joints[1:2]]))
            for lower, upper in pairwise(names)]


def digit_joints(case: RealCase) -> list[RigJoint]:
    """Every joint between two bones of a digit."""
    return [_joint(f"{name} {index}", name, case.limbs[name].joints[index - 1 : index + 2])
            for name in digit_names(case) for index in range(1, len(case.limbs[name].joints) - 1)]


def digit_names(case: RealCase) -> list[str]:
    """Names of the limbs with a closed tip."""
    return [name for name, limb in case.limbs.items() if limb.tip == "closed"]


def rows_to_nearest_pole(cage: PolyMesh, case: RealCase, joint: RigJoint) -> float:
    """Distance along the limb from a joint to the nearest pole of that limb, rows of quads.

    Of a digit's joint the poles count that lie nearer to that digit's bones than to any other digit's.
    """
    adjacency = build_adjacency(cage)
    poles = cage.positions[(adjacency.valence != 4) & ~adjacency.boundary_vertex]
    radius = limb_radius(cage, joint)
    if joint.digit:
        digits = digit_names(case)
        nearest = np.argmin([_distances(poles, case.limbs[name].joints) for name in digits], axis=0)
        counts: BoolArray = nearest == digits.index(joint.digit)
    else:
        counts = np.linalg.norm(poles - joint.place, axis=1) < TRUNK_REACH * radius
    along = np.abs((poles[counts] - joint.place) @ joint.axis)
    return float(along.min() / _row_height(cage, adjacency.edge_verts, joint, radius))


def limb_radius(cage: PolyMesh, joint: RigJoint) -> float:
    """Middle distance from a joint to the skin, square to its axis."""
    across = np.cross(joint.axis, np.eye(3)[np.argmin(np.abs(joint.axis))])
    across /= np.linalg.norm(across)
    turns = 2.0 * np.pi * np.arange(RAYS)[:, None] / RAYS
    directions = np.cos(turns) * across + np.sin(turns) * np.cross(joint.axis, across)
    hits = ReferenceSurface.from_mesh(cage).cast(np.repeat(joint.place[None], RAYS, axis=0), directions)
    return float(np.median(hits.distances))


def _row_height(cage: PolyMesh, edges: FloatArray, joint: RigJoint, radius: float) -> float:
    ends = cage.positions[edges] - joint.place
    along = ends @ joint.axis
    crossing = (along[:, 0] * along[:, 1] < 0.0) & (np.linalg.norm(ends.mean(axis=1), axis=1) < ROW_REACH * radius)
    return float(np.abs(along[crossing, 0] - along[crossing, 1]).mean())


def _joint(name: str, digit: str, joints: FloatArray) -> RigJoint:
    bones = np.diff(joints, axis=0)
    bones /= np.linalg.norm(bones, axis=1, keepdims=True)
    axis = bones.sum(axis=0)
    return RigJoint(name, digit, joints[1], axis / np.linalg.norm(axis))


def _distances(points: FloatArray, chain: FloatArray) -> FloatArray:
    """Distance of (n, 3) points from the nearest bone of a chain, (n,) float64."""
    starts, bones = chain[:-1], np.diff(chain, axis=0)
    offsets = points[:, None] - starts
    places = np.clip(np.einsum("pij,ij->pi", offsets, bones) / np.einsum("ij,ij->i", bones, bones), 0.0, 1.0)
    return np.asarray(np.linalg.norm(offsets - places[..., None] * bones, axis=2).min(axis=1))
