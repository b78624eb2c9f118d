"""Skin weights: whole far from joints, half on a joint's plane, divided among branches, apart between neighbours."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.errors import MeshError
from ringwright.core.plan import Fork, Limb, LimbPlan
from ringwright.core.plan_from_bones import plan_from_bones
from ringwright.core.polymesh import PolyMesh
from ringwright.core.skeleton import Skeleton, skeleton_of
from ringwright.core.skin_weights import bind, joint_blends, nearest_bones, rounded_ramp, strongest
from support.reference_surface import ReferenceSurface
from support.rigged_creature import creature, limb_bones
from support.tubes import join, tube

TOUCHING = 0.55  # radius of three tubes whose middles lie 1 apart: they overlap, so distance alone cannot tell them apart


def fork_plan(spread: float = 0.0, symmetry: str | None = None, shift: float = 0.0) -> LimbPlan:
    """A palm from z = -4 to 0 and three digits of two bones that rise from it side by side in x."""
    digits = [Limb(f"digit {k}", np.array([[shift + (1 + spread * z / 2) * (k - 1.0), 0, z] for z in (0.0, 2.0, 4.0)])) for k in range(3)]
    palm = Limb("palm", np.array([[shift, 0, -4.0], [shift, 0, 0]]))
    return LimbPlan((palm, *digits), (Fork("palm", tuple(each.name for each in digits)),), symmetry=symmetry)


def fork_mesh(*, told: bool = True, shift: float = 0.0) -> PolyMesh:
    parts = [tube(12, 9, radius=1.5, base=(shift, 0, -4), spacing=0.5)]
    parts += [tube(8, 8, radius=TOUCHING, base=(shift + k - 1, 0, 0.5), spacing=0.5) for k in range(3)]
    mesh = join(*parts)
    limbs = np.repeat([0, 1, 2, 3], [part.vertex_count for part in parts]).astype(np.int32)
    return mesh.with_attributes(vertex__limb=limbs) if told else mesh


def table_of(mesh: PolyMesh, skeleton: Skeleton) -> np.ndarray:
    return bind(mesh, skeleton).dense(len(skeleton.bones))


def test_weights_are_whole_normalised_and_few() -> None:
    found = bind(fork_mesh(), skeleton_of(fork_plan()))
    assert found.bones.shape == found.weights.shape == (fork_mesh().vertex_count, 4)
    assert np.allclose(found.weights.sum(axis=1), 1, atol=1e-12)
    assert (np.diff(found.weights, axis=1) <= 1e-12).all(), "the strongest first"


@pytest.mark.parametrize("told", [True, False])
def test_neighbouring_digits_do_not_move_each_other(told: bool) -> None:
    mesh, skeleton = fork_mesh(told=told), skeleton_of(fork_plan())
    table = table_of(mesh, skeleton)
    past = fork_mesh().attributes["vertex.limb"] > 0
    past &= mesh.positions[:, 2] > 1.2
    own = np.array([bone.number for bone in skeleton.bones])
    foreign = table * (own != fork_mesh().attributes["vertex.limb"][:, None])
    assert foreign[past].max() == 0


def test_the_plane_of_a_joint_is_shared_half_and_half() -> None:
    mesh, skeleton = fork_mesh(), skeleton_of(fork_plan())
    table = table_of(mesh, skeleton)
    first, second = skeleton.index("digit 1.1"), skeleton.index("digit 1.2")
    ring = (mesh.attributes["vertex.limb"] == 2) & np.isclose(mesh.positions[:, 2], 2.0)
    assert ring.sum() == 8 and np.allclose(table[ring][:, [first, second]], 0.5)


def test_blend_follows_distance_from_the_plane() -> None:
    mesh, skeleton = fork_mesh(), skeleton_of(fork_plan())
    second = skeleton.index("digit 1.2")
    half = joint_blends(mesh, skeleton, nearest_bones(mesh, skeleton))[second].half_width
    own = mesh.attributes["vertex.limb"] == 2
    expected = rounded_ramp((mesh.positions[own, 2] - 2.0) / (2 * half) + 0.5)
    told = table_of(mesh, skeleton)[own, second]
    assert np.allclose(told, np.where(expected < 1e-4, 0, expected), atol=2e-4)


def test_palm_below_the_blend_follows_the_palm_alone() -> None:
    mesh, skeleton = fork_mesh(), skeleton_of(fork_plan())
    low = mesh.positions[:, 2] <= -2.0
    assert np.allclose(table_of(mesh, skeleton)[low, skeleton.index("palm")], 1)


def test_skin_between_two_digits_is_shared_evenly() -> None:
    mesh = join(fork_mesh(told=False), tube(4, 2, radius=0.01, base=(0.5, 0, 0.2), spacing=0.01))
    skeleton = skeleton_of(fork_plan())
    table = table_of(mesh, skeleton)[-8:].mean(axis=0)
    assert table[skeleton.index("digit 1.1")] == pytest.approx(table[skeleton.index("digit 2.1")], rel=0.1)


def test_weights_do_not_change_with_place_and_size() -> None:
    mesh, plan = fork_mesh(), fork_plan(spread=0.2)
    moved = LimbPlan(tuple(Limb(limb.name, 0.01 * limb.joints + [3, -2, 5]) for limb in plan.limbs), plan.forks)
    scaled = mesh.with_positions(0.01 * mesh.positions + [3, -2, 5])
    assert np.allclose(table_of(mesh, skeleton_of(plan)), table_of(scaled, skeleton_of(moved)), atol=1e-7)


def test_mirrored_sides_follow_their_own_bones_alike() -> None:
    one = fork_mesh(shift=5)
    image = PolyMesh.from_quads(one.positions * [-1, 1, 1], one.quads()[:, ::-1])
    both = join(one, image).with_attributes(vertex__limb=np.tile(one.attributes["vertex.limb"], 2))
    skeleton = skeleton_of(fork_plan(symmetry="x", shift=5))
    table = table_of(both, skeleton)
    left = [index for index, bone in enumerate(skeleton.bones) if bone.name.endswith(".L")]
    right = [skeleton.index(skeleton.bones[index].name[:-1] + "R") for index in left]
    half = one.vertex_count
    assert np.allclose(table[:half, left], table[half:, right]) and table[:half, right].max() == 0


def test_the_four_strongest_are_kept() -> None:
    found = strongest(np.array([[0.1, 0.3, 0.2, 0.15, 0.25], [0, 0, 1, 0, 0]]))
    assert found.bones[0].tolist() == [1, 4, 2, 3] and found.weights[0].sum() == pytest.approx(1) and found.weights[1, 0] == 1


def test_a_mesh_of_another_plan_is_refused() -> None:
    mesh = tube(8, 4).with_attributes(vertex__limb=np.full(32, 9, dtype=np.int32))
    with pytest.raises(MeshError, match="32 vertices of the mesh belong to limbs that the plan does not have"):
        bind(mesh, skeleton_of(fork_plan()))


def test_a_body_alike_on_both_sides_gets_weights_that_are_images(symmetric_creature: tuple[PolyMesh, Skeleton]) -> None:
    """The skin between two legs is as near to one as to the other."""
    mesh, skeleton = symmetric_creature
    image = np.array([np.flatnonzero(np.linalg.norm(mesh.positions - place, axis=1) < 1e-9)[0] for place in mesh.positions * [-1, 1, 1]])
    names = [bone.name for bone in skeleton.bones]
    other = [names.index(name[:-1] + {"L": "R", "R": "L"}[name[-1]]) if name.endswith((".L", ".R")) else index
             for index, name in enumerate(names)]
    weights = bind(mesh, skeleton).dense(len(names))
    assert np.abs(weights - weights[image][:, other]).max() < 1e-9
    assert {skeleton.bones[bone].limb for bone in nearest_bones(mesh, skeleton)[np.abs(mesh.positions[:, 0]) < 1e-9].tolist()} <= {
        "Spine", "Neck"}


@pytest.fixture(scope="module")
def symmetric_creature() -> tuple[PolyMesh, Skeleton]:
    plan = plan_from_bones(limb_bones(tail=False, prefixed=False))
    built = build_cage(plan, ReferenceSurface(*creature(tail=False)))
    return built.mesh, skeleton_of(plan)
