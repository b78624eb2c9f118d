"""Sizes of limbs: where they bend, how far the bends reach and how much of them lies inside a trunk."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.bend_rows import BLEND_RADII, BLEND_SHARE, ROOT_DEPTH, JointTurn, bend_rows, root_rows_share
from ringwright.core.joint_motion import JOINT_RANGES
from ringwright.core.limb_size import limb_sizes
from ringwright.core.plan import Fork, Limb, LimbPlan, Splice
from ringwright.core.polymesh import PolyMesh
from ringwright.core.skeleton import skeleton_of
from ringwright.core.skin_weights import joint_blends, nearest_bones
from support.random_plans import RoundLimb

UP = np.array([0.0, 0.0, 1.0])
OTHER = JointTurn(JOINT_RANGES["other"].flex, 0.0)
OTHER_ROWS = bend_rows(OTHER)


def test_only_joints_between_bones_bend_and_blends_share_short_bones() -> None:
    shape = RoundLimb(np.zeros(3), UP, 30.0, 1.0, 3)
    plan = LimbPlan((Limb("stalk", shape.joints, tip="closed"),))
    size = limb_sizes(plan, {"stalk": shape.measure(closed=True)})["stalk"]
    np.testing.assert_allclose(size.bend_reaches, BLEND_RADII * np.array([[0, 1], [1, 1], [1, 0]]))
    np.testing.assert_allclose(size.bend_rows, OTHER_ROWS * np.array([[0, 1], [1, 1], [1, 0]]))
    stocky = replace(shape, length=4.5)
    plan = replace(plan, limbs=(replace(plan.limbs[0], joints=stocky.joints),))
    short = limb_sizes(plan, {"stalk": stocky.measure(closed=True)})["stalk"]
    assert short.bend_reaches[1].sum() <= 1.5 + 1e-9 and (short.bend_reaches[1] > 0).all()
    assert (short.bend_reaches[[0, 2], [1, 0]] <= BLEND_SHARE * 1.5 + 1e-9).all()


def test_rings_spaced_evenly_know_no_bends() -> None:
    shape = RoundLimb(np.zeros(3), UP, 30.0, 1.0, 3)
    plan = LimbPlan((Limb("stalk", shape.joints, joint_loops=0),))
    assert not limb_sizes(plan, {"stalk": shape.measure(closed=False)})["stalk"].bend_rows.any()


@pytest.mark.parametrize("depth", [0.0, 0.8, 5.0])
def test_a_branchs_root_bends_its_trunk_as_far_as_it_lies_inside(depth: float) -> None:
    """Two branches whose first joints lie ``depth`` under their first rings: what the trunk and the branch get makes one whole bend."""
    trunk = RoundLimb(np.zeros(3), UP, 40.0, 2.0, 2)
    branches = {name: RoundLimb(np.array([side, 0.0, 40.0]), UP, 30.0, 1.0, 2) for name, side in (("left", -1.5), ("right", 1.5))}
    inside = {name: Limb(name, np.concatenate([[shape.joints[0] - depth * UP], shape.joints[1:]]), tip="closed")
              for name, shape in branches.items()}
    plan = LimbPlan((Limb("trunk", trunk.joints), *inside.values()), (Fork("trunk", ("left", "right")),))
    measures = {"trunk": trunk.measure(closed=False), **{name: shape.measure(closed=True) for name, shape in branches.items()}}
    sizes = limb_sizes(plan, measures)
    reach = BLEND_RADII * ROOT_DEPTH
    assert sizes["left"].bend_reaches[0, 0] == pytest.approx(max(reach - depth, 0.0))
    assert sizes["trunk"].bend_reaches[-1, 1] == pytest.approx(reach + min(depth, reach))
    assert sizes["trunk"].bend_rows[-1, 1] == pytest.approx((1 + min(depth / reach, 1)) * root_rows_share(OTHER) * OTHER_ROWS)


def test_both_sides_of_a_splice_bend_alike() -> None:
    lower, upper = RoundLimb(np.zeros(3), UP, 20.0, 1.0, 1), RoundLimb(20.0 * UP, UP, 20.0, 1.0, 1)
    plan = LimbPlan((Limb("upper_arm", lower.joints), Limb("forearm", upper.joints)), splices=(Splice("forearm", "upper_arm"),))
    sizes = limb_sizes(plan, {"upper_arm": lower.measure(closed=False), "forearm": upper.measure(closed=False)})
    assert sizes["upper_arm"].bends(0)[1] == sizes["forearm"].bends(0)[0]
    assert sizes["forearm"].bends(0)[0].rows == pytest.approx(bend_rows(JointTurn(JOINT_RANGES["elbow"].flex, 0.0)))


@pytest.mark.parametrize(("name", "straight", "bent"), [("stalk", 45.0, 90.0), ("tail", 30.0, 90.0), ("spine", 15.0, 105.0)])
def test_a_joint_that_is_bent_as_it_stands_gets_rows_for_both_angles(name: str, straight: float, bent: float) -> None:
    """Ranges from the pose at rest come on top of the bend there; those that are counted from a straight limb hold it."""
    chains = (np.array([[0.0, 0, 0], [0, 0, 10], [side, 0, 10 + up]]) for side, up in ((0.0, 10.0), (10.0, 0.0)))
    shape = RoundLimb(np.zeros(3), UP, 20.0, 1.0, 2)
    rows = [limb_sizes(LimbPlan((Limb(name, joints),)), {name: shape.measure(closed=False)})[name].bend_rows[0, 1] for joints in chains]
    np.testing.assert_allclose(rows, [bend_rows(JointTurn(straight, 0.0)), bend_rows(JointTurn(bent, 90.0))])
    assert rows[1] > 1.5 * rows[0]


def test_bends_reach_as_far_as_the_skin_weights_of_the_same_limbs_blend() -> None:
    """A thick limb spliced to a thin one with a bone each: the blend takes the mean of both bones' radii."""
    lower, upper = RoundLimb(np.zeros(3), UP, 20.0, 2.0, 1), RoundLimb(20.0 * UP, UP, 20.0, 1.0, 1)
    plan = LimbPlan((Limb("upper_arm", lower.joints), Limb("forearm", upper.joints)), splices=(Splice("forearm", "upper_arm"),))
    measures = {"upper_arm": lower.measure(closed=False), "forearm": upper.measure(closed=False)}
    sizes = limb_sizes(plan, measures)
    skin = [np.concatenate([shape.joints[0] + [0, 0, along] + shape.radius * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
                            for along in np.linspace(0.0, 20.0, 9)]) for shape in (lower, upper) for turn in [np.arange(12) * np.pi / 6]]
    quads = np.concatenate([start + 12 * row + np.column_stack([np.arange(12), (np.arange(12) + 1) % 12, 12 + (np.arange(12) + 1) % 12,
                                                               12 + np.arange(12)]) for start in (0, 108) for row in range(8)])
    mesh = PolyMesh.from_quads(np.concatenate(skin), quads.astype(np.int32))
    mesh = mesh.with_attributes(vertex__limb=np.repeat(np.arange(2, dtype=np.int32), 108))
    skeleton = skeleton_of(plan)
    blend = joint_blends(mesh, skeleton, nearest_bones(mesh, skeleton))[skeleton.joints()[0]]
    assert sizes["forearm"].bend_reaches[0, 0] == pytest.approx(blend.half_width, rel=0.01)
    assert sizes["upper_arm"].bend_reaches[0, 1] == pytest.approx(blend.half_width, rel=0.01)
