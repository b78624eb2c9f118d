"""Short cuts run from stretched places to the nearest seam, and part nothing."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.polymesh import PolyMesh
from ringwright.core.skeleton import Skeleton, skeleton_of
from ringwright.core.uv_darts import ROUND_IT, STRETCHED, dart_edges
from ringwright.core.uv_seams import find_seams
from support.tubes import tube
from support.uv_parts import cut_open


def seamed() -> tuple[PolyMesh, Skeleton, np.ndarray]:
    """An open tube of 16 columns and 12 rows, with its one seam."""
    mesh = tube(16, 13, spacing=0.5)
    mesh = mesh.with_attributes(vertex__limb=np.zeros(mesh.vertex_count, dtype=np.int32),
                                face__face_limb=np.zeros(mesh.face_count, dtype=np.int32))
    plan = LimbPlan((Limb("arm", np.array([[0, 0, 0], [0, -0.2, 3], [0, 0, 6.0]])),))
    skeleton = skeleton_of(plan)
    return mesh, skeleton, find_seams(mesh, plan, skeleton)


def stretched(mesh: PolyMesh, *places: tuple[float, float, float]) -> np.ndarray:
    """Stretch that is high in four faces round every place."""
    middles, stretch = mesh.positions[mesh.quads()].mean(axis=1), np.full(mesh.face_count, 1.1)
    for place in places:
        nearest = np.argsort(np.linalg.norm(middles - place, axis=1))[:4]
        stretch[nearest] = [1.5 * STRETCHED, 1.2 * STRETCHED, 0.9 * STRETCHED, 0.8 * STRETCHED]
    return stretch


def test_nothing_is_cut_where_nothing_is_stretched_much() -> None:
    mesh, skeleton, seams = seamed()
    assert not len(dart_edges(mesh, skeleton, seams, np.full(mesh.face_count, STRETCHED)))


@pytest.mark.parametrize("places", [[(0, -1, 3.0)], [(0, -1, 1.5), (0, -1, 4.5)], [(1, 0, 3.0), (0.9, -0.4, 3.1), (-1, 0, 3.0)]])
def test_every_stretched_place_is_cut_open_and_the_map_stays_one_disc(places: list[tuple[float, float, float]]) -> None:
    mesh, skeleton, seams = seamed()
    stretch = stretched(mesh, *places)
    darts = dart_edges(mesh, skeleton, seams, stretch)
    ends = build_adjacency(mesh).edge_verts
    assert len(darts) == len(set(darts.tolist())) and not set(darts.tolist()) & set(seams.tolist())
    assert cut_open(mesh, np.concatenate([seams, darts])) == ([1], [1])
    for place in places:
        reached = np.linalg.norm(mesh.positions[ends[darts]] - place, axis=2).min()
        assert reached < 0.5


@pytest.mark.parametrize(("between", "cuts"), [(1.05 * ROUND_IT, 1), (0.95 * ROUND_IT, 2)])
def test_two_places_are_one_where_the_faces_between_them_are_stretched_too(between: float, cuts: int) -> None:
    """Up one column from z = 1 to z = 5: the worst face of a place is cut open, the other end only if it is a place of its own."""
    mesh, skeleton, seams = seamed()
    middles, stretch = mesh.positions[mesh.quads()].mean(axis=1), np.full(mesh.face_count, 1.1)
    column = np.flatnonzero(np.linalg.norm(middles[:, :2] - [np.sin(np.pi / 16), -np.cos(np.pi / 16)], axis=1) < 0.1)
    assert len(column) == 12
    stretch[column[2:10]] = between
    stretch[column[[2, 9]]] = 2.0 * STRETCHED, 1.5 * STRETCHED
    reached = mesh.positions[build_adjacency(mesh).edge_verts[dart_edges(mesh, skeleton, seams, stretch)]]
    near = [np.linalg.norm(reached - middles[column[end]], axis=2).min() < 0.5 for end in (2, 9)]
    assert near == [True, cuts == 2]


def test_faces_that_hang_together_get_one_cut() -> None:
    mesh, skeleton, seams = seamed()
    stretch = stretched(mesh, (0, -1, 3.0))
    wide = np.where(stretch > ROUND_IT, 1.5 * STRETCHED, stretch)
    assert len(dart_edges(mesh, skeleton, seams, wide)) <= 9, "half the way round at most: eight columns"
