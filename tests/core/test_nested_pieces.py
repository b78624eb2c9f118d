"""Pieces that lie wholly inside another are found whichever way they are wound, and no others."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.nested_pieces import nested_pieces, pieces_only
from ringwright.core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, capsule

BODY = capsule(1.0, 6.0, 24, 24)


def placed(scale: float, move: tuple[float, float, float], turned: bool = False) -> Shape:
    middle = BODY.positions.mean(axis=0)
    triangles = BODY.triangles[:, ::-1] if turned else BODY.triangles
    return Shape((BODY.positions - middle) * scale + middle + move, triangles)


def together(*shapes: Shape) -> PolyMesh:
    starts = np.cumsum([0, *(len(shape.positions) for shape in shapes[:-1])])
    return PolyMesh.from_quads(np.concatenate([shape.positions for shape in shapes]),
                               np.concatenate([shape.triangles + start for shape, start in zip(shapes, starts, strict=True)]))


def pieces_of(mesh: PolyMesh) -> IntArray:
    return components(mesh.vertex_count, build_adjacency(mesh).edge_verts)


def inside_of(mesh: PolyMesh, points: FloatArray) -> BoolArray:
    return ReferenceSurface.from_mesh(mesh).inside(points)


@pytest.mark.parametrize("turned", [False, True])
def test_an_inner_shell_is_nested_whichever_way_it_is_wound(turned: bool) -> None:
    mesh = together(BODY, placed(0.7, (0, 0, 0), turned))
    assert nested_pieces(mesh, pieces_of(mesh), inside_of).tolist() == [False, True]


def test_a_piece_that_pierces_the_skin_or_stands_beside_it_is_kept() -> None:
    mesh = together(BODY, placed(0.3, (0.9, 0, 0)), placed(0.5, (4, 0, 0)), placed(0.2, (4, 0, 0)))
    assert nested_pieces(mesh, pieces_of(mesh), inside_of).tolist() == [False, False, False, True]


def test_shells_in_shells_and_a_small_piece_first() -> None:
    mesh = together(placed(0.2, (0, 0, 0)), placed(0.5, (0, 0, 0)), BODY, placed(0.7, (0, 0, 0)))
    assert nested_pieces(mesh, pieces_of(mesh), inside_of).tolist() == [True, True, False, True]


def test_a_soup_of_triangles_nests_nothing() -> None:
    soup = PolyMesh.from_quads(BODY.positions[BODY.triangles].reshape(-1, 3), np.arange(3 * len(BODY.triangles)).reshape(-1, 3))
    assert not nested_pieces(soup, pieces_of(soup), inside_of).any()


def test_only_the_chosen_pieces_remain() -> None:
    mesh = together(BODY, placed(0.7, (0, 0, 0)), placed(0.5, (4, 0, 0)))
    kept = pieces_only(mesh, pieces_of(mesh), np.array([True, False, True]))
    expected = together(BODY, placed(0.5, (4, 0, 0)))
    np.testing.assert_array_equal(kept.positions, expected.positions)
    np.testing.assert_array_equal(kept.triangles(), expected.triangles())
