"""Limbs of vertices after an artist's edits: blended numbers, joined pieces, another order of the plan's limbs."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.build import BuildResult, build_cage
from ringwright.core.errors import MeshError
from ringwright.core.plan import Fork, Limb, LimbPlan
from ringwright.core.polymesh import FACE_LIMB, VERTEX_LIMB, PolyMesh
from ringwright.core.skeleton import skeleton_of
from ringwright.core.vertex_limbs import added_vertices, possible_limbs, renumbered
from support.fork_plan import fork_plan
from support.reference_surface import ReferenceSurface
from support.shapes import fork


@pytest.fixture(scope="module")
def built() -> BuildResult:
    return build_cage(fork_plan(), ReferenceSurface(*fork(48)))


def test_a_built_cage_tells_one_limb_a_vertex(built: BuildResult) -> None:
    table = possible_limbs(built.mesh, skeleton_of(fork_plan()))
    assert (table.sum(axis=1) == 1).all() and np.array_equal(table.argmax(axis=1), built.mesh.attributes[VERTEX_LIMB])


def test_where_vertices_and_faces_disagree_the_faces_are_believed(built: BuildResult) -> None:
    """A vertex on the border of limbs 0 and 2 that was cut in, and so bears their mean."""
    mesh, limbs = built.mesh, built.mesh.attributes[VERTEX_LIMB].copy()
    of_corners = np.repeat(mesh.attributes[FACE_LIMB], mesh.face_sizes)
    touching = [{*of_corners[mesh.corner_verts == vertex].tolist()} for vertex in range(mesh.vertex_count)]
    border = touching.index({0, 2})
    limbs[border] = 1
    table = possible_limbs(mesh.with_attributes(vertex__limb=limbs), skeleton_of(fork_plan()))
    assert table[border].tolist() == [True, False, True]


def with_cube(mesh: PolyMesh) -> PolyMesh:
    """The mesh joined with a cube, whose numbers the host sets to 0."""
    corners = np.array([[x, y, z] for x in (8.0, 9) for y in (8.0, 9) for z in (8.0, 9)])
    quads = np.array([[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])
    joined = PolyMesh.from_quads(np.concatenate([mesh.positions, corners]), np.concatenate([mesh.quads(), quads + mesh.vertex_count]))
    return joined.with_attributes(vertex__limb=np.concatenate([mesh.attributes[VERTEX_LIMB], np.zeros(8, dtype=np.int32)]),
                                  face__face_limb=np.concatenate([mesh.attributes[FACE_LIMB], np.zeros(6, dtype=np.int32)]))


def test_a_joined_piece_may_follow_any_limb(built: BuildResult) -> None:
    joined, skeleton = with_cube(built.mesh), skeleton_of(fork_plan())
    assert np.flatnonzero(added_vertices(joined, skeleton)).tolist() == list(range(built.mesh.vertex_count, joined.vertex_count))
    table = possible_limbs(joined, skeleton)
    assert table[-8:].all() and (table[:-8].sum(axis=1) == 1).all()


def test_both_sides_of_a_mirrored_limb_are_its_own() -> None:
    joints = np.array([[2.0, 0, 0], [2, 0, 4]])
    skeleton = skeleton_of(LimbPlan((Limb("arm", joints),), symmetry="x"))
    ring = np.array([[2.0, 0, 0], [3, 0, 0], [3, 1, 0], [2, 1, 0]])
    quads = np.array([[0, 1, 2, 3], [4, 5, 6, 7]])
    both = PolyMesh.from_quads(np.concatenate([ring, ring * [-1, 1, 1]]), quads).with_attributes(vertex__limb=np.zeros(8, dtype=np.int32))
    assert not added_vertices(both, skeleton).any()


def test_limbs_are_told_by_their_joints_and_then_by_their_names(built: BuildResult) -> None:
    plan = fork_plan()
    trunk, left, right = plan.limbs
    renamed = Limb("wing", left.joints, tip="closed")
    moved = Limb("right", right.joints + 0.01, tip="closed")
    now = LimbPlan((moved, renamed, trunk), (Fork("trunk", ("wing", "right")),))
    mesh = renumbered(built.mesh, plan, now)
    swapped = np.array([2, 1, 0])
    assert np.array_equal(mesh.attributes[VERTEX_LIMB], swapped[built.mesh.attributes[VERTEX_LIMB]])
    assert np.array_equal(mesh.attributes[FACE_LIMB], swapped[built.mesh.attributes[FACE_LIMB]])


def test_a_limb_that_is_gone_is_named(built: BuildResult) -> None:
    plan = fork_plan()
    with pytest.raises(MeshError, match='built with the limb "right", which the plan no longer has; build the cage anew'):
        renumbered(built.mesh, plan, LimbPlan(plan.limbs[:2]))
