"""Seams open every part of a cage into one disc, on the hidden side."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.build import build_cage
from ringwright.core.errors import MeshError
from ringwright.core.plan import Limb, LimbPlan, Socket
from ringwright.core.polymesh import PolyMesh
from ringwright.core.skeleton import skeleton_of
from ringwright.core.uv_seams import find_seams
from support.creatures import grown
from support.fork_plan import fork_plan
from support.reference_surface import ReferenceSurface
from support.shapes import LimbChain, fork, open_below
from support.tubes import tube
from support.uv_parts import cut_open


def forked() -> tuple[PolyMesh, LimbPlan]:
    plan = fork_plan()
    return build_cage(plan, ReferenceSurface(*fork(64))).mesh, plan


def test_an_open_tube_is_cut_once_along_its_inner_side() -> None:
    mesh = tube(12, 9, spacing=0.5)
    mesh = mesh.with_attributes(vertex__limb=np.zeros(mesh.vertex_count, dtype=np.int32),
                                face__face_limb=np.zeros(mesh.face_count, dtype=np.int32))
    plan = LimbPlan((Limb("arm", np.array([[0, 0, 0], [0, -0.2, 2], [0, 0, 4.0]])),))  # flexes toward +y
    seams = find_seams(mesh, plan, skeleton_of(plan))
    ends = build_adjacency(mesh).edge_verts[seams]
    assert len(seams) == 8 and (mesh.positions[ends][..., 1] > 0.8).all()
    assert cut_open(mesh, seams) == ([1], [1])


def test_every_part_of_a_fork_is_a_disc() -> None:
    mesh, plan = forked()
    seams = find_seams(mesh, plan, skeleton_of(plan))
    eulers, loops = cut_open(mesh, seams)
    assert len(eulers) == len(plan.limbs) and set(eulers) == {1} and set(loops) == {1}


def test_a_closed_end_past_a_socket_is_cut_open_too() -> None:
    """A wing's hand ends past its thumb: without a cut there its tip could only lie flat as a point."""
    chains = {"wing": LimbChain(np.array([[0, 0, 0], [0, 0.2, 4], [0, 0, 9.0]]), np.array([1.0, 0.9, 0.7])),
              "thumb": LimbChain(np.array([[0.3, 0, 3.0], [2.0, 0, 3.6], [3.4, 0, 4.0]]), np.array([0.45, 0.42, 0.35]))}
    plan = LimbPlan(tuple(Limb(name, chain.joints, tip="closed") for name, chain in chains.items()), sockets=(Socket("wing", "thumb"),))
    mesh = build_cage(plan, ReferenceSurface(*open_below(grown(chains, 0.2, 60), 2, 0.3))).mesh
    seams = find_seams(mesh, plan, skeleton_of(plan))
    eulers, loops = cut_open(mesh, seams)
    assert set(eulers) == {1} and set(loops) == {1} and len(eulers) == 2
    cut = mesh.positions[np.unique(build_adjacency(mesh).edge_verts[seams])]
    for chain in chains.values():
        way = chain.joints[-1] - chain.joints[-2]
        tip = chain.joints[-1] + chain.radii[-1] * way / np.linalg.norm(way)
        assert np.linalg.norm(cut - tip, axis=1).min() < chain.radii[-1]


def test_branches_are_parted_from_their_trunk() -> None:
    mesh, plan = forked()
    adjacency = build_adjacency(mesh)
    seams = set(find_seams(mesh, plan, skeleton_of(plan)).tolist())
    limbs = mesh.attributes["face.face_limb"][adjacency.corner_faces]
    for edge in range(adjacency.edge_count):
        if len(np.unique(limbs[adjacency.corner_edges == edge])) > 1:
            assert edge in seams


def test_a_cage_without_limbs_is_refused() -> None:
    plan = LimbPlan((Limb("arm", np.array([[0, 0, 0], [0, 0, 4.0]])),))
    with pytest.raises(MeshError, match="does not tell which limb"):
        find_seams(tube(8, 4), plan, skeleton_of(plan))
