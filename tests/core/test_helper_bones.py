"""Helper bones of rigs from elsewhere are left out; a whole creature is built from what is left."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.expected import expected_of
from ringwright.core.helper_bones import without_helpers
from ringwright.core.inspection import inspect_mesh
from ringwright.core.plan import Socket
from ringwright.core.plan_from_bones import plan_from_bones
from ringwright.core.rig_bones import RigBone
from ringwright.core.rig_fit import check_rig_fit
from ringwright.core.skeleton import is_sided, skeleton_of, words_of
from support.reference_surface import ReferenceSurface
from support.rigged_creature import bone, chain, cluttered_rig, creature, helper_bones, limb_bones


def names(bones: list[RigBone]) -> list[str]:
    return [each.name for each in bones]


@pytest.mark.parametrize("prefixed", [True, False])
def test_only_the_bones_that_move_skin_are_left(prefixed: bool) -> None:
    kept, left_out = without_helpers(cluttered_rig(tail=True, prefixed=prefixed))
    assert names(kept) == names(limb_bones(tail=True, prefixed=prefixed))
    assert left_out == names(helper_bones(prefixed=prefixed))


@pytest.mark.parametrize("prefixed", [True, False])
def test_helpers_make_no_difference_to_the_plan(prefixed: bool) -> None:
    plan = plan_from_bones(without_helpers(cluttered_rig(tail=True, prefixed=prefixed))[0])
    clean = plan_from_bones(limb_bones(tail=True, prefixed=prefixed))
    assert [limb.name for limb in plan.limbs] == [limb.name for limb in clean.limbs]
    assert all(np.array_equal(one.joints, other.joints) for one, other in zip(plan.limbs, clean.limbs, strict=True))
    assert (plan.forks, plan.sockets, plan.splices) == (clean.forks, clean.sockets, clean.splices)


def test_a_plain_rig_loses_nothing() -> None:
    for bones in (limb_bones(tail=True, prefixed=True), chain(["end", "twist"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2)])[:1]):
        assert without_helpers(bones) == (bones, [])


def test_a_twist_bone_within_a_chain_lengthens_the_bone_before_it() -> None:
    bones = chain(["arm", "arm_twist", "forearm"], "", [(0, 0, 0), (1, 0, 0), (2, 0, 0), (4, 0.5, 0)])
    kept, left_out = without_helpers(bones)
    assert left_out == ["arm_twist"] and names(kept) == ["arm", "forearm"]
    assert kept[0].tail.tolist() == [2, 0, 0] and kept[1].parent == "arm"


def test_a_bone_along_its_parent_without_a_word_is_a_helper_and_a_branch_is_none() -> None:
    bones = chain(["thigh", "shin"], "", [(0, 0, 4), (0, 0, 2), (0, 0, 0)])
    muscle, branch = bone("quad", "thigh", (0, 0.05, 3.6), (0, 0.05, 2.6)), bone("fin", "thigh", (0, 0.2, 3.5), (0, 1.5, 3.5))
    assert without_helpers([*bones, muscle, branch])[1] == ["quad"]


def test_a_root_that_reaches_its_only_child_is_a_limb() -> None:
    bones = chain(["stem", "tip"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2)])
    assert without_helpers(bones)[1] == []
    assert without_helpers([bone("floor", "", (0, 3, 0), (0, 4, 0)), bone("stem", "floor", (0, 0, 0), (0, 0, 1)), bones[1]])[1] == ["floor"]


def test_a_bone_that_shares_its_parents_joint_is_a_helper_only_beside_a_chain_that_goes_on() -> None:
    spread = bone("spread", "hips", (0, 0, 0), (1, 0, 0.2))
    spine = chain(["hips", "spine", "chest"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2), (0, 0, 3)])
    elsewhere = chain(["stem", "middle", "tip"], "", [(5, 0, 0), (5, 0, 1), (5, 0, 2), (5, 0, 3)])
    assert without_helpers([*spine, spread, *elsewhere])[1] == ["spread"]
    assert without_helpers([*spine[:2], spread, *elsewhere])[1] == []


def test_zero_length_helpers_are_no_fault() -> None:
    bones = [*chain(["stem", "tip"], "", [(0, 0, 0), (0, 0, 1), (0, 0, 2)]), bone("tip_end", "tip", (0, 0, 2), (0, 0, 2))]
    assert len(plan_from_bones(without_helpers(bones)[0]).limbs) == 2


@pytest.mark.parametrize(("name", "words"), [
    ("LeftHandIndex4", {"left", "hand", "index"}), ("upperarm_twist_01_l", {"upperarm", "twist", "l"}),
    ("IKTarget", {"ik", "target"}), ("Bip01 L Finger0Nub", {"bip", "l", "finger", "nub"}), ("Körper", {"körper"}),
    ("DEF-upper_arm.L.001", {"def", "upper", "arm", "l"})])
def test_words_of_names(name: str, words: set[str]) -> None:
    assert words_of(name) == words and is_sided(name) == bool(words & {"l", "left"})


@pytest.mark.parametrize("tail", [False, True])
def test_a_whole_creature_is_built_from_its_rig(tail: bool) -> None:
    shape = creature(tail=tail)
    plan = plan_from_bones(without_helpers(cluttered_rig(tail=tail, prefixed=True))[0])
    assert plan.symmetry == (None if tail else "x") and (Socket("Spine", "Tail") in plan.sockets) == tail
    built = build_cage(plan, ReferenceSurface(*shape))
    inspection = inspect_mesh(built.mesh, tally=built.tally, joint_zones=built.zones, expectation=expected_of(plan))
    assert (built.mesh.face_sizes == 4).all() and inspection.poles.excess == 0 and inspection.counts.components == 1
    assert not [finding.reason for finding in inspection.findings if finding.severity == "error"]
    check_rig_fit(built.mesh, skeleton_of(plan))
