"""Ready-made plans on the open base mesh: from places on the skin of an arm, a leg and the whole body to sound cages.

The places are those at which the package's rig has its joints and fingertips, carried to the skin.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from ringwright.core.build import BuildResult, build_cage
from ringwright.core.expected import expected_of
from ringwright.core.inspection import inspect_mesh
from ringwright.core.plan import LimbPlan
from ringwright.core.plan_templates import template_of
from ringwright.core.polymesh import FloatArray
from ringwright.core.ready_plan import fit_plan
from support.open_data import load_base_mesh, require_base_mesh
from support.real_cases import real_case
from support.reference_surface import ReferenceSurface
from support.subdivision import catmull_clark

pytestmark = [pytest.mark.real, pytest.mark.slow]

FINGERS = ("thumb", "index", "middle", "ring", "little")
TOES = ("big toe", "second toe", "third toe", "fourth toe", "little toe")
FRONT, LEFT = np.array([0.0, 1.0, 0.0]), np.array([-1.0, 0.0, 0.0])
"""The figure faces -y: how one looks at it from the front, and from its left."""


@pytest.fixture(autouse=True)
def data() -> None:
    require_base_mesh()


def seen(surface: ReferenceSurface, point: FloatArray, way: FloatArray) -> FloatArray:
    """Where a point shows on the skin to one who looks that way."""
    return surface.cast((point - 5.0 * way)[None], way[None]).positions[0]


def tip_of(surface: ReferenceSurface, joints: FloatArray) -> FloatArray:
    """Where a digit's line comes out of its tip; a rig's tip may poke out already."""
    hits = surface.cast(joints[-2:-1], (joints[-1] - joints[-2])[None])
    return hits.positions[0] if hits.hit[0] else surface.closest(joints[-1:]).positions[0]


@cache
def limb(name: str) -> tuple[LimbPlan, BuildResult]:
    """The ready-made arm or leg on a case of that side."""
    case = real_case(name)
    surface = case.surface
    joints = {limb.replace("_", " "): each.joints for limb, each in case.limbs.items()}
    arm = name.startswith("arm")
    chain = {"shoulder": "upper arm", "elbow": "forearm", "wrist": "palm"} if arm else {"hip": "thigh", "knee": "shin", "ankle": "foot"}
    places = {place: joints[own][0] for place, own in chain.items()}
    places |= {f"{digit} tip": tip_of(surface, joints[digit]) for digit in (FINGERS if arm else TOES)}
    plan = fit_plan(template_of("arm" if arm else "leg"), places, surface)
    return plan, build_cage(plan, surface)


@cache
def body() -> BuildResult:
    """The ready-made biped on the whole figure, one side pointed at."""
    base = load_base_mesh()
    surface = ReferenceSurface.from_mesh(catmull_clark(base.body, 2))
    heads = {name: bone.head for name, bone in base.bones.items()}
    places = {name: seen(surface, heads[bone], way) for name, bone, way in (
        ("neck", "neck02", LEFT), ("collar", "neck01", FRONT), ("pelvis", "spine05", FRONT), ("shoulder", "upperarm01.L", FRONT),
        ("elbow", "lowerarm01.L", FRONT), ("wrist", "wrist.L", FRONT), ("hip", "upperleg01.L", FRONT), ("knee", "lowerleg01.L", FRONT),
        ("ankle", "foot.L", LEFT))}
    for kind, names in (("finger", FINGERS), ("toe", TOES)):
        for number, name in enumerate(names, 1):
            chain = [base.bones[bone] for bone in (f"{kind}{number}-{place}.L" for place in (1, 2, 3)) if bone in base.bones]
            places[f"{name} tip"] = tip_of(surface, np.array([chain[-1].head, chain[-1].tail]))
    return build_cage(fit_plan(template_of("biped"), places, surface), surface)


def check_sound(built: BuildResult) -> None:
    inspection = inspect_mesh(built.mesh, tally=built.tally, joint_zones=built.zones, expectation=expected_of(built.plan))
    assert (built.mesh.face_sizes == 4).all() and inspection.poles.excess == 0
    assert inspection.counts.components == 1 and len(inspection.counts.boundary_loops) == 1
    assert [finding.reason for finding in inspection.findings if finding.severity == "error"] == []


@pytest.mark.parametrize("name", ["arm_right", "arm_left", "leg_right", "leg_left"])
def test_places_on_a_limb_give_a_sound_cage(name: str) -> None:
    check_sound(limb(name)[1])


@pytest.mark.parametrize("name", ["arm_right", "arm_left"])
def test_fingers_bend_where_the_rig_bends_them(name: str) -> None:
    """Joints past the knuckles lie within 8 mm of the rig's, which are about 20 mm apart (measured: up to 6.5 mm)."""
    plan, case = limb(name)[0], real_case(name)
    for digit in FINGERS[1:]:
        assert np.linalg.norm(plan.limb(digit).joints[1:3] - case.limbs[digit].joints[1:3], axis=1).max() < 0.008, digit


def test_places_on_one_side_give_a_whole_body() -> None:
    built = body()
    check_sound(built)
    names = {limb.name for limb in built.plan.limbs}
    assert {f"{digit}{side}" for digit in (*FINGERS, *TOES) for side in (".L", ".R")} <= names
    points = built.mesh.positions
    order = np.lexsort(np.round(points, 7).T)
    images = points * [-1, 1, 1]
    assert np.abs(points[order] - images[np.lexsort(np.round(images, 7).T)]).max() < 1e-6
