"""Face mending on half-finished meshes."""

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.errors import MeshError
from ringwright.core.make_quads import MadeQuads, make_quads
from ringwright.core.mend_faces import carry_odd_face, find_odd_faces, merge_odd_pairs, split_even_faces
from ringwright.core.polymesh import PolyMesh
from ringwright.core.quality import scaled_jacobian
from support.edit_checks import assert_oriented_manifold, assert_rest_untouched
from support.random_meshes import grid_faces


def sheet(rows, columns, faces=None):
    x, y = np.meshgrid(np.arange(columns + 1), np.arange(rows + 1))
    positions = np.column_stack([x.ravel(), y.ravel(), 0.1 * np.sin(x.ravel())]).astype(float)
    return PolyMesh.from_faces(positions, grid_faces(rows, columns) if faces is None else faces)


def mended(mesh: PolyMesh, inner_vertices: bool | None = None) -> MadeQuads:
    """A mesh with all faces chosen and no edge locked."""
    everything, free = np.ones(mesh.face_count, dtype=np.bool_), np.zeros(build_adjacency(mesh).edge_count, dtype=np.bool_)
    return make_quads(mesh, everything, free, inner_vertices=inner_vertices)


def halved(faces, index):
    a, b, c, d = faces[index]
    return [*faces[:index], [a, b, c], [a, c, d], *faces[index + 1 :]]


def test_triangle_pair_becomes_the_quad_it_was():
    faces = halved(grid_faces(3, 3), 4)
    result = mended(sheet(3, 3, faces))
    assert result.edit.mesh.face_sizes.tolist() == [4] * 9 and result.odd_faces == ()
    assert_rest_untouched(sheet(3, 3, faces), result.edit)


def test_all_triangles_of_a_sheet_pair_up():
    faces = grid_faces(3, 4)
    triangles = [part for quad in faces for part in ([quad[0], quad[1], quad[2]], [quad[0], quad[2], quad[3]])]
    result = mended(sheet(3, 4, triangles))
    assert result.edit.mesh.face_sizes.tolist() == [4] * 12
    assert_oriented_manifold(result.edit.mesh)


def test_locked_edges_stay():
    mesh = sheet(3, 3, halved(grid_faces(3, 3), 4))
    adjacency = build_adjacency(mesh)
    assert merge_odd_pairs(mesh, adjacency, np.ones(adjacency.edge_count, dtype=bool)).mesh.face_count == mesh.face_count


def test_folded_pair_does_not_merge():
    mesh = PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0.3, 0.3, 1.5]], [[0, 1, 2], [2, 1, 3]])
    assert mended(mesh).edit.mesh.face_count == 2


def test_triangle_and_pentagon_merge_and_split():
    mesh = PolyMesh.from_faces([[0, 0, 0], [2, 0, 0], [2, 1, 0], [1, 2, 0], [0, 1, 0], [1, -1, 0]],
                               [[0, 1, 2, 3, 4], [1, 0, 5]])
    result = mended(mesh)
    assert result.edit.mesh.face_sizes.tolist() == [4, 4]
    assert_oriented_manifold(result.edit.mesh)


@pytest.mark.parametrize("inner_vertices", [False, True])
def test_large_hole_filled_by_one_face_becomes_quads(inner_vertices):
    faces = grid_faces(6, 6)
    hole = [7, 8, 9, 13, 14, 15, 19, 20, 21]
    rest = [face for index, face in enumerate(faces) if index not in hole]
    ring = [8, 9, 10, 11, 18, 25, 32, 31, 30, 29, 22, 15]
    mesh = sheet(6, 6, [*rest, ring]).with_attributes(face__face_limb=np.arange(28), vertex__height=np.arange(49.0))
    result = mended(mesh, inner_vertices=inner_vertices)
    assert np.all(result.edit.mesh.face_sizes == 4)
    assert_oriented_manifold(result.edit.mesh)
    assert_rest_untouched(mesh, result.edit)
    assert result.edit.mesh.attributes["face.face_limb"][27:].tolist() == [27] * (result.edit.mesh.face_count - 27)
    assert np.array_equal(result.edit.mesh.attributes["vertex.height"][:49], np.arange(49.0))


def far_triangles():
    """A sheet of quads with a triangle instead of a quad at two opposite corners."""
    faces = grid_faces(4, 6)
    faces[0], faces[-1] = [1, 8, 7], [26, 27, 33]
    return sheet(4, 6, faces)


