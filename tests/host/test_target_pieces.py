"""A target's hidden pieces are left out, and nothing is left behind in the host."""

from __future__ import annotations

import bpy
import numpy as np

from ringwright.addon.target_pieces import skin_surface
from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.polymesh import PolyMesh
from support.shapes import capsule

BODY = capsule(1.0, 6.0, 24, 24)


def with_shell(move: float) -> PolyMesh:
    middle = BODY.positions.mean(axis=0)
    inner = (BODY.positions - middle) * 0.6 + middle + [move, 0, 0]
    triangles = np.concatenate([BODY.triangles, BODY.triangles + len(BODY.positions)])
    return PolyMesh.from_quads(np.concatenate([inner, BODY.positions]), triangles)


def test_a_hidden_shell_is_left_out_and_rays_meet_the_skin() -> None:
    before = set(bpy.data.user_map())
    with skin_surface(with_shell(0.0)) as (skin, surface):
        np.testing.assert_array_equal(skin.triangles(), BODY.triangles)
        hits = surface.cast(np.array([[0.0, 0.0, 3.0]]), np.array([[1.0, 0.0, 0.0]]))
        assert abs(hits.distances[0] - 1.0) < 0.01
    assert set(bpy.data.user_map()) == before


def test_a_piece_beside_the_skin_or_through_it_stays() -> None:
    for move in (0.7, 5.0):
        target = with_shell(move)
        with skin_surface(target) as (skin, _):
            assert skin is target
            assert components(skin.vertex_count, build_adjacency(skin).edge_verts).max() == 1
