"""Rigs from elsewhere on invented creatures: a sound cage of each, or one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.errors import PlanError
from ringwright.core.helper_bones import without_helpers
from ringwright.core.inspection import inspect_mesh
from ringwright.core.plan import LimbPlan, Socket, Splice
from ringwright.core.plan_from_bones import plan_from_bones
from ringwright.core.quality import scaled_jacobian
from ringwright.core.rig_bones import RigBone
from support.odd_rigs import arms_at_the_neck, bird, cut_short, dotted_rig, many_armed, quadruped, quadruped_bones, sticks, winged
from support.reference_surface import ReferenceSurface
from support.rigged_creature import bone, chain, creature, limb_bones
from support.shapes import Shape

SLIVER = 0.2
"""Least scaled Jacobian of a face that is fit for use."""


@cache
def biped() -> Shape:
    return creature(tail=False)


@cache
def four_legged() -> Shape:
    return quadruped(tail=True)


def plan_of(bones: Sequence[RigBone]) -> LimbPlan:
    return plan_from_bones(without_helpers(bones)[0])


def check_sound(plan: LimbPlan, shape: Shape) -> None:
    surface = ReferenceSurface(*shape)
    built = build_cage(plan, surface)
    mesh, inspection = built.mesh, inspect_mesh(built.mesh, tally=built.tally, joint_zones=built.zones)
    assert (mesh.face_sizes == 4).all() and inspection.poles.excess == 0
    assert inspection.counts.components == 1 and len(inspection.counts.boundary_loops) == 1
    assert scaled_jacobian(mesh.positions[mesh.quads()]).min() > SLIVER
    assert [finding.reason for finding in inspection.findings if finding.severity == "error"] == []
    assert np.percentile(surface.closest(mesh.positions).distances, 99) < 2e-3 * surface.diagonal


@pytest.mark.slow
@pytest.mark.parametrize("bones", [cut_short(limb_bones(tail=False, prefixed=True)), sticks(limb_bones(tail=False, prefixed=True)),
                                   dotted_rig(), arms_at_the_neck()], ids=["cut short", "joints alone", "dotted", "arms at the neck"])
def test_rigs_of_a_biped(bones: list[RigBone]) -> None:
    plan = plan_of(bones)
    assert plan.symmetry == "x"
    check_sound(plan, biped())


@pytest.mark.slow
@pytest.mark.parametrize("bones", [quadruped_bones(tail=True), sticks(quadruped_bones(tail=True), (0, 0.3, 0))],
                         ids=["whole", "joints alone"])
def test_a_quadruped_with_a_tail(bones: list[RigBone]) -> None:
    check_sound(plan_of(bones), four_legged())


@pytest.mark.slow
def test_a_quadruped_without_a_tail() -> None:
    check_sound(plan_of(quadruped_bones(tail=False)), quadruped(tail=False))


@pytest.mark.slow
def test_tail_and_wings() -> None:
    shape, bones = winged()
    check_sound(plan_of(bones), shape)
    check_sound(plan_of(cut_short(bones)), shape)


@pytest.mark.slow
def test_arms_all_round() -> None:
    shape, bones = many_armed(5)
    check_sound(plan_of(bones), shape)


@pytest.mark.slow
def test_more_arms_than_find_room_are_refused_by_name() -> None:
    shape, bones = many_armed(8)
    words = r'\[\[socket\]\] trunk "body", branch "arm\d": no block of quads in the trunk has room near it'
    with pytest.raises(PlanError, match=words) as refusal:
        build_cage(plan_of(bones), ReferenceSurface(*shape))
    assert "\n" not in str(refusal.value)


@pytest.mark.slow
def test_a_bird() -> None:
    shape, bones = bird()
    check_sound(plan_of(bones), shape)


def test_bones_of_a_face_are_left_out() -> None:
    head = chain(["Head", "HeadTop_End"], "Neck", [(0, 0, 18.6), (0, -0.3, 22.5), (0, -0.3, 24)])
    face = [bone("LeftEye", "Head", (0.6, -1.2, 21.5), (0.6, -1.6, 21.5)), bone("Jaw", "Head", (0, -0.2, 20.6), (0, -1.6, 20.2)),
            *chain(["Tongue1", "Tongue2"], "Jaw", [(0, -0.6, 20.5), (0, -1, 20.4), (0, -1.4, 20.4)])]
    body = [*limb_bones(tail=False, prefixed=True), head[0]]
    kept, left_out = without_helpers([*body, head[1], *face])
    assert [each.name for each in kept] == [each.name for each in body]
    assert left_out == ["HeadTop_End", "LeftEye", "Jaw", "Tongue1", "Tongue2"]


def names(plan: LimbPlan) -> set[str]:
    return {limb.name for limb in plan.limbs}


def test_nothing_of_a_palm_is_lost() -> None:
    """The thumb hangs from a metacarpal, which lies inside the palm."""
    plan = plan_of(dotted_rig())
    assert Socket("DEF-hand.L", "DEF-thumb.L") in plan.sockets
    (fork,) = (fork for fork in plan.forks if fork.trunk == "DEF-hand.L")
    assert set(fork.branches) == {"DEF-f_index.L", "DEF-f_middle.L", "DEF-f_ring.L"}
    assert without_helpers(dotted_rig())[1] == ["DEF-pelvis.L", "DEF-breast.L", "DEF-pelvis.R", "DEF-breast.R"]


def test_arms_are_in_the_side_of_the_trunk_that_they_are_at() -> None:
    plan = plan_of(arms_at_the_neck())
    assert Socket("Spine", "Arm.L") in plan.sockets and "Pelvis" not in names(plan)
    assert [set(fork.branches) for fork in plan.forks if fork.trunk == "Spine"] == [{"UpLeg.L", "UpLeg.R"}]


def test_a_tail_carries_on_a_body_that_legs_hang_under() -> None:
    plan = plan_of(quadruped_bones(tail=True))
    assert Splice("tail", "spine") in plan.splices and Splice("spine", "neck") in plan.splices
    assert {socket.branch for socket in plan.sockets} == {"thigh.L", "thigh.R", "upperleg.L", "upperleg.R"}
    assert all(socket.trunk == "spine" for socket in plan.sockets)


def test_a_body_that_legs_hang_under_is_closed_behind() -> None:
    plan = plan_of(quadruped_bones(tail=False))
    assert plan.limb("spine").tip == "closed" and len(plan.sockets) == 4
    np.testing.assert_allclose(plan.limb("spine").joints[-1], [0, 5.5, 9.2])


@pytest.mark.parametrize("arms", [4, 5, 8])
def test_arms_all_round_are_no_row(arms: int) -> None:
    _, bones = many_armed(arms, cells=8)
    plan = plan_of(bones)
    assert not plan.forks and len(plan.sockets) == arms and plan.limb("body").tip == "closed"
