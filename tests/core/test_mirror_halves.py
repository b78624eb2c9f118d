"""Mirror planes, matches by topology, repairs."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.errors import MeshError
from ringwright.core.mirror_halves import asymmetry, mirror_match, one_sided, symmetrised
from ringwright.core.mirror_plane import MirrorPlane
from ringwright.core.polymesh import PolyMesh
from support.edit_checks import neighbours_agree
from support.tubes import join, tube

ACROSS_X = MirrorPlane(np.zeros(3), np.array([1.0, 0, 0]))


def barrel() -> PolyMesh:
    """A tube whose columns lie on the plane x = 0 twice."""
    return tube(12, 7, turn=np.pi / 2)


@pytest.mark.parametrize("turn", [0.0, np.pi / 12, 0.3])
def test_a_tube_matches_whether_vertices_or_edges_lie_on_the_plane(turn: float) -> None:
    mesh = tube(12, 5, turn=turn)
    plane = MirrorPlane(np.zeros(3), np.array([np.cos(turn), np.sin(turn), 0]))
    partner = mirror_match(mesh, plane)
    assert neighbours_agree(mesh, partner) and asymmetry(mesh, plane, partner).max() < 1e-12


def test_the_match_holds_when_one_side_was_moved() -> None:
    mesh = barrel()
    expected = mirror_match(mesh, ACROSS_X)
    rng = np.random.default_rng(2)
    moved = mesh.with_positions(mesh.positions + 0.05 * rng.standard_normal(mesh.positions.shape))
    assert np.array_equal(mirror_match(moved, ACROSS_X), expected)


def test_repair_is_exact_and_moves_no_more_than_half_the_fault() -> None:
    mesh = barrel()
    partner = mirror_match(mesh, ACROSS_X)
    rng = np.random.default_rng(4)
    moved = mesh.with_positions(mesh.positions + 0.03 * rng.standard_normal(mesh.positions.shape))
    repaired = symmetrised(moved, ACROSS_X, partner)
    assert asymmetry(repaired, ACROSS_X, partner).max() < 1e-12
    step = np.linalg.norm(repaired.positions - moved.positions, axis=1)
    assert (step <= 0.5 * asymmetry(moved, ACROSS_X, partner) + 1e-12).all()
    on_plane = partner == np.arange(mesh.vertex_count)
    assert on_plane.sum() == 14 and np.abs(repaired.positions[on_plane, 0]).max() < 1e-15


def test_an_edited_side_is_carried_over() -> None:
    mesh = barrel()
    partner = mirror_match(mesh, ACROSS_X)
    edited = mesh.positions.copy()
    edited[edited[:, 0] > 0.1] += [0.2, 0.1, 0.05]
    both = one_sided(mesh.with_positions(edited), ACROSS_X, partner)
    assert asymmetry(both, ACROSS_X, partner).max() < 1e-12
    kept = mesh.positions[:, 0] > 0.1
    assert np.allclose(both.positions[kept], edited[kept])


def test_halves_that_are_not_alike_are_refused() -> None:
    mesh = barrel()
    quads = mesh.quads()
    right = int(np.argmax(mesh.positions[quads].mean(axis=1)[:, 0]))
    cut = PolyMesh.from_faces(mesh.positions, [face.tolist() for index, face in enumerate(quads) if index != right])
    with pytest.raises(MeshError, match="not built alike"):
        mirror_match(cut, ACROSS_X)


@pytest.mark.parametrize("seed", range(4))
def test_of_several_images_the_nearest_is_taken(seed: int) -> None:
    """A tube is its own image in as many ways as it has sides; noise of most of an edge must not choose another one."""
    mesh = barrel()
    noise = 0.3 * np.random.default_rng(seed).standard_normal(mesh.positions.shape)
    assert np.array_equal(mirror_match(mesh.with_positions(mesh.positions + noise), ACROSS_X), mirror_match(mesh, ACROSS_X))


def lopsided() -> PolyMesh:
    """A tube of which a row of quads is missing on one border, so that it has one image alone."""
    mesh = barrel()
    middles = mesh.positions[mesh.quads()].mean(axis=1)
    return PolyMesh.from_faces(mesh.positions, [face.tolist() for face, middle in zip(mesh.quads(), middles, strict=True)
                                                if not (middle[1] > 0.5 and middle[2] > 5)])


@pytest.mark.parametrize("way", ["shifted off the plane", "noise of two edges", "one side laid elsewhere"])
def test_a_match_by_topology_does_not_mind_places(way: str) -> None:
    mesh = lopsided()
    used = np.unique(mesh.corner_verts)
    mesh = PolyMesh(mesh.positions[used], np.searchsorted(used, mesh.corner_verts).astype(np.int32), mesh.face_offsets)
    expected, moved = mirror_match(mesh, ACROSS_X), mesh.positions.copy()
    if way == "shifted off the plane":
        moved += [2.5, 0, 0]
    elif way == "noise of two edges":
        moved += np.random.default_rng(5).standard_normal(moved.shape)
    else:
        moved[moved[:, 0] > 0.1] = moved[moved[:, 0] > 0.1][:, [2, 0, 1]] + [3.0, 1.0, 0.0]
    assert np.array_equal(mirror_match(mesh.with_positions(moved), ACROSS_X), expected)


def test_two_pieces_are_each_others_images() -> None:
    mesh = join(tube(12, 7, base=(3, 0, 0), turn=0.3), tube(12, 7, base=(-3, 0, 0), turn=np.pi - 0.3))
    partner = mirror_match(mesh, ACROSS_X)
    assert neighbours_agree(mesh, partner) and asymmetry(mesh, ACROSS_X, partner).max() < 1e-12
    assert set((partner[: mesh.vertex_count // 2] >= mesh.vertex_count // 2).tolist()) == {True}


def test_a_piece_without_an_image_is_refused() -> None:
    mesh = join(tube(12, 7, base=(3, 0, 0)), tube(12, 7, base=(-3, 0, 0)))
    bare = PolyMesh.from_faces(mesh.positions, [face.tolist() for face in mesh.quads()[1:]])
    with pytest.raises(MeshError, match="not built alike: at most"):
        mirror_match(bare, ACROSS_X)


def test_a_piece_beside_the_plane_is_not_its_own_image() -> None:
    """A cube joined to one side would be dragged onto the plane."""
    cube = tube(4, 2, base=(4, 0, 0))
    mirror_match(barrel(), ACROSS_X)
    mirror_match(cube, ACROSS_X)
    with pytest.raises(MeshError, match="not built alike: at most 72 of 76"):
        mirror_match(join(barrel(), cube), ACROSS_X)


def test_vertices_without_a_face_are_told() -> None:
    mesh = barrel()
    with pytest.raises(MeshError, match="belong to no face: 1"):
        mirror_match(PolyMesh(np.vstack([mesh.positions, [[5.0, 0, 0]]]), mesh.corner_verts, mesh.face_offsets), ACROSS_X)