def test_odd_faces_are_told_with_a_way_to_the_next_one():
    mesh = sheet(3, 5, [*grid_faces(3, 5)[:5], [6, 7, 13], [6, 13, 12], *grid_faces(3, 5)[6:]])
    pair = find_odd_faces(mesh, build_adjacency(mesh))
    assert [(odd.face, odd.partner, len(odd.path)) for odd in pair] == [(5, 6, 1), (6, 5, 1)]
    assert "carries it to face 6" in pair[0].sentence(mesh.face_sizes)


def test_carried_triangles_cancel():
    mesh = far_triangles()
    adjacency = build_adjacency(mesh)
    odd = find_odd_faces(mesh, adjacency)
    assert [(one.face, one.partner, len(one.path)) for one in odd] == [(0, 23, 8), (23, 0, 8)]
    edit = carry_odd_face(mesh, adjacency, odd[0])
    assert np.all(edit.mesh.face_sizes == 4)
    assert_oriented_manifold(edit.mesh)
    assert_rest_untouched(mesh, edit)
    assert np.count_nonzero(~edit.kept_faces) == 2 * 7 + 2
    assert edit.vertex_weights[mesh.vertex_count :].max() == pytest.approx(0.5)


def test_single_triangle_goes_to_the_boundary():
    mesh = PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    odd = find_odd_faces(mesh, build_adjacency(mesh))[0]
    assert (odd.partner, len(odd.path)) == (-1, 1)
    assert "boundary" in odd.sentence(mesh.face_sizes)
    assert carry_odd_face(mesh, build_adjacency(mesh), odd).mesh.face_sizes.tolist() == [4]


def test_closed_mesh_offers_its_partner_only():
    tetrahedron = PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    assert all(odd.partner >= 0 for odd in find_odd_faces(tetrahedron, build_adjacency(tetrahedron)))


def test_odd_face_cannot_be_split():
    mesh = PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    with pytest.raises(MeshError, match="odd count"):
        split_even_faces(mesh, [0])


@pytest.mark.parametrize("faces", [[], [[0, 1, 2, 3]], [[0, 1, 2], [0, 1, 2]], [[0, 1, 2], [0, 1, 3], [1, 0, 2]], [[0, 1, 0, 2, 3, 2]]])
def test_odd_meshes_end_with_an_answer(faces):
    mesh = PolyMesh.from_faces(np.random.default_rng(0).random((4, 3)), faces)
    result = mended(mesh)
    assert len(result.edit.face_sources) == result.edit.mesh.face_count


@pytest.mark.parametrize("seed", range(15))
def test_random_sheets_lose_all_but_unreachable_odd_faces(seed):
    random = np.random.default_rng(seed)
    faces = grid_faces(6, 7)
    for index in sorted(random.choice(42, 6, replace=False), reverse=True):
        faces = halved(faces, int(index))
    mesh = sheet(6, 7, faces)
    result = mended(mesh)
    assert result.odd_faces == ()
    assert np.all(result.edit.mesh.face_sizes == 4)
    assert_oriented_manifold(result.edit.mesh)
    assert_rest_untouched(mesh, result.edit)


def square_with_middles(middles):
    """A square face with further corners along its sides, as an artist leaves it between finer neighbours."""
    t = np.arange(middles + 1) / (middles + 1)
    zero, one = np.zeros_like(t), np.ones_like(t)
    x, y = np.concatenate([t, one, 1 - t, zero]), np.concatenate([zero, t, one, 1 - t])
    return PolyMesh.from_faces(np.column_stack([x, y, 0 * x]), [list(range(4 * (middles + 1)))])


@pytest.mark.parametrize("middles", [1, 2, 3])
def test_flat_corners_get_inner_vertices_unasked(middles):
    mesh = square_with_middles(middles)
    quads = mended(mesh).edit.mesh
    assert quads.vertex_count == mesh.vertex_count + middles**2
    assert scaled_jacobian(quads.positions[quads.quads()]) == pytest.approx(1.0)
    plain = mended(mesh, inner_vertices=False).edit.mesh
    assert plain.vertex_count == mesh.vertex_count and plain.face_count == 2 * (middles + 1) - 1


@pytest.mark.parametrize("corners", [6, 8, 10, 12])
def test_round_corners_stay_without_inner_vertices(corners):
    angle = 2 * np.pi * np.arange(corners) / corners
    mesh = PolyMesh.from_faces(np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]), [list(range(corners))])
    assert mended(mesh).edit.mesh.vertex_count == corners
