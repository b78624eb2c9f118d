"""Bending against closed forms of linear blending.

Source: Kavan, Collins, Žára, O'Sullivan, "Skinning with Dual Quaternions", I3D 2007, on the collapse of linear
blending; the formulae for a half-half blend are derived here: the mean of the identity and a turn by theta about
an axis keeps lengths along the axis and scales across it by cos(theta / 2).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from ringwright.core.errors import ProfileError
from ringwright.core.flex import Skinned, faces_in_contact, flex_test, posed, skinned
from ringwright.core.joint_motion import JOINT_RANGES, JointRange, joint_role, read_joint_ranges
from ringwright.core.plan import Limb, LimbPlan, Socket
from ringwright.core.poses import blend, bone_motions, motions_of, resting_flexion, rotation, set_poses
from ringwright.core.skeleton import skeleton_of
from ringwright.core.skin_weights import SkinWeights, bind, rounded_ramp
from support.invented_hand import hand
from support.tubes import tube

SIDES, RINGS = 24, 81


def bent_tube(*, slightly: float = 0.0, sides: int = SIDES, rings: int = RINGS, spacing: float = 0.1) -> Skinned:
    """A round tube along z of radius 1 over two bones whose joint is half way; it flexes toward +y."""
    mesh = tube(sides, rings, spacing=spacing)
    half = 0.5 * spacing * (rings - 1)
    plan = LimbPlan((Limb("tube", np.array([[0, -slightly, 0], [0, 0, half], [0, -slightly, 2 * half]]), sides=sides),))
    return skinned(mesh, skeleton_of(plan))


def ring_of(cage: Skinned, index: int) -> np.ndarray:
    return np.arange(index * SIDES, (index + 1) * SIDES)


@pytest.mark.parametrize("degrees", [30, 90, 120, 145, 180])
def test_middle_ring_of_a_bend_shrinks_by_the_cosine_of_half_the_angle(degrees: float) -> None:
    cage = bent_tube()
    middle = ring_of(cage, RINGS // 2)
    assert np.allclose(cage.weights.dense(2)[middle], 0.5)
    hinge, head = cage.skeleton.bones[1].hinge, cage.skeleton.bones[1].head
    after = posed(cage, {1: (degrees, 0, 0)}).positions[middle] - head
    before = cage.mesh.positions[middle] - head
    turned = before @ rotation(hinge, degrees / 2).T
    along = (turned @ hinge)[:, None] * hinge
    assert np.allclose(after, along + np.cos(np.radians(degrees / 2)) * (turned - along), atol=1e-12)


@pytest.mark.parametrize("degrees", [60, 90, 120, 180])
def test_middle_ring_of_a_twist_shrinks_all_round_and_collapses_at_a_half_turn(degrees: float) -> None:
    cage = bent_tube()
    middle = ring_of(cage, RINGS // 2)
    after = posed(cage, {1: (0, 0, degrees)}).positions[middle]
    assert np.allclose(np.linalg.norm(after[:, :2], axis=1), abs(np.cos(np.radians(degrees / 2))), atol=1e-12)
    assert np.allclose(after[:, 2], cage.mesh.positions[middle, 2])


@pytest.mark.parametrize(("share", "degrees"), [(0.5, 90), (0.25, 120), (0.1, 180)])
def test_any_blend_scales_as_the_closed_form_says(share: float, degrees: float) -> None:
    """sqrt(1 - 2 w (1 - w) (1 - cos theta)) across the axis, 1 along it."""
    cage = bent_tube()
    point = np.array([[0.3, 0.7, 4.0]])
    weights = SkinWeights(np.array([[0, 1, 0, 0]], dtype=np.int32), np.array([[share, 1 - share, 0, 0]]))
    moved = blend(point, weights, *bone_motions(cage.skeleton, {1: (0, 0, degrees)}))[0]
    expected = np.sqrt(1 - 2 * share * (1 - share) * (1 - np.cos(np.radians(degrees))))
    assert np.hypot(*moved[:2]) == pytest.approx(expected * np.hypot(0.3, 0.7)) and moved[2] == pytest.approx(4.0)


def test_rigid_skin_keeps_its_shape_and_both_ends_their_place() -> None:
    cage = bent_tube()
    after = posed(cage, {1: (110, 20, 0)}).positions
    assert np.allclose(after[: SIDES * 20], cage.mesh.positions[: SIDES * 20])
    last = cage.mesh.positions[-SIDES:]
    moved = after[-SIDES:]
    assert np.allclose(np.linalg.norm(moved[:, None] - moved, axis=2), np.linalg.norm(last[:, None] - last, axis=2))


def test_volume_lost_in_a_twist_is_the_integral_of_the_shrunk_sections() -> None:
    """Section at height s has w = rounded_ramp(s / 2h + 1/2) and area x (1 - 2 w (1 - w) (1 - cos theta))."""
    cage = bent_tube(sides=24, rings=201, spacing=0.04)
    half, degrees = cage.blends[1].half_width, 90.0

    def lost(s: float) -> float:
        w = float(rounded_ramp(np.array([s / (2 * half) + 0.5]))[0])
        return 2 * w * (1 - w) * (1 - np.cos(np.radians(degrees)))

    area = 0.5 * 24 * np.sin(2 * np.pi / 24)
    section = np.pi * cage.blends[1].radius ** 2 * 2 * half
    expected = 1 - area * quad(lost, -half, half)[0] / section
    flex = flex_test(cage, {**JOINT_RANGES, "other": JointRange(0, 0, 0, degrees)})
    assert flex.joints[0].motions[0].volume_kept == pytest.approx(expected, abs=2e-3)


def test_volume_is_that_of_the_whole_closed_mesh() -> None:
    cage = bent_tube(sides=16, rings=41, spacing=0.2)
    figures = flex_test(cage, {**JOINT_RANGES, "other": JointRange(90)}).joints[0].motions[0]
    section = np.pi * cage.blends[1].radius ** 2 * 2 * cage.blends[1].half_width
    import trimesh
    volumes = []
    for mesh in (cage.mesh, posed(cage, {1: (90, 0, 0)})):
        quads = mesh.quads()
        caps = [np.arange(16)[::-1], np.arange(16) + 40 * 16]
        middles = np.array([mesh.positions[cap].mean(axis=0) for cap in caps])
        centres = np.array([mesh.positions[quad_].mean(axis=0) for quad_ in quads])
        points = np.concatenate([mesh.positions, middles, centres])
        fans = [[cap[k], cap[(k + 1) % 16], len(mesh.positions) + which] for which, cap in enumerate(caps) for k in range(16)]
        fans += [[q[k], q[(k + 1) % 4], len(mesh.positions) + 2 + f] for f, q in enumerate(quads) for k in range(4)]
        volumes.append(trimesh.Trimesh(points, fans, process=False).volume)
    assert figures.volume_kept == pytest.approx(1 + (volumes[1] - volumes[0]) / section, abs=1e-9)


def test_weights_sum_to_one_over_at_most_four_bones() -> None:
    cage = bent_tube()
    assert cage.weights.weights.shape == (cage.mesh.vertex_count, 4)
    assert np.allclose(cage.weights.weights.sum(axis=1), 1) and (cage.weights.weights >= 0).all()


def test_inner_side_meets_itself_where_rings_lie_too_near_the_joint() -> None:
    """Rigid rings nearer to the joint than r tan(theta / 2) meet on the inner side; farther ones do not."""
    for spacing, degrees, meets in ((1.2, 90, False), (0.8, 90, True)):  # r tan(45 degrees) = 1; rings at half the spacing
        mesh = tube(SIDES, 6, spacing=2 * spacing)
        half = 5 * spacing
        plan = LimbPlan((Limb("tube", np.array([[0.0, 0, 0], [0, 0, half], [0, 0, 2 * half]])),))
        skeleton = skeleton_of(plan)
        own = (mesh.positions[:, 2] > half).astype(np.int32)
        rigid = SkinWeights(np.column_stack([own] + [np.zeros_like(own)] * 3), np.tile([1.0, 0, 0, 0], (len(own), 1)))
        cage = skinned(mesh, skeleton, rigid)
        bent = posed(cage, {1: (degrees, 0, 0)})
        assert bool(len(faces_in_contact(bent))) == meets


def test_ring_in_the_middle_does_not_drift_and_a_skewed_joint_does() -> None:
    straight = flex_test(bent_tube(), {**JOINT_RANGES, "other": JointRange(90)}).joints[0].motions[0]
    assert straight.loop_drift == pytest.approx(0, abs=1e-9)
    cage = bent_tube()
    moved = skinned(cage.mesh, skeleton_of(LimbPlan((Limb("tube", np.array([[0, 0, 0], [0, 0, 4.04], [0, 0, 8]])),))), cage.weights)
    assert flex_test(moved, {**JOINT_RANGES, "other": JointRange(90)}).joints[0].motions[0].loop_drift > 0.005


def test_figures_get_no_better_the_further_it_bends() -> None:
    figures = [flex_test(bent_tube(rings=17, spacing=0.5), {**JOINT_RANGES, "other": JointRange(angle)}).joints[0].motions[0]
               for angle in (20, 60, 100, 140)]
    for key in ("volume_kept", "shortest_edge", "smallest_jacobian"):
        values = [getattr(each, key) for each in figures]
        assert values == sorted(values, reverse=True) and values[0] < 1


def test_ranges_count_from_a_straight_limb() -> None:
    """A joint that rests 30 degrees bent has 60 of 90 left to flex and 30 more to extend; its bend ends where a straight one's does."""
    joints = np.array([[0, 0, 0], [0, 0, 2.0], [0, 2 * np.sin(np.pi / 6), 2 + 2 * np.cos(np.pi / 6)]])
    skeleton = skeleton_of(LimbPlan((Limb("limb", joints),)))
    assert resting_flexion(skeleton, 1) == pytest.approx(30)
    flex, extend = motions_of(skeleton, 1, JointRange(90, 10))
    assert flex.degrees == 90 and flex.turn == pytest.approx((60, 0, 0)) and extend.turn == pytest.approx((-40, 0, 0))
    bent = rotation(skeleton.bones[1].hinge, flex.turn[0]) @ skeleton.bones[1].direction
    assert bent @ skeleton.bones[0].direction == pytest.approx(0)
    assert motions_of(skeleton, 1, JointRange(0))[0].name == "extend", "a limb that rests bent is also straightened"


