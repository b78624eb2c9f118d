"""Ready-made plans: from a few places on the skin to a sound cage of quads with no pole over the bound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from ringwright.core.build import BuildResult, build_cage
from ringwright.core.errors import PlanError
from ringwright.core.expected import expected_of
from ringwright.core.inspection import inspect_mesh
from ringwright.core.outward import FlippedSurface
from ringwright.core.plan import LimbPlan, check_plan, format_plan, read_plan
from ringwright.core.plan_templates import TEMPLATES, template_of
from ringwright.core.ready_plan import fit_plan, line_from, with_ready_plan
from support import creatures
from support.creatures import Part

PARTS: dict[str, Callable[[], Part]] = {
    "hand": creatures.hand_part, "arm": creatures.arm_part, "foot": creatures.foot_part, "leg": creatures.leg_part,
    "paw": creatures.paw_part, "wing": creatures.wing_part, "tail": creatures.tail_part, "tentacle": creatures.tentacle_part,
    "biped": creatures.biped_part}


CAGES = [pytest.param(name, marks=pytest.mark.slow) if name in ("arm", "leg", "paw", "biped") else name for name in PARTS]


@cache
def part(name: str) -> Part:
    return PARTS[name]()


@cache
def plan_of(name: str) -> LimbPlan:
    return fit_plan(template_of(name), part(name).places, part(name).surface())


@cache
def cage_of(name: str) -> BuildResult:
    return build_cage(plan_of(name), part(name).surface())


def test_every_template_is_tried() -> None:
    assert {template.name for template in TEMPLATES} == set(PARTS)


@pytest.mark.parametrize("name", CAGES)
def test_a_sound_cage_of_quads_without_a_pole_too_many(name: str) -> None:
    built = cage_of(name)
    inspection = inspect_mesh(built.mesh, tally=built.tally, joint_zones=built.zones, expectation=expected_of(built.plan))
    assert (built.mesh.face_sizes == 4).all() and inspection.poles.excess == 0
    assert inspection.counts.components == 1 and len(inspection.counts.boundary_loops) == 1
    assert [finding.reason for finding in inspection.findings] == []


@pytest.mark.parametrize("name", CAGES)
def test_the_cage_lies_on_its_target(name: str) -> None:
    built, surface = cage_of(name), part(name).surface()
    assert np.percentile(surface.closest(built.mesh.positions).distances, 97) < 4e-3 * surface.diagonal


@pytest.mark.parametrize(("name", "reach"), [("hand", 0.5), ("arm", 0.5), ("tail", 0.2), ("tentacle", 0.15), ("wing", 0.45)])
def test_joints_lie_on_the_limbs_own_middle(name: str, reach: float) -> None:
    """Every joint but the roots inside a trunk lies near the skeleton from which the shape was made."""
    bones = [(a, b) for joints in part(name).joints.values() for a, b in pairwise(joints)]
    for limb in plan_of(name).limbs:
        for joint in limb.joints[1:]:
            assert min(_off(joint, a, b) for a, b in bones) < reach, limb.name


def _off(point: np.ndarray, start: np.ndarray, end: np.ndarray) -> float:
    share = np.clip((point - start) @ (end - start) / ((end - start) @ (end - start)), 0, 1)
    return float(np.linalg.norm(point - start - share * (end - start)))


def test_a_biped_has_both_sides() -> None:
    plan = plan_of("biped")
    assert plan.symmetry == "x" and {limb.name for limb in plan.limbs} >= {"neck", "trunk", "thigh.L", "thigh.R", "index.R", "foot.L"}
    for limb in plan.limbs:
        if limb.name.endswith(".L"):
            assert limb.joints[-1, 0] > 0 and np.array_equal(limb.joints * [-1, 1, 1], plan.limb(limb.name[:-1] + "R").joints)


@pytest.mark.slow
def test_a_biped_is_its_own_image() -> None:
    points = cage_of("biped").mesh.positions
    assert np.linalg.norm(points[:, None] - points * [-1, 1, 1], axis=2).min(axis=1).max() < 1e-6


def test_either_side_may_be_pointed_at() -> None:
    mirrored = {name: place * [-1, 1, 1] for name, place in part("biped").places.items()}
    plan = fit_plan(template_of("biped"), mirrored, part("biped").surface())
    assert {limb.name for limb in plan.limbs} == {limb.name for limb in plan_of("biped").limbs}
    assert plan.limb("thigh.L").joints[-1, 0] > 0


def test_limbs_whose_places_are_left_out_are_left_out() -> None:
    places = {name: place for name, place in part("hand").places.items() if name not in ("thumb tip", "little tip")}
    plan = fit_plan(template_of("hand"), places, part("hand").surface())
    assert {limb.name for limb in plan.limbs} == {"palm", "index", "middle", "ring"} and not plan.sockets


def test_a_foot_without_toes_is_one_closed_limb() -> None:
    plan = plan_of("biped")
    assert plan.limb("foot.L").tip == "closed" and len(plan.limb("foot.L").joints) == 3


def test_places_may_lie_inside_and_faces_look_inward() -> None:
    places = dict(part("hand").places)
    places["wrist"] = np.array([0.1, 0.1, 0.0])
    plan = fit_plan(template_of("hand"), places, FlippedSurface(part("hand").surface()))
    assert np.linalg.norm(plan.limb("palm").joints[0]) < 0.3


def test_the_plan_moves_with_its_target() -> None:
    """The same plan in centimetres, far away and turned: nothing depends on size or place."""
    own = part("tail")
    turn = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1.0]])
    moved = replace(own, shape=type(own.shape)(100 * own.shape.positions @ turn.T + [5000, 0, 300], own.shape.triangles))
    places = {name: 100 * turn @ place + [5000, 0, 300] for name, place in own.places.items()}
    plan = fit_plan(template_of("tail"), places, moved.surface(), "cm")
    assert plan.unit == "cm"
    assert np.abs(plan.limbs[0].joints - (100 * plan_of("tail").limbs[0].joints @ turn.T + [5000, 0, 300])).max() < 10.0


def test_it_can_be_written_and_read() -> None:
    again = read_plan(format_plan(plan_of("biped")))
    assert again.forks == plan_of("biped").forks and again.symmetry == "x"


def test_it_is_added_to_a_plan_under_free_names() -> None:
    twice = with_ready_plan(with_ready_plan(LimbPlan((), unit="cm"), plan_of("hand")), plan_of("hand"))
    check_plan(twice)
    assert twice.unit == "cm" and len(twice.limbs) == 2 * len(plan_of("hand").limbs) == len({limb.name for limb in twice.limbs})
    assert len(twice.forks) == 2 and set(twice.forks[0].branches).isdisjoint(twice.forks[1].branches)


@pytest.mark.parametrize("name", ["hand", "biped"])
def test_the_line_that_a_place_adds_runs_inside_the_target(name: str) -> None:
    """What the artist sees while pointing: from every tip a line along its limb."""
    template, own, surface = template_of(name), part(name), part(name).surface()
    given: dict[str, np.ndarray] = {}
    for place in template.places:
        if place.name in own.places:
            given[place.name] = own.places[place.name]
            line = line_from(template, given, place.name, surface)
            assert not template.is_tip(place.name) or (len(line) > 3 and surface.inside(line).all()), place.name


@pytest.mark.parametrize(("change", "words"), [
    ({"wrist": None}, "the middle of the wrist is missing"),
    ({"elbow": [0, 0, 0]}, 'there is no place "elbow"; the places are wrist, thumb tip'),
    ({"wrist": [0, 0, 60.0]}, 'the place "wrist" lies far off the target'),
    ({"wrist": [0, np.nan, 0]}, 'the place "wrist" must be three finite numbers'),
    ({"wrist": [0, 0]}, 'the place "wrist" must be three finite numbers'),
    ({"thumb tip": "index tip"}, 'are the same place; point at each of them'),
])
def test_refusals(change: dict[str, object], words: str) -> None:
    places: dict[str, object] = dict(part("hand").places)
    for name, value in change.items():
        places[name] = places[value] if isinstance(value, str) else value
    given = {name: np.array(place, dtype=float) for name, place in places.items() if place is not None}
    with pytest.raises(PlanError, match=words):
        fit_plan(template_of("hand"), given, part("hand").surface())
