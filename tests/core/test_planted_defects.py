"""Every check of the inspection finds what was planted for it: the right elements, place, severity, reason and mend, and nothing before.

Each case plants one defect in a mesh that the same inspection finds sound in that respect.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from ringwright.core.checks import checks_made
from ringwright.core.findings import CHECKS, Expectation, Finding, Limits
from ringwright.core.flex import flex_test, skinned
from ringwright.core.flex_report import with_flex
from ringwright.core.inspection import Inspection, Target, inspect_mesh
from ringwright.core.inspection_text import format_text, to_json
from ringwright.core.joint_motion import JOINT_RANGES, JointRange
from ringwright.core.object_findings import ObjectFacts
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.poles import JointZone, PlanTally
from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.profiles import Profile
from ringwright.core.skeleton import skeleton_of
from support.reference_surface import ReferenceSurface
from support.report_cases import rolled_out
from support.tubes import join, tube

SIDES, RINGS, STEP = 12, 9, 0.5
STRICT = Limits(largest_aspect_ratio=4.0, largest_area_jump=6.0, largest_joint_spacing=1.5, most_open_ends=2, mean_deviation=0.6,
                deviation_percentile_99=1.5, vertex_distance=0.1, largest_uv_stretch=1.2, largest_texel_density=1.5, smallest_uv_margin=4,
                smallest_extent=0.01, largest_extent=100.0)
JOINT = JointZone("elbow", np.array([0, 0, 2.0]), np.array([0, 0, 1.0]), 0.55, 3.0)
PLAN = Expectation(components=1, boundary_loops=2, quads=120, symmetry="x")


@dataclass(frozen=True)
class Planted:
    """A mesh with a defect.

    mesh : with the defect
    elements : what the finding must name, in any order; None: judged by ``place`` alone
    place : where the finding must say to look; None: anywhere at the elements, or nowhere where there are none
    uvs, objects, loose_edges : where the defect is in the map, the object or an edge without a face
    bent : degrees by which the mesh is bent; None: not at all
    sound : the mesh without the defect, where that is not the plain tube
    """

    mesh: PolyMesh
    elements: list[Any] | None = None
    place: FloatArray | None = None
    uvs: FloatArray | None = None
    objects: tuple[ObjectFacts, ...] = (ObjectFacts("arm", np.eye(4), 2.0),)
    loose_edges: list[list[int]] = field(default_factory=list)
    bent: float | None = None
    sound: dict[str, Any] = field(default_factory=dict)


def body() -> PolyMesh:
    return tube(SIDES, RINGS, spacing=STEP)


def moved(changes: Mapping[int, FloatArray | list[float]], mesh: PolyMesh | None = None) -> PolyMesh:
    mesh = mesh or body()
    positions = mesh.positions.copy()
    for vertex, place in changes.items():
        positions[vertex] = place
    return mesh.with_positions(positions)


def with_faces(faces: list[list[int]], *, without: tuple[int, ...] = (), extra: list[list[float]] | None = None) -> PolyMesh:
    mesh = body()
    positions = np.vstack([mesh.positions, extra]) if extra else mesh.positions
    return PolyMesh.from_faces(positions, [mesh.face(k).tolist() for k in range(mesh.face_count) if k not in without] + faces)


def centre(mesh: PolyMesh, face: int) -> FloatArray:
    return np.asarray(mesh.positions[mesh.face(face)].mean(axis=0), dtype=np.float64)


LAST = SIDES * (RINGS - 1)
"""Number of faces of the tube."""
QUAD = body().face(40).tolist()
FLAT = rolled_out(body(), SIDES)
"""The tube's own map, without a fault."""


def triangles() -> Planted:
    mesh = with_faces([QUAD[:3], [QUAD[0], QUAD[2], QUAD[3]]], without=(40,))
    return Planted(mesh, [LAST - 1, LAST], centre(mesh, LAST - 1))


def n_gons() -> Planted:
    outer = body().face(41).tolist()
    return Planted(with_faces([[QUAD[0], QUAD[1], outer[1], outer[2], QUAD[2], QUAD[3]]], without=(40, 41)), [LAST - 2])


def degenerate_faces() -> Planted:
    return Planted(with_faces([[QUAD[0], QUAD[1], QUAD[1], QUAD[3]]], without=(40,)), [LAST - 1])


def duplicate_faces() -> Planted:
    return Planted(with_faces([QUAD]), [LAST])


def non_manifold_edges() -> Planted:
    fin = [[*(body().positions[vertex] * [1.5, 1.5, 1.0])] for vertex in (QUAD[0], QUAD[1])]
    return Planted(with_faces([[QUAD[1], QUAD[0], 108, 109]], extra=fin), [sorted(QUAD[:2])])


