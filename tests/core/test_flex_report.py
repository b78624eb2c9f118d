"""The flex test in words, data and pictures."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.flex import Flex, flex_test, skinned
from ringwright.core.flex_advice import advice
from ringwright.core.flex_report import (
    FlexLimits,
    animation_poses,
    describe_joint,
    describe_motion,
    faces_of_other_branches,
    flex_data,
    flex_findings,
    flex_rows,
    grade,
    help_rows,
    picture_flex,
    with_flex,
)
from ringwright.core.inspection import inspect_mesh
from ringwright.core.inspection_text import format_text, to_json
from ringwright.core.joint_motion import JOINT_RANGES, JointRange
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.poses import Motion
from ringwright.core.report import html_page
from ringwright.core.report_pictures import picture_inspection
from ringwright.core.skeleton import skeleton_of
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import hand
from support.tubes import tube


def bend(degrees: float, spacing: float = 0.5) -> Flex:
    mesh = tube(12, 17, spacing=spacing)
    plan = LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 8 * spacing], [0, 0, 16 * spacing]])),))
    return flex_test(skinned(mesh, skeleton_of(plan)), {**JOINT_RANGES, "other": JointRange(degrees)})


def test_verdicts_fall_as_the_bend_grows() -> None:
    grades = [grade(bend(degrees, 0.12).joints[0]) for degrees in (10, 50, 175)]
    assert grades == ["good", "fair", "poor"]


@pytest.mark.parametrize(("changes", "expected"), [({}, "good"), ({"volume_kept": 0.69}, "fair"), ({"volume_kept": 0.49}, "poor"),
                                                   ({"smallest_jacobian": 0.1}, "fair"), ({"smallest_jacobian": -0.6}, "poor"),
                                                   ({"flipped_faces": 1}, "fair"), ({"flipped_faces": 10_000}, "poor")])
def test_every_limit_counts(changes: dict[str, float], expected: str) -> None:
    joint = bend(20).joints[0]
    assert grade(replace(joint, motions=(replace(joint.motions[0], **changes),)), FlexLimits()) == expected  # type: ignore[arg-type]


def test_a_poor_joint_is_a_warning_with_place_faces_and_advice() -> None:
    flex = bend(175, 0.12)
    finding = flex_findings(flex)[0]
    assert (finding.name, finding.severity) == ("poor_bend", "warning")
    assert "stalk.2" in finding.reason and "flex 175" in finding.reason and finding.mend == advice(flex, flex.joints[0])
    assert np.allclose(finding.place, [0, 0, 0.96]) and len(finding.elements)
    assert not flex_findings(bend(30))


def test_a_pole_in_the_crease_is_told() -> None:
    flex = bend(30)
    joint = replace(flex.joints[0], crease_poles=np.array([5], dtype=np.int32))
    assert flex_findings(replace(flex, joints=(joint,)))[0].name == "pole_in_crease"


def test_what_would_help_is_told_of_joints_that_do_not_bend_well_alone() -> None:
    poor, good = bend(175, 0.12), bend(20)
    ((name, words),) = help_rows(poor)
    assert name == "stalk.2" and words == advice(poor, poor.joints[0]) == flex_data(poor)["joints"][0]["help"]
    assert not help_rows(good) and flex_data(good)["joints"][0]["help"] == ""


def test_text_data_and_page_carry_the_bends() -> None:
    flex = bend(175, 0.12)
    plain = inspect_mesh(flex.skinned.mesh)
    inspection = with_flex(plain, flex)
    assert [finding.severity for finding in inspection.findings] == sorted((each.severity for each in inspection.findings),
                                                                            key=["error", "warning", "note"].index)
    assert "joints bent 1: 0 good, 0 fair, 1 poor" in format_text(inspection) and "joints bent" not in format_text(plain)
    data = json.loads(json.dumps(to_json(inspection), allow_nan=False))
    assert data["flex"]["joints"][0]["motions"][0]["degrees"] == 175 and to_json(plain)["flex"] is None
    pictures = picture_inspection(flex.skinned.mesh, inspection, width=64)
    assert len(pictures.bends) == 1 and pictures.bends[0].image.std() > 5
    page = html_page(inspection, pictures, title="t", unit="", sources={})
    assert "<h2>Bends</h2>" in page and "stalk.2" in page and "What would help" in page
    assert "<h2>Bends</h2>" not in html_page(plain, picture_inspection(flex.skinned.mesh, plain, width=64), title="t", unit="", sources={})


def test_rows_have_a_figure_a_column() -> None:
    from ringwright.core.flex_report import FLEX_COLUMNS

    assert {len(row) for row in flex_rows(bend(60))} == {len(FLEX_COLUMNS)}


def test_a_picture_shows_the_bend_and_not_the_rest() -> None:
    assert not np.array_equal(picture_flex(bend(120))[0].image, picture_flex(bend(20))[0].image)


def pink(image: np.ndarray) -> int:
    """Pixels in the colours of folded faces: far more red and blue than green."""
    red, green, blue = (image[..., channel].astype(int) for channel in range(3))
    return int(np.count_nonzero((red - green > 40) & (blue - green > 15)))


def test_folded_faces_are_tinted_and_sound_ones_are_not() -> None:
    assert pink(picture_flex(bend(170, 0.12))[0].image) > 10 and pink(picture_flex(bend(20))[0].image) == 0


def test_a_finger_is_drawn_without_its_neighbours() -> None:
    plan = hand_plan()
    flex = flex_test(skinned(build_cage(plan, ReferenceSurface(*hand(90))).mesh, skeleton_of(plan)))
    limbs = {limb.name: number for number, limb in enumerate(plan.limbs)}
    (joint,) = (each for each in flex.joints if each.name == "middle.2")
    left_out = np.unique(flex.skinned.mesh.attributes["face.face_limb"][faces_of_other_branches(flex.skinned, joint)])
    assert set(left_out.tolist()) == {limbs[name] for name in ("thumb", "little", "ring", "index")}


def test_the_volume_of_the_motion_that_costs_most_is_told_beside_the_worst() -> None:
    joint = bend(60).joints[0]
    worst, other = joint.motions[0], replace(joint.motions[0], motion=Motion("side", 30.0, (0, 30.0, 0)), volume_kept=0.31,
                                             smallest_jacobian=0.99)
    assert describe_joint(replace(joint, motions=(worst, other))) == f"{describe_motion(worst)}; side 30° keeps 31% of the volume"
    assert describe_joint(replace(joint, motions=(worst, replace(other, volume_kept=1.0)))) == describe_motion(worst)


def test_rows_and_pictures_begin_with_the_worst() -> None:
    flex = bend(60)
    good, poor = flex.joints[0], replace(flex.joints[0], name="bad", motions=(replace(flex.joints[0].motions[0], volume_kept=0.1),))
    assert [row[0] for row in flex_rows(replace(flex, joints=(good, poor)))] == ["bad", good.name]


def test_an_animation_bends_every_joint_in_turn() -> None:
    assert animation_poses(bend(90)) == [("stalk.2, flex 90°", {1: pytest.approx((90, 0, 0))})]
