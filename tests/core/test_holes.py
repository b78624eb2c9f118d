"""Holes and borders of simple pieces."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.holes import find_holes
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_loops
from support.shapes import capsule, cylinder


def holes(mesh: PolyMesh) -> list[tuple[int, bool]]:
    """Edge count of every boundary loop, and whether it is a hole."""
    adjacency = build_adjacency(mesh)
    loops = boundary_loops(mesh, adjacency)
    return [(len(loop), bool(hole)) for loop, hole in zip(loops, find_holes(mesh, adjacency, loops), strict=True)]


def sheet(bulge: float = 0.0) -> PolyMesh:
    """Five by five quads without the middle one; the corners lie lower by the bulge."""
    across, along = np.meshgrid(np.arange(6.0), np.arange(6.0), indexing="ij")
    height = -bulge * ((across - 2.5) ** 2 + (along - 2.5) ** 2)
    first = (np.arange(5)[:, None] * 6 + np.arange(5)).ravel()
    quads = np.stack([first, first + 6, first + 7, first + 1], axis=1)
    return PolyMesh.from_quads(np.stack([across, along, height], axis=-1).reshape(-1, 3), np.delete(quads, 12, axis=0))


@pytest.mark.parametrize("bulge", [0.0, 0.1, -0.1])
@pytest.mark.parametrize("turned", [False, True])
def test_a_sheet_has_a_border_and_a_hole(bulge: float, turned: bool) -> None:
    mesh = sheet(bulge)
    if turned:
        mesh = PolyMesh.from_quads(mesh.positions, mesh.quads()[:, ::-1])
    assert sorted(holes(mesh)) == [(4, True), (20, False)]


def test_the_open_ends_of_a_tube_are_holes() -> None:
    assert [hole for _, hole in holes(PolyMesh.from_quads(*cylinder()))] == [True, True]


def test_a_closed_mesh_has_none() -> None:
    assert holes(PolyMesh.from_quads(*capsule())) == []


def test_a_single_quad_has_a_border() -> None:
    assert holes(PolyMesh.from_quads([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]])) == [(4, False)]


def test_a_missing_face_of_a_box_is_a_hole() -> None:
    corners = [[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)]
    faces = [[0, 2, 3, 1], [0, 1, 5, 4], [1, 3, 7, 5], [3, 2, 6, 7], [2, 0, 4, 6]]
    assert holes(PolyMesh.from_faces(corners, faces)) == [(4, True)]