def non_manifold_vertices() -> Planted:
    corner = body().positions[96]
    return Planted(with_faces([[96, 108, 109, 110]], extra=[list(corner + way) for way in ([1, 0, 1], [1, 1, 2], [0, 1, 1])]), [96])


def loose_vertices() -> Planted:
    return Planted(with_faces([], extra=[[9.0, 8.0, 7.0]]), [108], np.array([9.0, 8.0, 7.0]))


def loose_edges() -> Planted:
    mesh = body()
    return Planted(mesh, [[0, 50]], mesh.positions[[0, 50]].mean(axis=0), loose_edges=[[0, 50]])


def flipped_faces() -> Planted:
    mesh = with_faces([QUAD[::-1]], without=(40,))
    return Planted(mesh, [LAST - 1], centre(mesh, LAST - 1))


def broken_positions() -> Planted:
    return Planted(moved({50: [np.nan, 0.0, 0.0]}), [50])


def duplicate_vertices() -> Planted:
    return Planted(with_faces([], extra=[list(body().positions[30])]), [108], body().positions[30])


def zero_area_faces() -> Planted:
    spots = body().positions
    return Planted(moved({QUAD[2]: spots[QUAD[1]] + [0, 0, 1e-12], QUAD[3]: spots[QUAD[0]] + [0, 0, 1e-12]}), [40])


def folds() -> Planted:
    """A ring pushed back past the one before it: the rows on both sides of it lie back to back."""
    mesh = body()
    ring = np.arange(4 * SIDES, 5 * SIDES)
    back = {int(vertex): mesh.positions[vertex] * [0.98, 0.98, 1.0] - [0, 0, 0.8] for vertex in ring}
    edges = [sorted((vertex, vertex + 1 if (vertex + 1) % SIDES else vertex + 1 - SIDES)) for vertex in range(3 * SIDES, 5 * SIDES)]
    return Planted(moved(back), edges)


def folded_quads() -> Planted:
    mesh = body()
    return Planted(moved({40: 1.3 * mesh.positions[53] - 0.3 * mesh.positions[40]}))


def poor_quads() -> Planted:
    mesh = body()
    return Planted(moved({40: 0.53 * mesh.positions[40] + 0.47 * mesh.positions[53]}))


def quad_shape() -> Planted:
    """The whole tube twisted, so that all quads are slanted alike."""
    mesh = body()
    turn = 3.2 * mesh.positions[:, 2]
    x, y = mesh.positions[:, 0], mesh.positions[:, 1]
    return Planted(mesh.with_positions(np.column_stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn),
                                                        mesh.positions[:, 2]])))


def ring_raised(height: float) -> PolyMesh:
    mesh = body()
    return moved({vertex: mesh.positions[vertex] + [0, 0, height] for vertex in range(4 * SIDES, 5 * SIDES)})


def long_quads() -> Planted:
    return Planted(ring_raised(0.45), list(range(4 * SIDES, 5 * SIDES)))


def area_jumps() -> Planted:
    return Planted(ring_raised(0.45))


def joint_spacing() -> Planted:
    return Planted(ring_raised(0.2), [], JOINT.centre)


def self_intersections() -> Planted:
    """A spike from one wall through the other."""
    mesh = body()
    return Planted(moved({49: mesh.positions[49] * [-1.4, -1.4, 1.0]}))


