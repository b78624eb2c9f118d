"""What the viewport is told of a mesh: open rings, unlike pairs, poles, joint rings, faces that are no quads."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.overlay_data import overlay_data
from ringwright.core.polymesh import PolyMesh
from support.tubes import join, tube

BALL = PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1]],
                           [[3, 2, 1, 0], [4, 5, 6, 7], [0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7]])


def test_open_rings_and_the_line_between_two_that_differ() -> None:
    data = overlay_data(join(tube(18, 4), tube(12, 4, base=(0, 0, 3.0))))
    assert sorted(data.ring_counts.tolist()) == [12, 12, 18, 18] and len(data.ring_edges) == 60
    assert data.unlike_counts.tolist() == [[18, 12]]
    (low, high), = data.unlike_lines
    assert low[:2] == pytest.approx([0, 0], abs=1e-9) and high == pytest.approx([0, 0, 3.0])
    assert not len(data.pole_positions) and not len(data.odd_triangles)


def test_equal_rings_are_no_mismatch() -> None:
    assert not len(overlay_data(join(tube(12, 4), tube(12, 4, base=(0, 0, 3.0)))).unlike_lines)


def test_poles_lie_inside_and_look_outward() -> None:
    data = overlay_data(BALL)
    assert data.pole_valences.tolist() == [3] * 8
    assert np.all(np.einsum("ij,ij->i", data.pole_normals, data.pole_positions - 0.5) > 0.8)
    assert not len(overlay_data(tube(8, 3)).pole_positions)  # corners of open rings are none


def test_joint_rings_are_edges_between_marked_vertices() -> None:
    marks = np.zeros(8 * 5, dtype=np.bool_)
    marks[8:24] = True
    data = overlay_data(tube(8, 5).with_attributes(vertex__joint_ring=marks))
    assert len(data.joint_edges) == len(data.joint_middles) == len(data.joint_normals) == 8 + 8 + 8
    assert np.allclose(data.joint_middles, data.joint_edges.mean(axis=1))
    assert np.all(np.einsum("ij,ij->i", data.joint_normals[:, :2], data.joint_middles[:, :2]) > 0)


def test_triangles_and_n_gons_are_filled() -> None:
    faces = [[0, 1, 2], [2, 3, 4, 5, 6], [0, 2, 6, 7]]
    mesh = PolyMesh.from_faces(np.column_stack([np.cos(np.arange(8)), np.sin(np.arange(8)), np.zeros(8)]), faces)
    data = overlay_data(mesh)
    assert data.odd_triangles.shape == (1 + 3, 3, 3)
    assert np.array_equal(data.odd_triangles[0], mesh.positions[[0, 1, 2]])
