"""Meshes and bones that do not belong together are told in one sentence, those that do are let through."""

from __future__ import annotations

import re
from dataclasses import replace

import igl
import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rig_fit import check_rig_fit, winding_numbers
from ringwright.core.skeleton import Skeleton, skeleton_of
from support.tubes import tube


def stalk(joints: list[list[float]]) -> Skeleton:
    return skeleton_of(LimbPlan((Limb("stalk", np.array(joints, dtype=float)),)))


STRAIGHT = [[0.0, 0, 0.2], [0, 0, 3], [0, 0, 5.8]]


def test_what_fits_is_let_through() -> None:
    check_rig_fit(tube(12, 13, spacing=0.5), stalk(STRAIGHT))


def test_an_open_end_and_a_hole_are_no_reason() -> None:
    mesh = tube(12, 13, spacing=0.5)
    holed = PolyMesh.from_quads(mesh.positions, np.delete(mesh.quads(), range(30, 50), axis=0))
    check_rig_fit(holed, stalk([[0, 0, -0.5], [0, 0, 3], [0, 0, 6.5]]))


def test_a_bowed_limbs_straight_bone_may_leave_it_a_little() -> None:
    check_rig_fit(tube(12, 13, spacing=0.5), stalk([[0, 0.8, 0.2], [0, 1.3, 3], [0, 0.8, 5.8]]))


@pytest.mark.parametrize(("joints", "words"), [
    ([[0, 0, 0.2], [0, 9, 3], [0, 0, 5.8]], 'Joints 1 and 2 of "stalk" lie outside the cage, .* from it; move them inside'),
    ([[0, 0, 0.2], [0, 0, 3], [0, 0, 40]], 'Joints 2 and 3 of "stalk" lie outside'),
    ([[50, 0, 0.2], [50, 0, 3]], 'Joints 1 and 2 of "stalk" lie outside')])
def test_bones_outside_are_named(joints: list[list[float]], words: str) -> None:
    with pytest.raises(MeshError, match=words):
        check_rig_fit(tube(12, 13, spacing=0.5), stalk(joints))


def test_a_limb_without_faces_is_named() -> None:
    mesh = tube(12, 13, spacing=0.5)
    two = skeleton_of(LimbPlan((Limb("stalk", np.array(STRAIGHT)), Limb("twig", np.array(STRAIGHT)))))
    with pytest.raises(MeshError, match=re.escape('The cage has no face of "twig", which the plan has; build the cage anew')):
        check_rig_fit(mesh.with_attributes(vertex__limb=np.zeros(mesh.vertex_count, dtype=np.int32)), two)


def test_a_coordinate_that_is_no_number_is_told() -> None:
    mesh = tube(12, 13, spacing=0.5)
    broken = mesh.positions.copy()
    broken[3, 1] = np.nan
    with pytest.raises(MeshError, match="coordinates are no numbers: 1; delete them"):
        check_rig_fit(mesh.with_positions(broken), stalk(STRAIGHT))


def test_faces_without_area_are_told() -> None:
    mesh = tube(12, 13, spacing=0.5)
    with pytest.raises(MeshError, match="have no area; look at the object's scale"):
        check_rig_fit(mesh.with_positions(np.zeros_like(mesh.positions)), stalk(STRAIGHT))


def test_winding_numbers_are_those_of_libigl() -> None:
    mesh = tube(9, 13, spacing=0.5)
    points = np.random.default_rng(3).uniform([-3, -3, -2], [3, 3, 8], (200, 3))
    mesh = replace(mesh, positions=mesh.positions + np.random.default_rng(4).normal(0, 0.1, mesh.positions.shape))
    exact = igl.winding_number(mesh.positions, mesh.triangles().astype(np.int64), points)
    assert np.allclose(winding_numbers(mesh, points), exact, atol=1e-9)