def unusual_valence() -> Planted:
    """One end closed by six quads round one vertex."""
    caps = [[108, (2 * k + 1) % SIDES, 2 * k, (2 * k - 1) % SIDES] for k in range(SIDES // 2)]
    return Planted(with_faces(caps, extra=[[0, 0, -0.4]]), [108], np.array([0, 0, -0.4]))


def stepped() -> PolyMesh:
    """The tube with one edge in its wall turned, which makes two 3-poles and two 5-poles at the joint."""
    (a, b, c, d), (_, e, f, _) = body().face(40).tolist(), body().face(41).tolist()
    return with_faces([[d, a, b, e], [d, e, f, c]], without=(40, 41))


def poles_in_joint() -> Planted:
    return Planted(stepped())


def pole_excess() -> Planted:
    return Planted(stepped())


def components() -> Planted:
    mesh = join(body(), tube(4, 2, base=(5.0, 0.0, 0.0)))
    return Planted(mesh, list(range(108, 116)), mesh.positions[108])


def boundary_loops() -> Planted:
    return Planted(with_faces([], without=(40,)), QUAD)


def open_ends() -> Planted:
    return Planted(with_faces([], without=(40,)), QUAD)


def budget() -> Planted:
    return Planted(tube(16, 9, spacing=STEP), [])


def asymmetry() -> Planted:
    mesh = body()
    return Planted(moved({49: mesh.positions[49] + [0, 0, 0.05]}))


def faces_against_target() -> Planted:
    return Planted(PolyMesh.from_quads(body().positions, body().quads()[:, ::-1]), list(range(LAST)))


def vertices_off_target() -> Planted:
    mesh = body()
    return Planted(moved({49: mesh.positions[49] * [1.02, 1.02, 1.0], 80: mesh.positions[80] * [1.03, 1.03, 1.0]}), [80, 49],
                   mesh.positions[80] * [1.03, 1.03, 1.0])


def mean_deviation() -> Planted:
    return Planted(body().with_positions(body().positions * [0.95, 0.95, 1.0]), [])


def deviation_percentile_99() -> Planted:
    mesh = body()
    return Planted(moved({vertex: mesh.positions[vertex] * [0.8, 0.8, 1.0] for vertex in range(4 * SIDES, 5 * SIDES)}), [])


def poor_bend() -> Planted:
    return Planted(tube(SIDES, 17, spacing=0.12), bent=175.0, place=np.array([0, 0, 0.96]), sound={"bent": 20.0})


def pole_in_crease() -> Planted:
    """A 3-pole and 5-poles beside the joint, on the side that the bend closes."""
    return Planted(stepped_at_crease(), bent=60.0, sound={"mesh": tube(SIDES, 17, spacing=0.12), "bent": 60.0})


def stepped_at_crease() -> PolyMesh:
    """Edges turned on all sides in the row below the joint, so that the crease's side is among them."""
    mesh = tube(SIDES, 17, spacing=0.12)
    faces = [mesh.face(k).tolist() for k in range(mesh.face_count)]
    for first in range(7 * SIDES, 8 * SIDES, 2):
        (a, b, c, d), (_, e, f, _) = faces[first], faces[first + 1]
        faces[first], faces[first + 1] = [d, a, b, e], [d, e, f, c]
    return PolyMesh.from_faces(mesh.positions, faces)


def object_with(name: str = "arm", matrix: FloatArray | None = None, extent: float = 2.0) -> Planted:
    return Planted(body(), [], objects=(ObjectFacts(name, np.eye(4) if matrix is None else matrix, extent),))


QUARTER = np.array([[0.0, -1, 0, 5], [1, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])


def uv_overlap() -> Planted:
    doubled = FLAT.copy()
    doubled[: 4 * SIDES] += [0.0, float(FLAT[-1, 1]) / (RINGS - 1)]
    return Planted(body(), list(range(2 * SIDES)), uvs=doubled)


def uv_flipped() -> Planted:
    turned = FLAT.copy()
    turned[4 * 40 : 4 * 41, 0] = turned[4 * 40 : 4 * 41, 0][[1, 0, 3, 2]]
    return Planted(body(), [40], centre(body(), 40), uvs=turned)


def uv_stretch() -> Planted:
    squeezed = FLAT * [1.0, 0.3]
    squeezed[4 * 40 + 2 : 4 * 40 + 4, 1] -= 0.005
    return Planted(body(), [40], centre(body(), 40), uvs=squeezed)


def texel_density() -> Planted:
    halves = FLAT.copy()
    halves[: 4 * SIDES] = 0.5 * halves[: 4 * SIDES] + [0.0, -0.6 * float(FLAT[:, 1].max()) / (RINGS - 1) + 0.9]
    return Planted(body(), [], uvs=halves)


def uv_margin() -> Planted:
    close = FLAT.copy()
    close[4 * SIDES :, 1] += 1.5 / 1024
    return Planted(body(), [], uvs=close)


def uv_outside() -> Planted:
    return Planted(body(), [], uvs=FLAT + [0.4, 0.0])


OBJECTS: dict[str, Callable[[], Planted]] = {
    "object_name": lambda: object_with("Cube.001"), "mirrored_object": lambda: object_with(matrix=np.diag([-1.0, 1, 1, 1])),
    "uneven_scale": lambda: object_with(matrix=np.diag([1.0, 2, 1, 1])),
    "unapplied_scale": lambda: object_with(matrix=np.diag([2.0, 2, 2, 1])),
    "unapplied_rotation": lambda: object_with(matrix=QUARTER), "object_size": lambda: object_with(extent=5000.0)}

SEVERITIES = {
    **dict.fromkeys(("triangles", "n_gons", "degenerate_faces", "duplicate_faces", "non_manifold_edges", "non_manifold_vertices",
                     "flipped_faces", "broken_positions", "duplicate_vertices", "zero_area_faces", "folded_quads", "components",
                     "boundary_loops", "open_ends", "budget", "faces_against_target", "mirrored_object"), "error"),
    **dict.fromkeys(("object_name", "unapplied_rotation", "uv_outside"), "note")}
"""Severity by check where it is no warning."""

WORDS = {
    "triangles": ("2", "Dissolve"), "n_gons": ("more than four", "Cut"), "degenerate_faces": ("twice", "Delete"),
    "duplicate_faces": ("same vertices", "Delete"), "non_manifold_edges": ("more than two faces", "Delete"),
    "non_manifold_vertices": ("touch", "Split"), "loose_vertices": ("without a face", "Delete"),
    "loose_edges": ("without a face", "Delete"),
    "flipped_faces": ("against their neighbours", "normals"), "broken_positions": ("not a number", "Delete"),
    "duplicate_vertices": ("same place", "Merge"), "zero_area_faces": ("without area", "Collapse"), "folds": ("150 degrees", "Relax"),
    "folded_quads": ("not convex", "Relax"), "poor_quads": ("under 0.2", "Relax"), "quad_shape": ("under 0.5", "Relax"),
    "long_quads": ("over 4", "rings"), "self_intersections": ("pass through", "Move"), "area_jumps": ("6 times", "Even out"),
    "unusual_valence": ("3-poles and 5-poles", "Split"), "poles_in_joint": ("elbow", "between two joints"),
    "pole_excess": ("more than the plan's bound of 0", "Cancel"), "joint_spacing": ("elbow", "evenly"),
    "components": ("2 pieces instead of 1", "Join"), "boundary_loops": ("3 open ends instead of 2", "Patch"),
    "open_ends": ("3 open ends, over 2", "Patch"), "budget": ("8 over the budget of 120", "fewer"), "asymmetry": ("x = 0", "Mirror"),
    "faces_against_target": ("against the target", "Settle"), "vertices_off_target": ("0.1 %", "Settle"),
    "mean_deviation": ("over 0.6 %", "Add rings"), "deviation_percentile_99": ("over 1.5 %", "Add rings"),
    "poor_bend": ("stalk.2", "Improve Bends"), "pole_in_crease": ("crease", "Move"), "object_name": ("Cube.001", "Name"),
    "mirrored_object": ("negative", "Apply"), "uneven_scale": ("unevenly", "Apply"), "unapplied_scale": ("by 2", "Apply"),
    "unapplied_rotation": ("turned", "Apply"), "object_size": ("5e+03 m", "unit"), "uv_overlap": ("more than once", "apart"),
    "uv_flipped": ("turned over", "Unwrap"), "uv_stretch": ("over 1.2", "seams"), "texel_density": ("over 1.5", "Even out"),
    "uv_margin": ("under 4", "margin"), "uv_outside": ("outside", "Pack")}
"""Words that a check's reason and mend must have."""


def plant(name: str) -> Planted:
    return OBJECTS[name]() if name in OBJECTS else globals()[name]()


def inspected(planted: Planted, name: str, limits: Limits = STRICT) -> Inspection:
    """Everything looked at; checks of the fit against a round tube, bends where one is planted."""
    dense = tube(240, RINGS, spacing=STEP)
    target = Target(dense, ReferenceSurface.from_mesh(dense), ReferenceSurface.from_mesh(planted.mesh)) if name in FIT else None
    uvs = planted.uvs if planted.uvs is not None else FLAT if planted.mesh.face_count == LAST and planted.bent is None else None
    inspection = inspect_mesh(planted.mesh, target=target, tally=PlanTally(0, 0, 0), joint_zones=[JOINT], expectation=PLAN,
                              profile=Profile(limits), objects=planted.objects, uvs=uvs,
                              loose_edges=np.array(planted.loose_edges, dtype=np.int32).reshape(-1, 2))
    if planted.bent is None:
        return inspection
    plan = LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 0.96], [0, 0, 1.92]])),))
    return with_flex(inspection, flex_test(skinned(planted.mesh, skeleton_of(plan)), {**JOINT_RANGES, "other": JointRange(planted.bent)}))


