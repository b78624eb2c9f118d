"""The test targets: closed where they should be, facing outwards, of known size."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from support.reference_surface import ReferenceSurface
from support.shapes import Shape, bent_tube, capsule, cylinder, fork, fork_chains, hand, hand_chains, open_below, sphere


def _solid(shape: Shape) -> trimesh.Trimesh:
    return trimesh.Trimesh(shape.positions, shape.triangles, process=False)


@pytest.mark.parametrize("shape", [capsule(), capsule(tip_radius=0.5), sphere(), fork(64), hand(100), hand(100, bumps=0.05)],
                         ids=["capsule", "tapered", "sphere", "fork", "hand", "bumpy"])
def test_closed_shapes(shape: Shape) -> None:
    solid = _solid(shape)
    assert solid.is_watertight and solid.is_winding_consistent
    assert solid.volume > 0.0 and solid.euler_number == 2


@pytest.mark.parametrize("shape", [cylinder(), bent_tube()], ids=["cylinder", "bent"])
def test_open_tubes(shape: Shape) -> None:
    solid = _solid(shape)
    assert solid.is_winding_consistent and solid.euler_number == 0
    from_outside = ReferenceSurface(shape.positions, shape.triangles).cast(np.array([[9.0, 0.0, 2.0]]), np.array([[-1.0, 0.0, 0.0]]))
    assert from_outside.normals[0, 0] > 0.0


def test_volumes_against_closed_forms() -> None:
    assert _solid(capsule(around=256, along=128)).volume == pytest.approx(np.pi * (4.0 + 4.0 / 3.0), rel=1e-3)
    assert _solid(sphere(2.0, rounds=6)).volume == pytest.approx(np.pi * 32.0 / 3.0, rel=1e-3)


def test_opened_hand_has_one_open_end() -> None:
    assert _solid(open_below(hand(100), axis=2, height=-6.5)).euler_number == 1


@pytest.mark.parametrize(("shape", "chains"), [(fork(64), fork_chains()), (hand(100), hand_chains())], ids=["fork", "hand"])
def test_joints_lie_inside(shape: Shape, chains: dict) -> None:
    surface = ReferenceSurface(shape.positions, shape.triangles)
    for name, chain in chains.items():
        assert surface.inside(chain.joints).all(), name
