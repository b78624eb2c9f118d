"""Mirroring: welded on the plane, faces turned, attributes copied."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.defects import flipped_faces, non_manifold_edges
from ringwright.core.face_geometry import face_area_vectors
from ringwright.core.mirror import mirror_mesh, mirrored, turned
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_loops
from support.tubes import tube

PLANES = {"x": [2, 0, 1], "y": [0, 2, 1], "z": [0, 1, 2]}


def tube_along(plane: str) -> PolyMesh:
    """A tube of five rings of eight that starts just off the plane and leads away from it."""
    mesh = tube(8, 5, base=(0.0, 0.0, 0.01), spacing=0.5)
    order = PLANES[plane]
    turned = mesh.with_positions(mesh.positions[:, order])
    volume = np.einsum("ij,ij->", face_area_vectors(turned), turned.positions[turned.quads()].mean(axis=1))
    return turned if volume > 0 else PolyMesh.from_quads(turned.positions, turned.quads()[:, ::-1])


@pytest.mark.parametrize("plane", ["x", "y", "z"])
def test_a_tube_is_welded_to_its_image(plane: str) -> None:
    mesh = tube_along(plane)
    axis = "xyz".index(plane)
    on_plane = np.abs(mesh.positions[:, axis]) < 0.1
    assert on_plane.sum() == 8
    both = mirror_mesh(mesh, plane, on_plane)
    assert both.vertex_count == 2 * mesh.vertex_count - 8 and both.face_count == 2 * mesh.face_count
    adjacency = build_adjacency(both)
    assert components(both.vertex_count, adjacency.edge_verts).max() == 0
    assert [len(loop) for loop in boundary_loops(both, adjacency)] == [8, 8]
    assert not len(non_manifold_edges(adjacency)) and not len(flipped_faces(both, adjacency))
    assert (both.positions[:8 * 5][on_plane, axis] == 0).all()
    sign = np.ones(3)
    sign[axis] = -1
    given = {tuple(point) for point in both.positions.round(12) + 0.0}
    assert {tuple(point) for point in (both.positions * sign).round(12) + 0.0} == given
    outward = np.einsum("ij,ij->i", face_area_vectors(both), both.positions[both.quads()].mean(axis=1) * (np.arange(3) != axis))
    assert (outward > 0).all()


def test_without_a_weld_the_image_is_a_piece_of_its_own() -> None:
    mesh = tube_along("x")
    both = mirror_mesh(mesh, "x", np.zeros(mesh.vertex_count, dtype=np.bool_))
    assert both.vertex_count == 2 * mesh.vertex_count
    assert len(boundary_loops(both, build_adjacency(both))) == 4
    np.testing.assert_array_equal(both.positions[: mesh.vertex_count], mesh.positions)
    np.testing.assert_array_equal(both.quads()[: mesh.face_count], mesh.quads())


def test_attributes_are_copied_to_the_image() -> None:
    mesh = tube_along("x")
    named = mesh.with_attributes(vertex__limb=np.arange(mesh.vertex_count), face__face_limb=np.arange(mesh.face_count))
    on_plane = np.abs(mesh.positions[:, 0]) < 0.1
    both = mirror_mesh(named, "x", on_plane)
    limb, face = both.attributes["vertex.limb"], both.attributes["face.face_limb"]
    assert limb.shape == (both.vertex_count,) and face.shape == (both.face_count,)
    np.testing.assert_array_equal(face, np.tile(np.arange(mesh.face_count), 2))
    np.testing.assert_array_equal(limb[mesh.vertex_count :], np.flatnonzero(~on_plane))


def test_triangles_and_polygons_are_turned_too() -> None:
    mesh = PolyMesh.from_faces([[1, 0, 0], [2, 0, 0], [2, 1, 0], [1, 1, 0], [1.5, 2, 0]], [[0, 1, 2], [0, 2, 4, 3]])
    both = mirror_mesh(mesh, "x", np.zeros(5, dtype=np.bool_))
    assert both.face_sizes.tolist() == [3, 4, 3, 4]
    assert both.face(2).tolist() == [7, 6, 5] and both.face(3).tolist() == [8, 9, 7, 5]
    np.testing.assert_array_equal(np.sign(face_area_vectors(both)[:, 2]), [1, 1, 1, 1])


def test_points_change_the_side_of_the_plane_alone() -> None:
    assert mirrored(np.array([[1.0, 2, 3]]), "y").tolist() == [[1, -2, 3]] and mirrored(np.array([1.0, 2, 3]), "z").tolist() == [1, 2, -3]


def test_faces_of_any_size_are_wound_the_other_way_and_back() -> None:
    mesh = PolyMesh.from_faces(np.eye(6)[:, :3], [[0, 1, 2], [0, 2, 4, 3], [5, 4, 3, 2, 1]])
    assert [turned(mesh).face(face).tolist() for face in range(3)] == [[2, 1, 0], [3, 4, 2, 0], [1, 2, 3, 4, 5]]
    np.testing.assert_array_equal(turned(turned(mesh)).corner_verts, mesh.corner_verts)