BENDS = ("poor_bend", "pole_in_crease")
PLACELESS = {*OBJECTS, "budget", "broken_positions", "texel_density", "uv_margin", "uv_outside"}
"""Checks of what is nowhere in space: the whole object, the whole map, the number of faces, a position that is no number."""
FIT = ("faces_against_target", "vertices_off_target", "mean_deviation", "deviation_percentile_99")


def found(inspection: Inspection, name: str) -> list[Finding]:
    return [finding for finding in inspection.findings if finding.name == name]


def test_there_is_a_planted_defect_for_every_check() -> None:
    assert set(WORDS) == set(CHECKS)


@pytest.mark.parametrize("name", CHECKS)
def test_planted_defect_is_found(name: str) -> None:
    planted = plant(name)
    sound = replace(planted, mesh=body(), uvs=None, loose_edges=[], objects=(ObjectFacts("arm", np.eye(4), 2.0),))
    before = inspected(replace(sound, **({"bent": None} | planted.sound)), name)
    assert not found(before, name) and name in checks_made(before)

    inspection = inspected(planted, name)
    (finding,) = found(inspection, name)
    assert finding.severity == SEVERITIES.get(name, "warning")
    assert inspection.passed is all(each.severity != "error" for each in inspection.findings)
    reason, mend = WORDS[name]
    assert reason in finding.reason and mend in finding.mend, (finding.reason, finding.mend)
    assert finding.reason.endswith(".") and finding.mend.endswith(".")
    if planted.elements is not None:
        assert sorted(finding.elements.tolist()) == sorted(planted.elements)
    if planted.place is not None:
        np.testing.assert_allclose(finding.place, planted.place, atol=1e-9)
    assert name in checks_made(inspection)
    assert finding.reason in format_text(inspection)
    assert name in {each["name"] for each in to_json(inspection)["findings"]}


