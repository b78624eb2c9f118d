"""Halves cut along strips and mirrored: all quads, regular on the plane, exact images."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.build import build_cage
from ringwright.core.errors import MeshError
from ringwright.core.mirror_cut import image_limbs, mirror_by_cut, mirror_half_across
from ringwright.core.mirror_plane import MirrorPlane
from ringwright.core.plan import Fork, Limb, LimbPlan
from ringwright.core.poles import count_poles
from ringwright.core.polymesh import PolyMesh
from support.edit_checks import neighbours_agree
from support.reference_surface import ReferenceSurface
from support.shapes import fork, fork_chains
from support.tubes import tube


def straddling_tube(sides: int = 12) -> PolyMesh:
    """A tube of which two columns of quads straddle the plane x = 0, one side of it moved a little."""
    mesh = tube(sides, 7, turn=np.pi / 2 + np.pi / sides)
    points = mesh.positions.copy()
    points[points[:, 0] < -0.1] *= [1.1, 1.0, 1.0]
    return mesh.with_positions(points).with_attributes(vertex__limb=np.where(points[:, 0] < 0, 4, 3).astype(np.int32))


@pytest.mark.parametrize("positive", [True, False])
def test_a_tube_becomes_its_own_image(positive: bool) -> None:
    mesh = straddling_tube()
    found = mirror_by_cut(mesh, "x", positive=positive)
    assert (found.mesh.face_sizes == 4).all() and found.mesh.face_count == mesh.face_count + 2 * 6
    assert np.array_equal(found.mesh.positions[found.partner], found.mesh.positions * [-1, 1, 1])
    assert neighbours_agree(found.mesh, found.partner)
    kept = (mesh.positions[:, 0] > 0) == positive
    assert np.abs(found.mesh.positions[:, 0]).max() == pytest.approx(np.abs(mesh.positions[kept, 0]).max())


def test_the_plane_gets_no_pole_and_the_ends_stay_open() -> None:
    found = mirror_by_cut(straddling_tube(), "x")
    adjacency = build_adjacency(found.mesh)
    assert count_poles(found.mesh, adjacency).weight == 0
    rim = adjacency.edge_verts[adjacency.edge_face_count == 1]
    assert len(np.unique(components(found.mesh.vertex_count, rim)[rim])) == 2
    on_plane = found.partner == np.arange(found.mesh.vertex_count)
    assert on_plane.sum() == 14 and (found.mesh.positions[on_plane, 0] == 0).all()


def test_faces_keep_looking_outward() -> None:
    found = mirror_by_cut(straddling_tube(), "x").mesh
    corners = found.positions[found.quads()]
    normals = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    assert (np.einsum("ij,ij->i", normals, corners.mean(axis=1) * [1, 1, 0]) > 0).all()


@pytest.mark.parametrize("positive", [True, False])
def test_a_mirrored_cage_is_mirrored_again_along_its_edges(positive: bool) -> None:
    """A cage whose edges lie on the plane is parted there: no quad is cut, an edit of the kept side goes over."""
    once = mirror_by_cut(straddling_tube(), "x").mesh
    sign = 1 if positive else -1
    edited = once.positions + [0.1 * sign, 0.2, 0] * (sign * once.positions[:, :1] > 0.3)
    again = mirror_by_cut(once.with_positions(edited), "x", positive=positive)
    assert again.mesh.face_count == once.face_count and again.mesh.vertex_count == once.vertex_count
    assert neighbours_agree(again.mesh, again.partner)
    found = {tuple(point) for point in np.round(again.mesh.positions, 9)}
    for x, y, z in np.round(edited[sign * edited[:, 0] > 0.3], 9):
        assert (x, y, z) in found and (-x, y, z) in found


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("positive", [True, False])
def test_any_plane_cuts_as_the_worlds_own_does(seed: int, positive: bool) -> None:
    rng = np.random.default_rng(seed)
    turn, shift = np.linalg.qr(rng.standard_normal((3, 3)))[0], 5 * rng.standard_normal(3)
    mesh = straddling_tube()
    if np.linalg.det(turn) < 0:
        turn[:, 2] *= -1
    plane = MirrorPlane(shift, turn[:, 0])
    found = mirror_half_across(mesh.with_positions(mesh.positions @ turn.T + shift), plane, positive=positive)
    wanted = mirror_by_cut(mesh, "x", positive=positive)
    assert np.abs(found.mesh.positions - (wanted.mesh.positions @ turn.T + shift)).max() < 1e-12
    assert np.array_equal(found.mesh.corner_verts, wanted.mesh.corner_verts) and np.array_equal(found.partner, wanted.partner)


def test_limbs_of_the_other_side_get_their_own_numbers() -> None:
    found = mirror_by_cut(straddling_tube(), "x", limb_images={3: 4, 4: 3}).mesh
    limbs = found.attributes["vertex.limb"]
    assert set(limbs[found.positions[:, 0] < -0.3].tolist()) == {4} and set(limbs[found.positions[:, 0] > 0.3].tolist()) == {3}


def forked(sides: int = 8) -> tuple[PolyMesh, int]:
    """A fork of two branches, webs an odd number of quads wide so that one strip runs through their middle."""
    chains = fork_chains()
    names = list(chains)
    branches = names[1:]
    limbs = (Limb(names[0], chains[names[0]].joints, sides=2 * sides), *(Limb(name, chains[name].joints, sides=sides, tip="closed")
                                                                         for name in branches))
    plan = LimbPlan(limbs, (Fork(names[0], tuple(branches), (1,) * (len(branches) - 1)),))
    result = build_cage(plan, ReferenceSurface(*fork(64)))
    return result.mesh, result.tally.pole_bound


def test_a_fork_keeps_its_poles_at_the_bound() -> None:
    mesh, bound = forked()
    if len(fork_chains()) != 3:
        pytest.skip("the shape has no plane between two branches")
    found = mirror_by_cut(mesh, "x")
    assert count_poles(found.mesh, build_adjacency(found.mesh)).weight == bound
    assert np.array_equal(found.mesh.positions[found.partner], found.mesh.positions * [-1, 1, 1])


def test_a_mesh_without_a_strip_on_the_plane_is_refused() -> None:
    with pytest.raises(MeshError, match="No strip of quads runs along the plane"):
        mirror_by_cut(tube(12, 5, base=(5, 0, 0)), "x")


def test_other_faces_are_refused() -> None:
    with pytest.raises(MeshError, match="not quads"):
        mirror_by_cut(PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]]), "x")


def test_limbs_find_their_other_side_by_name() -> None:
    assert image_limbs(["spine", "arm.L", "leg_left", "arm.R", "leg_right", "tail.L"]) == {1: 3, 3: 1, 2: 4, 4: 2}
