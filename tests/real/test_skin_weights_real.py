"""Skin weights of cages of the open base mesh: they rise nowhere much faster than across a joint's own blend."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.plan import read_plan
from ringwright.core.skeleton import skeleton_of
from ringwright.core.skin_weights import ancestry, bind, joint_blends, nearest_bones
from support.open_data import require_base_mesh
from support.real_cases import built_case, real_case

pytestmark = pytest.mark.real

STEEPEST = 1.3
"""A blend's steepest slope, widths: its ramp rises by 1 / (1 - 0.15) a width, seen a little aslant."""


@pytest.mark.parametrize("name", ["arm_right", "leg_right"])
def test_inner_joints_of_limbs_pass_their_weight_on_without_a_jump(name: str) -> None:
    """The thumb's middle joint lies beside the border of thumb and palm: there neighbours differed by 0.99."""
    require_base_mesh()
    case = real_case(name)
    quads = case.comparable().face_count
    mesh, skeleton = built_case(name, quads).mesh, skeleton_of(read_plan(case.plan(quads)))
    blends = joint_blends(mesh, skeleton, nearest_bones(mesh, skeleton))
    table, below = bind(mesh, skeleton, blends).dense(len(skeleton.bones)), ancestry(skeleton.parents)
    ends = build_adjacency(mesh).edge_verts
    lengths = np.linalg.norm(np.diff(mesh.positions[ends], axis=1)[:, 0], axis=1)
    inner = [index for index in skeleton.joints() if not skeleton.bones[index].is_branch]
    assert len(inner) > 10
    for index in inner:
        moved = table[:, below[:, index]].sum(axis=1)[ends]
        rise = np.abs(moved[:, 1] - moved[:, 0])
        assert (rise <= STEEPEST * lengths / (2 * blends[index].half_width) + 0.1).all(), skeleton.bones[index].name