@pytest.mark.parametrize("name", [name for name in CHECKS if name not in PLACELESS])
def test_place_lies_where_the_elements_are(name: str) -> None:
    """Within the box of what is named, or, for the mesh as a whole and for a bend, of the mesh."""
    planted = plant(name)
    (finding,) = found(inspected(planted, name), name)
    assert finding.place is not None
    vertices = {"vertex": lambda: finding.elements, "edge": lambda: finding.elements[:1].ravel(),
                "face": lambda: planted.mesh.face(int(finding.elements[0])), "mesh": lambda: np.arange(planted.mesh.vertex_count)}
    near = planted.mesh.positions[vertices["mesh" if name in BENDS else finding.domain]()]
    assert (finding.place >= near.min(axis=0) - 1e-9).all() and (finding.place <= near.max(axis=0) + 1e-9).all()


LOOSE: dict[str, tuple[str, float | None]] = {
    "smallest_scaled_jacobian": ("poor_quads", 0.01), "first_percentile_scaled_jacobian": ("quad_shape", 0.0),
    "fold_angle": ("folds", 180.0), "duplicate_distance": ("duplicate_vertices", 0.0),
    "smallest_area": ("zero_area_faces", 0.0), "vertex_distance": ("vertices_off_target", 5.0), "mean_deviation": ("mean_deviation", None),
    "deviation_percentile_99": ("deviation_percentile_99", 50.0), "largest_aspect_ratio": ("long_quads", 50.0),
    "largest_area_jump": ("area_jumps", None), "largest_joint_spacing": ("joint_spacing", 9.0), "symmetry_distance": ("asymmetry", 5.0),
    "most_open_ends": ("open_ends", 3), "largest_extent": ("object_size", 1e4), "largest_uv_overlap": ("uv_overlap", 60.0),
    "largest_uv_stretch": ("uv_stretch", 9.0), "largest_texel_density": ("texel_density", None), "smallest_uv_margin": ("uv_margin", 1)}
"""Limit to the check that it moves, and a value at which the planted defect is let pass."""


@pytest.mark.parametrize("limit", LOOSE)
def test_a_profiles_limit_decides(limit: str) -> None:
    name, loose = LOOSE[limit]
    moved_limit = replace(STRICT, **{limit: loose})  # type: ignore[arg-type]
    planted = plant(name)
    if limit == "duplicate_distance":  # what coincides exactly stays a fault at any distance
        planted = Planted(moved({108: planted.mesh.positions[108] + [0, 0, 1e-7]}, planted.mesh))
    assert found(inspected(planted, name), name) and not found(inspected(planted, name, moved_limit), name)


def test_every_limit_is_tried() -> None:
    others = {"most_faces", "smallest_extent"}
    assert set(LOOSE) | others == set(Limits.__dataclass_fields__)
    over = replace(STRICT, most_faces=LAST - 1)
    (finding,) = found(inspected(Planted(body()), "budget", over), "budget")
    assert f"1 over the budget of {LAST - 1}" in finding.reason
    small = replace(STRICT, smallest_extent=3.0)
    assert found(inspected(object_with(), "object_size", small), "object_size")
