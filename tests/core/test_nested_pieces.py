"""Pieces are told apart as another library does, and those found that lie wholly inside another, whichever way they are wound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ringwright.core.nested_pieces import nested_pieces, pieces_of, pieces_only, without_nested
from ringwright.core.polymesh import BoolArray, FloatArray, PolyMesh
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


def inside_of(mesh: PolyMesh, points: FloatArray) -> BoolArray:
    return ReferenceSurface.from_mesh(mesh).inside(points)


def assert_told_apart(mesh: PolyMesh) -> None:
    """Held against scipy's search along the faces' edges, piece by piece in order of the first vertex."""
    ends = [np.roll(face, -1) for face in np.split(mesh.corner_verts, mesh.face_offsets[1:-1])]
    links = (np.ones(len(mesh.corner_verts)), (mesh.corner_verts, np.concatenate(ends)))
    _, theirs = connected_components(coo_array(links, shape=(mesh.vertex_count, mesh.vertex_count)), directed=False)
    _, first, place = np.unique(theirs, return_index=True, return_inverse=True)
    mine = pieces_of(mesh)
    assert mine.dtype == np.int32
    np.testing.assert_array_equal(mine, np.argsort(np.argsort(first))[place])


@given(st.lists(st.lists(st.integers(0, 40), min_size=3, max_size=6, unique=True), min_size=1, max_size=20))
def test_any_faces_are_told_apart(faces: list[list[int]]) -> None:
    offsets = np.cumsum([0, *map(len, faces)]).astype(np.int32)
    assert_told_apart(PolyMesh(np.zeros((41, 3)), np.concatenate(faces).astype(np.int32), offsets))


@pytest.mark.parametrize("order", ["along", "against", "shuffled", "in turns"])
def test_a_long_strip_is_one_piece_however_it_is_numbered(order: str) -> None:
    count = 4000
    number = {"along": np.arange(count), "against": np.arange(count)[::-1], "shuffled": np.random.default_rng(2).permutation(count),
              "in turns": np.concatenate([np.arange(0, count, 2), np.arange(1, count, 2)[::-1]])}[order]
    strip = number[np.arange(count - 2)[:, None] + np.arange(3)]
    assert_told_apart(PolyMesh.from_quads(np.zeros((count, 3)), strip))
    halves = strip[np.r_[0 : count // 2 - 2, count // 2 : count - 2]]
    assert_told_apart(PolyMesh.from_quads(np.zeros((count, 3)), halves))
    assert pieces_of(PolyMesh.from_quads(np.zeros((count, 3)), halves)).max() == 1


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
    assert without_nested(soup, inside_of) is soup


def test_only_the_chosen_pieces_remain() -> None:
    mesh = together(BODY, placed(0.7, (0, 0, 0)), placed(0.5, (4, 0, 0)))
    kept = pieces_only(mesh, pieces_of(mesh), np.array([True, False, True]))
    expected = together(BODY, placed(0.5, (4, 0, 0)))
    np.testing.assert_array_equal(kept.positions, expected.positions)
    np.testing.assert_array_equal(kept.triangles(), expected.triangles())
