"""Areas, middles and normals of faces, against closed forms and against trimesh."""

from __future__ import annotations

import numpy as np
import trimesh

from ringwright.core.face_geometry import face_area_vectors, face_centres, vertex_normals
from ringwright.core.polymesh import PolyMesh
from support.shapes import hand
from support.tubes import tube


def test_area_vectors_and_middles_of_mixed_faces() -> None:
    angle = 2 * np.pi * np.arange(5) / 5
    pentagon = np.column_stack([np.cos(angle), np.zeros(5), np.sin(angle)]) + [5, 2, 1]
    mesh = PolyMesh.from_faces(np.vstack([pentagon, [[0, 0, 0], [2, 0, 0], [0, 2, 0]]]), [[0, 1, 2, 3, 4], [5, 6, 7]])
    np.testing.assert_allclose(face_area_vectors(mesh), [[0, -2.5 * np.sin(2 * np.pi / 5), 0], [0, 0, 2]], atol=1e-12)
    np.testing.assert_allclose(face_centres(mesh), [[5, 2, 1], [2 / 3, 2 / 3, 0]])


def test_a_face_without_corners_has_no_area_and_no_middle() -> None:
    mesh = PolyMesh(np.eye(3), np.array([0, 1, 2], dtype=np.int32), np.array([0, 0, 3, 3], dtype=np.int32))
    assert np.flatnonzero(face_area_vectors(mesh).any(axis=1)).tolist() == [1] and not face_centres(mesh)[[0, 2]].any()


def test_areas_and_normals_are_those_of_trimesh() -> None:
    """trimesh weighs vertex normals by angle unless told the faces' weights."""
    shape = hand()
    other = trimesh.Trimesh(shape.positions, shape.triangles, process=False)
    mesh = PolyMesh.from_quads(shape.positions, shape.triangles)
    vectors = face_area_vectors(mesh)
    np.testing.assert_allclose(np.linalg.norm(vectors, axis=1), other.area_faces, rtol=1e-9)
    by_area = trimesh.geometry.weighted_vertex_normals(mesh.vertex_count, mesh.corner_verts.reshape(-1, 3), other.face_normals,
                                                       np.repeat(other.area_faces[:, None], 3, axis=1))
    np.testing.assert_allclose(vertex_normals(mesh), by_area, atol=1e-9)


def test_normals_of_a_tube_look_outward_and_of_a_loose_vertex_nowhere() -> None:
    mesh = tube(16, 5)
    outward = mesh.positions * [1, 1, 0]
    assert (np.einsum("ij,ij->i", vertex_normals(mesh), outward) > 0.99).all()
    loose = PolyMesh(np.vstack([mesh.positions, [[9.0, 9.0, 9.0]]]), mesh.corner_verts, mesh.face_offsets)
    assert not vertex_normals(loose)[-1].any()
