"""Sizes of neighbouring faces, rows at a joint, mirror images: planted figures come back."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.evenness import area_jumps, joint_spacings
from ringwright.core.face_geometry import face_area_vectors
from ringwright.core.poles import JointZone
from ringwright.core.polymesh import PolyMesh
from ringwright.core.symmetry import measure_symmetry


def tube(heights: list[float], sides: int = 12) -> PolyMesh:
    angle = 2 * np.pi * np.arange(sides) / sides
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    positions = np.column_stack([np.tile(circle, (len(heights), 1)), np.repeat(heights, sides)])
    ring, side = np.divmod(np.arange((len(heights) - 1) * sides), sides)
    after = (side + 1) % sides
    return PolyMesh.from_quads(positions, np.column_stack(
        [ring * sides + side, ring * sides + after, (ring + 1) * sides + after, (ring + 1) * sides + side]))


def test_area_jumps() -> None:
    mesh = tube([0.0, 1.0, 3.0, 4.0])
    jumps = area_jumps(build_adjacency(mesh), face_area_vectors(mesh))
    assert sorted(set(np.round(jumps.ratios, 9).tolist())) == [1.0, 2.0]
    worst = jumps.edges[jumps.ratios > 1.5]
    assert set(mesh.positions[worst.ravel(), 2].tolist()) == {1.0, 3.0} and len(worst) == 24


def test_rows_at_a_joint() -> None:
    """Only the rows within the joint's zone count, and what a zone's neighbour has does not."""
    mesh = tube([0.0, 2.0, 2.3, 2.8, 5.0])
    zone = JointZone("elbow", np.array([0, 0, 2.4]), np.array([0, 0, 1.0]), 0.45, 2.0)
    beside = JointZone("beside", np.array([9.0, 0, 2.4]), np.array([0, 0, 1.0]), 0.45, 2.0)
    spacings = joint_spacings(mesh, [zone, beside])
    assert list(spacings) == ["elbow"]
    assert spacings["elbow"].rows == 2 and spacings["elbow"].ratio == pytest.approx(0.5 / 0.3)


@pytest.mark.parametrize("limb", [0, 1, -1])
def test_faces_of_another_limb_do_not_count_at_a_joint(limb: int) -> None:
    """Two tubes round one axis, one within the other and with rows of its own: of a zone that knows its limb only that limb's."""
    outer, inner = tube([0.0, 2.0, 2.3, 2.8, 5.0]), tube([0.0, 2.05, 2.4, 2.75, 5.0])
    both = PolyMesh.from_quads(np.concatenate([outer.positions, 0.5 * inner.positions + [0, 0, 1.2]]),
                               np.concatenate([outer.corner_verts, inner.corner_verts + outer.vertex_count]).reshape(-1, 4))
    mesh = both.with_attributes(**{"face.face_limb": np.repeat(np.int32([0, 1]), [outer.face_count, inner.face_count])})
    zone = JointZone("elbow", np.array([0, 0, 2.4]), np.array([0, 0, 1.0]), 0.45, 2.0, limb)
    rows = {0: 2, 1: 2, -1: 4}
    assert joint_spacings(mesh, [zone])["elbow"].rows == rows[limb]
    if limb >= 0:
        assert joint_spacings(mesh, [zone])["elbow"].ratio == pytest.approx((0.5 / 0.3, 1.0)[limb])


def test_mirror_images() -> None:
    random = np.random.default_rng(4)
    half = random.random((300, 3)) + [0.1, 0.0, 0.0]
    both = np.concatenate([half, half * [-1, 1, 1], [[0.0, 0.5, 0.5]]])
    used = np.ones(len(both), dtype=np.bool_)
    whole = measure_symmetry(both, used, 1e-6)
    assert whole is not None and whole.plane == "x" and whole.share == 1.0
    moved = both.copy()
    moved[7] += [0.0, 0.0, 1e-3]
    part = measure_symmetry(moved, used, 1e-6)
    assert part is not None and part.lone.tolist() == [7, 307]
    assert measure_symmetry(moved, used, 2e-3).share == 1.0  # type: ignore[union-attr]
    assert measure_symmetry(random.random((300, 3)), used[:300], 1e-6) is None
    asked = measure_symmetry(both, used, 1e-6, plane="y")
    assert asked is not None and asked.share < 0.1


def test_images_across_cell_walls_are_found() -> None:
    """Mirror images a shade under the distance away, in every direction, whatever cell they fall into."""
    random = np.random.default_rng(5)
    points = random.random((500, 3)) + [0.5, 0.0, 0.0]
    way = random.standard_normal((500, 3))
    shifted = points * [-1, 1, 1] + 0.999e-3 * way / np.linalg.norm(way, axis=1, keepdims=True)
    found = measure_symmetry(np.concatenate([points, shifted]), np.ones(1000, dtype=np.bool_), 1e-3, plane="x")
    assert found is not None and found.share == 1.0


@pytest.mark.parametrize(("lone", "meant"), [(0.0, True), (0.08, True), (0.12, False), (0.6, False)])
def test_a_large_mesh_is_tried_at_a_few_vertices_first(lone: float, meant: bool) -> None:
    """Across z alone, with a share of vertices moved off their images: meant while at least nine in ten have theirs."""
    random = np.random.default_rng(6)
    half = random.random((12_000, 3)) + [0.0, 0.0, 0.1]
    image = half * [1, 1, -1]
    moved = random.random(len(half)) < lone
    image[moved] += [0.0, 0.0, -1e-3]
    found = measure_symmetry(random.permutation(np.concatenate([half, image])), np.ones(24_000, dtype=np.bool_), 1e-6)
    assert (found is not None) is meant
    assert found is None or (found.plane == "z" and found.share == pytest.approx(1.0 - moved.mean(), abs=1e-9))