def test_every_motion_turns_about_its_own_axis_to_the_end_of_its_range() -> None:
    """About the hinge, to either side, about the bone; a joint that cannot turn that way is not tried."""
    straight = skeleton_of(LimbPlan((Limb("limb", np.array([[0.0, 0, 0], [0, 0, 1], [0, 0, 2]])),)))
    found = motions_of(straight, 1, JointRange(90, 10, 20, 40))
    assert [(motion.name, motion.degrees, motion.turn) for motion in found] == [
        ("flex", 90, (90, 0, 0)), ("extend", 10, (-10, 0, 0)), ("side", 20, (0, 20, 0)), ("side back", 20, (0, -20, 0)),
        ("twist", 40, (0, 0, 40))]
    assert [motion.name for motion in motions_of(straight, 1, JointRange(90))] == ["flex"]


def test_spread_fingers_part_evenly_from_the_middle_one() -> None:
    skeleton = skeleton_of(hand())
    first, middle, last = (skeleton.index(f"digit {digit}.1") for digit in range(3))
    pose = set_poses(skeleton)["spread"]
    side = JOINT_RANGES["finger root"].side
    assert [abs(pose[index][1]) for index in (first, middle, last)] == pytest.approx([side, 0.0, side])
    turns, _ = bone_motions(skeleton, pose)
    tips = [turns[index] @ skeleton.bones[index].direction for index in (first, last)]
    across = skeleton.bones[last].head - skeleton.bones[first].head
    assert float((tips[1] - tips[0]) @ across) > 0.0


