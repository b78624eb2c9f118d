"""What would help a joint that does not bend well: told from the rows that its bend has, the poles in its crease and how its ring goes."""

from __future__ import annotations

import numpy as np

from .adjacency import build_adjacency
from .flex import Flex, JointFlex, Skinned
from .polymesh import FloatArray
from .skeleton import Bone

FEW_ROWS = 3
"""Fewer rows on one side of a joint cut the bend's corner (common practice: three loops round a joint; measured on an arm and a leg, where
a row more helps joints that have fewer and does nothing for others)."""
DRIFTS = 0.25
"""A ring that leaves the plane that halves the bend by more than this share of the limb's radius does not lie on its joint."""
LENGTHWISE = 0.5
"""An edge runs along a limb where it rises by more than this share of its length."""
OUT_OF_CREASE = ("Move the step-down or the branch away from the inner side of the bend: raise joint_loops of the limbs that meet "
                 "there, or give them more spans.")
TRY = "Improve Bends tries what helps, within the budget."


def advice(flex: Flex, joint: JointFlex) -> str:
    """What would help a joint that does not bend well."""
    bone = flex.skinned.skeleton.bones[joint.bone]
    if bone.is_branch:
        return f'Move the joint along its bone, or raise joint_loops of "{bone.limb}" and of its trunk. {TRY}'
    if joint.worst.loop_drift > DRIFTS:
        return f'Move the joint of "{bone.limb}" to the middle of its ring, or build the cage anew from this plan.'
    if len(joint.crease_poles):
        return f"{OUT_OF_CREASE} {TRY}"
    few = [f'on bone {number} of "{name}"' for rows, (name, number) in
           zip(rows_in_bend(flex.skinned, joint.bone), _bones_beside(flex, bone), strict=True) if rows < FEW_ROWS]
    if few:
        return f"Give the bend more rows, {' and '.join(few)}: raise spans, and the budget where there is one. {TRY}"
    return f"The bend has rows enough; move the joint along its bone to where the limb is fuller. {TRY}"


def _bones_beside(flex: Flex, bone: Bone) -> tuple[tuple[str, int], tuple[str, int]]:
    """Limb and number, counted from 1, of the bones before and behind a joint."""
    before = flex.skinned.skeleton.bones[bone.parent]
    return (before.limb, before.place + 1), (bone.limb, bone.place + 1)


def rows_in_bend(cage: Skinned, index: int) -> tuple[float, float]:
    """Rows of quads that the skin blends over before and behind a joint, not rounded: as many as rows of their mean height there fill."""
    bone, blending = cage.skeleton.bones[index], cage.blends[index]
    height = (cage.mesh.positions - bone.head) @ blending.plane
    edges = build_adjacency(cage.mesh).edge_verts
    edges = edges[np.isin(cage.nearest, [index, bone.parent])[edges].all(axis=1)]
    rise = np.abs(height[edges[:, 1]] - height[edges[:, 0]])
    lengths = np.linalg.norm(cage.mesh.positions[edges[:, 1]] - cage.mesh.positions[edges[:, 0]], axis=1)
    middles = height[edges].mean(axis=1)
    along = (rise > LENGTHWISE * lengths) & (np.abs(middles) <= blending.half_width)
    return _rows(rise[along & (middles < 0.0)], blending.half_width), _rows(rise[along & (middles >= 0.0)], blending.half_width)


def _rows(heights: FloatArray, width: float) -> float:
    return width / float(heights.mean()) if len(heights) else 0.0
