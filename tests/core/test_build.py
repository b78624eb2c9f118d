"""The main line end to end: plan and target in, finished cage out."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from ringwright.core.assemble import assemble
from ringwright.core.budget import solve_counts
from ringwright.core.build import BuildResult, build_cage, fitting_assembly, measure_limbs
from ringwright.core.errors import PlanError
from ringwright.core.expected import expected_of
from ringwright.core.inspection import Inspection, Target, inspect_mesh
from ringwright.core.joined import join_ends
from ringwright.core.limb_size import limb_sizes
from ringwright.core.measure import Measure
from ringwright.core.outward import outward_surface
from ringwright.core.plan import Limb, LimbPlan, Splice
from ringwright.core.polymesh import PolyMesh
from support.fork_plan import fork_plan
from support.hand_plan import FINGERS, hand_plan
from support.random_plans import NoSurface, random_plan
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, bent_tube, capsule, cylinder, fork, hand, open_below, sphere, vertex_normals
from support.wide_creatures import many_armed, wide_fork


def inspected(result: BuildResult, shape: Shape) -> Inspection:
    """What an inspection with plan and target says."""
    cage = ReferenceSurface.from_mesh(result.mesh)
    inner = np.concatenate([limb.joints for limb in result.plan.limbs])
    target = Target(PolyMesh.from_quads(*shape), outward_surface(ReferenceSurface(*shape), inner), cage)
    return inspect_mesh(result.mesh, target=target, tally=result.tally, joint_zones=result.zones, expectation=expected_of(result.plan))


def sound(result: BuildResult, shape: Shape) -> Inspection:
    """The inspection, checked for what every cage must keep."""
    found = inspected(result, shape)
    assert found.passed, [finding.reason for finding in found.findings]
    assert found.quad_share == 1 and found.poles.excess == 0 and set(found.poles.inner_by_valence()) <= {3, 5}
    assert found.quality["scaled_jacobian"].minimum > 0.2 and found.quality["scaled_jacobian"].percentile_1 > 0.5
    assert found.deviation is not None and found.deviation.vertex_maximum < 1e-4 * found.deviation.diagonal
    return found


def build(plan: LimbPlan, shape: Shape) -> BuildResult:
    return build_cage(plan, ReferenceSurface(*shape))


def along_z(*heights: float) -> np.ndarray:
    return np.column_stack([np.zeros((len(heights), 2)), heights])


ROUND = capsule(1.0, 8.0, 64, 64)
TAIL = Limb("tail", along_z(0, 4, 8), 10, tip="closed")


@pytest.fixture(scope="module")
def hand_shape() -> Shape:
    return hand(90)


@pytest.fixture(scope="module")
def built_hand(hand_shape: Shape) -> BuildResult:
    return build(hand_plan(), hand_shape)


def test_a_hand_with_its_forearm(built_hand: BuildResult, hand_shape: Shape) -> None:
    found = sound(built_hand, hand_shape)
    assert found.counts.components == 1 and len(found.counts.boundary_loops) == 1
    assert (built_hand.tally.tips, built_hand.tally.branches) == (5, 4)
    names = [limb.name for limb in built_hand.plan.limbs]
    assert set(built_hand.mesh.attributes["vertex.limb"]) == set(range(len(names)))
    root = built_hand.mesh.positions[np.argsort(built_hand.mesh.positions[:, 2])[: found.counts.boundary_loops[0]], 2]
    np.testing.assert_allclose(root, -7, atol=1e-9)  # the open end lies on the plan's end plane
    assert not [name for name in found.poles_in_zones if name.split(",")[0] in (*FINGERS, "thumb", "forearm")]


def test_common_practice_of_a_hand(hand_shape: Shape) -> None:
    """Four six-sided fingers and a thumb come to about 20 edges, and an arm of ten sides takes them."""
    six = {name: {"sides": 6} for name in (*FINGERS, "thumb")}
    result = build(hand_plan(webs=(2, 2, 2), forearm={"sides": 10}, **six), hand_shape)
    found = sound(result, hand_shape)
    assert result.counts.limbs["palm"].rings[-1] == 18 and found.counts.boundary_loops == (10,)
    assert result.tally.step_downs == 4
    assert sum(found.poles.inner_by_valence().values()) == 4 * 5 + 4 * 4 + 2 * 4
    assert all(result.counts.limbs[name].cap == (1, 2) for name in six)


@pytest.mark.parametrize("budget", [600, 1400])
def test_a_hand_within_its_budget(hand_shape: Shape, budget: int) -> None:
    result = build(hand_plan(budget=budget), hand_shape)
    found = sound(result, hand_shape)
    assert 0.95 * budget - 8 <= result.mesh.face_count <= budget  # a socket's squarer block takes a few quads more away
    assert found.count("error") == 0


def test_a_closed_limb_fits_its_target() -> None:
    result = build(LimbPlan((TAIL,)), ROUND)
    found = sound(result, ROUND)
    assert found.counts.boundary_loops == (10,) and result.tally.pole_bound == 4
    assert found.quality["scaled_jacobian"].minimum > 0.5
    assert 8.85 < result.mesh.positions[:, 2].max() <= 9  # two inner vertices stand beside the apex


@pytest.mark.parametrize("sides", [4, 6, 8, 12])
def test_tips_of_every_count_close_round_a_dome(sides: int) -> None:
    found = sound(build(LimbPlan((replace(TAIL, sides=sides),)), ROUND), ROUND)
    assert found.poles.inner_by_valence() == {3: 4}


@pytest.mark.parametrize("seed", range(3))
def test_off_centre_joints_give_centred_rings(seed: int) -> None:
    turn = np.random.default_rng(seed).uniform(0, 2 * np.pi, 4)
    offset = 0.45 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(4)])
    result = build(LimbPlan((Limb("tail", along_z(0, 2.7, 5.4, 8) + offset, 10, tip="closed"),)), ROUND)
    sound(result, ROUND)
    rings = len(result.counts.limbs["tail"].rings)
    centres = result.mesh.positions[: 10 * rings].reshape(rings, 10, 3).mean(axis=1)
    stray = np.hypot(centres[:, 0], centres[:, 1])
    assert stray[1:-1].max() < 0.02 and stray.max() < 0.08  # of the radius; the end rings lie aslant as the end bones do


def test_two_branches_on_a_trunk() -> None:
    shape = fork(72)
    result = build(fork_plan(), shape)
    found = sound(result, shape)
    assert result.tally.pole_bound == 4 * 2 + 4 + 2 * result.tally.step_downs
    assert len(found.counts.boundary_loops) == 1


@pytest.mark.parametrize("sides", [8, 10, 12])
def test_a_flat_limb_closes_without_a_flat_face(sides: int) -> None:
    fin = Shape(ROUND.positions * [1.6, 0.5, 1.0], ROUND.triangles)
    result = build(LimbPlan((replace(TAIL, sides=sides, spans=(6, 6)),)), fin)
    quality = inspected(result, fin).quality["scaled_jacobian"]
    assert quality.minimum > 0.4


@pytest.mark.parametrize("degrees", [40, 60, 80])
def test_branches_that_part_widely_begin_at_their_trunk(degrees: float) -> None:
    plan, shape = wide_fork(degrees)
    result = build(plan, shape)
    found = sound(result, shape)
    assert found.deviation is not None
    # webs of 2.1 units across the crotch stood off it by 6 % of the diagonal
    assert found.deviation.cage_to_target.maximum < 0.025 * found.deviation.diagonal
    for zone in ("left", "right"):
        ring = result.mesh.positions[result.mesh.attributes["vertex.limb"] == [limb.name for limb in plan.limbs].index(zone)]
        assert np.linalg.norm(ring, axis=1).min() < 1.3


@pytest.mark.parametrize("arms", [8, 10, 12])
def test_a_body_gets_room_for_all_its_arms(arms: int) -> None:
    plan, shape = many_armed(arms)
    result = build(plan, shape)
    sound(result, shape)
    assert result.tally.branches == arms


def test_a_body_whose_counts_are_given_stays_as_it_is() -> None:
    plan, shape = many_armed(8)
    body = replace(plan.limbs[0], sides=12, spans=(4, 4))
    with pytest.raises(PlanError, match=r'trunk "body".*has room near it'):
        build(replace(plan, limbs=(body, *plan.limbs[1:])), shape)


def test_limbs_spliced_along_a_bend() -> None:
    shape = bent_tube(1.0, 5.0, np.pi / 2, 64, 96)
    turns = np.linspace(0.06, np.pi / 2 - 0.06, 5)
    joints = 5 * np.column_stack([1 - np.cos(turns), np.zeros(5), np.sin(turns)])
    plan = LimbPlan((Limb("lower", joints[:3], 16), Limb("upper", joints[2:], 10)), splices=(Splice("upper", "lower"),))
    result = build(plan, shape)
    found = sound(result, shape)
    assert sorted(found.counts.boundary_loops) == [10, 16] and result.tally.step_downs == 3
    assert not found.poles_in_zones


def test_two_limbs_without_a_join_make_two_pieces() -> None:
    other = Shape(ROUND.positions + [5, 0, 0], ROUND.triangles)
    shape = merged(ROUND, other)
    found = sound(build(LimbPlan((TAIL, Limb("other", TAIL.joints + [5, 0, 0], 8))), shape), shape)
    assert found.counts.components == 2 and sorted(found.counts.boundary_loops) == [8, 8, 10]


def merged(*shapes: Shape) -> Shape:
    offsets = np.cumsum([0, *(len(shape.positions) for shape in shapes)])
    return Shape(np.concatenate([shape.positions for shape in shapes]),
                 np.concatenate([shape.triangles + offset for shape, offset in zip(shapes, offsets[:-1], strict=True)]).astype(np.int32))


def scaled(plan: LimbPlan, factor: float) -> LimbPlan:
    return replace(plan, limbs=tuple(replace(limb, joints=factor * limb.joints) for limb in plan.limbs))


def same_cage(result: BuildResult, other: BuildResult, scale: float = 1.0) -> bool:
    """Whether two cages are of one topology and lie within half an edge of each other: settling stops a hair early or late."""
    edge = np.linalg.norm(np.diff(other.mesh.positions[other.mesh.quads()], axis=1), axis=2).mean()
    alike = np.array_equal(result.mesh.corner_verts, other.mesh.corner_verts)
    return alike and bool(np.linalg.norm(result.mesh.positions / scale - other.mesh.positions, axis=1).max() < 0.5 * edge)


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_a_cage_scales_with_its_target(built_hand: BuildResult, hand_shape: Shape, scale: float) -> None:
    shape = Shape(scale * hand_shape.positions, hand_shape.triangles)
    result = build(scaled(hand_plan(), scale), shape)
    sound(result, shape)
    assert same_cage(result, built_hand, scale)


def test_a_target_wound_the_other_way_gives_the_same_cage(built_hand: BuildResult, hand_shape: Shape) -> None:
    turned = Shape(hand_shape.positions, hand_shape.triangles[:, ::-1])
    result = build(hand_plan(), turned)
    sound(result, turned)
    assert same_cage(result, built_hand)


def test_a_target_that_is_open_below(hand_shape: Shape) -> None:
    shape = open_below(hand_shape, 2, -6.5)
    plan = hand_plan()
    limbs = tuple(replace(limb, joints=np.concatenate([[[0, 0, -6.3]], limb.joints[1:]])) if limb.name == "forearm" else limb
                  for limb in plan.limbs)
    sound(build(replace(plan, limbs=limbs), shape), shape)


def test_another_piece_beside_the_limb_changes_nothing(built_hand: BuildResult, hand_shape: Shape) -> None:
    ball = sphere(1.0, 3)
    shape = merged(hand_shape, Shape(ball.positions + [8, 0, 0], ball.triangles))
    result = build(hand_plan(), shape)
    sound(result, shape)
    assert same_cage(result, built_hand)


def test_faces_that_hang_on_a_target_do_no_harm(hand_shape: Shape) -> None:
    """Doubled triangles, fins on edges inside and outside, a wall across the forearm: all of them non-manifold."""
    rng = np.random.default_rng(0)
    points, triangles = hand_shape
    edges = triangles[rng.integers(0, len(triangles), 80), :2]
    fins = points[edges[:, 0]] + np.repeat([0.1, -0.1], 40)[:, None] * vertex_normals(hand_shape)[edges[:, 0]]
    wall = np.array([[-2, -2, -3.1], [2, -2, -3.1], [2, 2, -3.1], [-2, 2, -3.1]])
    count = len(points)
    extra = [triangles[rng.integers(0, len(triangles), 200)], np.column_stack([edges, count + np.arange(80)]),
             count + 80 + np.array([[0, 1, 2], [0, 2, 3]])]
    shape = Shape(np.concatenate([points, fins, wall]), np.concatenate([triangles, *extra]).astype(np.int32))
    sound(build(hand_plan(), shape), hand_shape)


@pytest.mark.parametrize("plane", ["x", "y", "z"])
def test_an_open_end_on_the_mirror_plane_is_welded(plane: str) -> None:
    axis = "xyz".index(plane)
    shape = Shape(np.roll(capsule(1.0, 8.0, 48, 48).positions - [0, 0, 4], axis - 2, axis=1), ROUND.triangles[:0])
    shape = Shape(shape.positions, capsule(1.0, 8.0, 48, 48).triangles)
    limb = Limb("arm", np.roll(along_z(0, 2, 4), axis - 2, axis=1), 8, tip="closed")
    result = build(LimbPlan((limb,), symmetry=plane, quad_budget=None), shape)
    found = sound(result, shape)
    assert found.counts.components == 1 and found.counts.boundary_loops == ()
    assert (result.tally.tips, result.tally.pole_bound) == (2, 8)
    middle = result.mesh.positions[:, axis] == 0
    assert middle.sum() == 8
    sign = np.where(np.arange(3) == axis, -1.0, 1.0)
    given = {tuple(point) for point in result.mesh.positions.round(9) + 0.0}
    assert {tuple(point) for point in (sign * result.mesh.positions).round(9) + 0.0} == given
    assert len(result.zones) == 2


def test_a_mirrored_limb_off_the_plane_stays_a_piece_of_its_own() -> None:
    shape = merged(Shape(ROUND.positions + [3, 0, 0], ROUND.triangles), Shape(ROUND.positions - [3, 0, 0], ROUND.triangles))
    limb = replace(TAIL, joints=TAIL.joints + [3, 0, 0])
    result = build(LimbPlan((limb,), symmetry="x", quad_budget=300), shape)
    found = sound(result, shape)
    assert found.counts.components == 2 and len(found.counts.boundary_loops) == 2
    assert result.mesh.face_count <= 300


def test_joints_outside_the_target_are_refused_by_name() -> None:
    surface = ReferenceSurface(*ROUND)

    def refusal(*joints: list[float]) -> str:
        with pytest.raises(PlanError) as error:
            build_cage(LimbPlan((Limb("tail", np.array(joints), 8),)), surface)
        return str(error.value)

    middle = refusal([0, 0, 0], [1.5, 0, 4], [0, 0, 8])
    assert middle.startswith('[[limb]] "tail", joints: joint 2 at [1.5, 0, 4] lies outside the target, 0.5 from its skin; move it inside.')
    assert "joint 1 at [0, 0, -5]" in refusal([0, 0, -5], [0, 0, 4], [0, 0, 8])
    far = refusal([0, 0, 100], [0, 0, 104], [0, 0, 108])
    assert "no joint lies inside the target; the joints span [0, 0, 100] to [0, 0, 108], the target [" in far and "unit" in far


def test_an_end_joint_just_past_the_skin_is_taken() -> None:
    sound(build(LimbPlan((Limb("tail", along_z(0, 4, 9.1), 8, tip="closed"),)), ROUND), ROUND)
    tube = cylinder(1.0, 6.0)
    sound(build(LimbPlan((Limb("tail", along_z(0.0, 3, 6.0), 8),)), tube), tube)


def test_progress_is_told_in_order(hand_shape: Shape) -> None:
    told: list[tuple[str, float]] = []
    build_cage(LimbPlan((TAIL,)), ReferenceSurface(*ROUND), lambda stage, share: told.append((stage, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares) and shares[0] == 0 and shares[-1] == 1 and len({stage for stage, _ in told}) == len(told)


def test_a_build_leaves_its_input_alone_and_comes_out_the_same() -> None:
    before = TAIL.joints.copy()
    first, second = (build(LimbPlan((TAIL,)), ROUND) for _ in range(2))
    np.testing.assert_array_equal(TAIL.joints, before)
    np.testing.assert_array_equal(first.mesh.positions, second.mesh.positions)
    np.testing.assert_array_equal(first.mesh.corner_verts, second.mesh.corner_verts)


def test_measures_that_are_kept_give_the_cage_of_a_fresh_build(hand_shape: Shape) -> None:
    class Counting(ReferenceSurface):
        rays = 0

        def cast(self, origins: np.ndarray, directions: np.ndarray) -> object:
            Counting.rays += len(origins)
            return super().cast(origins, directions)

    surface, known = Counting(*hand_shape), {}
    measure_limbs(join_ends(hand_plan()), surface, known)
    first = Counting.rays
    changes = ({"index": {"sides": 10}}, {"palm": {"joint_loops": 1}}, {"ring": {"spans": (3, 3, 3)}}, {"thumb": {"sides": 6}},
               {"forearm": {"up": np.array([0.0, 1.0, 0.0])}}, {"middle": {"tip": "open"}},
               {"little": {"joints": hand_plan().limb("little").joints * 0.999}})
    for change in changes:
        plan = hand_plan()
        (name, values), = change.items()
        plan = replace(plan, limbs=tuple(replace(limb, **values) if limb.name == name else limb for limb in plan.limbs))
        Counting.rays = 0
        kept = measure_limbs(join_ends(plan), surface, known)
        assert Counting.rays < first, name
        assert (Counting.rays == 0) == (name in {"index", "palm", "ring"}), name
        fresh = measure_limbs(join_ends(plan), surface)
        for limb in plan.limbs:
            for field in fields(Measure):
                assert np.array_equal(getattr(kept[limb.name], field.name), getattr(fresh[limb.name], field.name)), (name, limb.name)


@pytest.mark.parametrize("symmetry", [None, "x"])
def test_the_draft_has_the_topology_of_the_finished_cage(symmetry: str | None) -> None:
    drafts: list[PolyMesh] = []
    result = build_cage(LimbPlan((TAIL,), symmetry=symmetry), ReferenceSurface(*ROUND), draft=lambda mesh, counts: drafts.append(mesh))
    (draft,) = drafts
    assert np.array_equal(draft.corner_verts, result.mesh.corner_verts)
    assert not np.array_equal(draft.positions, result.mesh.positions)
    off = ReferenceSurface(*ROUND).closest(draft.positions).distances
    assert np.median(off) < 1e-6


@pytest.mark.parametrize(("seed", "budget"), [(39, 2500), (73, 2400), (176, 600), (201, 2400)])
def test_a_slit_of_a_hole_keeps_the_budget_all_the_same(seed: int, budget: int) -> None:
    """Thin trunks have room for holes one quad wide alone, which take fewer quads out than are counted on."""
    plan, measures = random_plan(np.random.default_rng(seed), explicit=True)
    plan = replace(plan, quad_budget=budget)
    sizes = limb_sizes(plan, measures)
    counts = solve_counts(plan, sizes)
    assert assemble(plan, counts, measures, NoSurface()).mesh.face_count > budget
    _, assembly = fitting_assembly(plan, sizes, counts, measures, NoSurface())
    assert 0.95 * budget < assembly.mesh.face_count <= budget