def test_hands_take_the_hands_poses_and_legs_squat() -> None:
    skeleton = skeleton_of(hand())
    poses = set_poses(skeleton)
    assert set(poses) == {"fist", "pointing", "spread"}
    assert {joint_role(skeleton, index) for index in poses["fist"]} >= {"finger root", "finger middle", "thumb middle"}
    assert skeleton.index("digit 2.2") not in poses["pointing"] and skeleton.index("digit 0.2") in poses["pointing"]


@pytest.mark.parametrize(("table", "words"), [({"jaw": {}}, "no kind of joint"), ({"elbow": {"bend": 3}}, "with the keys"),
                                              ({"elbow": {"flex": 500}}, "from 0 to 180"), ({"elbow": 3}, "give a table")])
def test_profiles_with_wrong_ranges_are_refused(table: dict[str, object], words: str) -> None:
    with pytest.raises(ProfileError, match=words):
        read_joint_ranges(table)


def test_a_profile_changes_only_what_it_names() -> None:
    ranges = read_joint_ranges({"elbow": {"flex": 120}})
    assert ranges["elbow"].flex == 120 and ranges["elbow"].source == "profile" and ranges["knee"] == JOINT_RANGES["knee"]


def test_bind_is_what_skinned_uses() -> None:
    cage = bent_tube()
    assert np.array_equal(bind(cage.mesh, cage.skeleton).weights, cage.weights.weights)


def test_bones_before_an_upper_arm_are_its_girdle() -> None:
    joints = np.array([[0, 0, 0], [1, 0, 0.2], [2, 0, 0], [4, 0, -2.0]])
    trunk = Limb("torso", np.array([[0, 0, -3.0], [0, 0, 1]]))
    skeleton = skeleton_of(LimbPlan((trunk, Limb("upper arm", joints)), sockets=(Socket("torso", "upper arm"),)))
    assert [joint_role(skeleton, index) for index in skeleton.joints()] == ["girdle", "girdle", "shoulder"]
