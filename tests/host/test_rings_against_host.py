"""Rings and strips against the host: its own loop selection, and a walk through its edit-mesh structure."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_rings, closed_edge_loops
from ringwright.core.strips import find_strips
from support.random_meshes import random_mesh
from support.ring_walks import WalkedRing, walked_boundaries, walked_edge_loops, walked_strips
from support.tubes import tube


def host_mesh(mesh: PolyMesh) -> bpy.types.Object:
    data = bpy.data.meshes.new("rings")
    data.from_pydata(mesh.positions.tolist(), [], [mesh.face(index).tolist() for index in range(mesh.face_count)])
    thing = bpy.data.objects.new("rings", data)
    bpy.context.collection.objects.link(thing)
    bpy.context.view_layer.objects.active = thing
    return thing


def edit_mesh(mesh: PolyMesh) -> bmesh.types.BMesh:
    edit = bmesh.new()
    edit.from_mesh(host_mesh(mesh).data)
    edit.edges.ensure_lookup_table()
    return edit


def along(ring: list[int]) -> frozenset[frozenset[int]]:
    """Vertex pairs of the edges of a closed vertex loop."""
    return frozenset(frozenset(pair) for pair in zip(ring, ring[1:] + ring[:1], strict=True))


def walked_by_edges(edit: bmesh.types.BMesh, walked: list[WalkedRing]) -> dict[frozenset[frozenset[int]], WalkedRing]:
    return {frozenset(frozenset(vertex.index for vertex in edit.edges[edge].verts) for edge in ring.edges): ring for ring in walked}


@pytest.mark.parametrize("seed", range(20))
def test_loops_and_strips_agree_with_a_walk(seed: int) -> None:
    mesh, _ = random_mesh(seed)
    edit = edit_mesh(mesh)
    adjacency = build_adjacency(mesh)
    for rings, walked in ((boundary_rings(mesh, adjacency), walked_boundaries(edit)),
                          (closed_edge_loops(mesh, adjacency), walked_edge_loops(edit))):
        by_edges = walked_by_edges(edit, walked)
        assert {along(rings.ring(index).tolist()) for index in range(rings.count)} == set(by_edges)
        for index in range(rings.count):
            same = by_edges[along(rings.ring(index).tolist())]
            assert rings.lengths[index] == pytest.approx(same.length, rel=1e-5)
            assert rings.centres[index] == pytest.approx(np.array(same.centre), abs=1e-5)
            assert rings.bounds_tube[index] == same.bounds_tube
    strips, walked = find_strips(mesh, adjacency), walked_strips(edit)
    by_faces = {tuple(sorted(strip.faces)): strip for strip in walked}
    assert sorted(sorted(strips.faces_of(index).tolist()) for index in range(strips.count)) == sorted(
        sorted(strip.faces) for strip in walked)
    for index in range(strips.count):
        same = by_faces[tuple(sorted(strips.faces_of(index).tolist()))]
        assert strips.lengths[index] == pytest.approx(same.length, rel=1e-5)
        assert strips.centres[index] == pytest.approx(np.array(same.centre), abs=1e-5)
        assert strips.bounds_tube[index] == same.bounds_tube
    edit.free()


def test_openings_look_the_same_way_as_in_a_walk() -> None:
    mesh = tube(10, 4)
    edit = edit_mesh(mesh)
    rings = boundary_rings(mesh, build_adjacency(mesh))
    by_edges = walked_by_edges(edit, walked_boundaries(edit))
    assert rings.count == 2
    for index in range(rings.count):
        assert rings.normals[index] == pytest.approx(np.array(by_edges[along(rings.ring(index).tolist())].normal), abs=1e-5)
    edit.free()


def selected_by_host(thing: bpy.types.Object, edge: int, *, ring: bool) -> set[frozenset[int]]:
    """Vertex pairs of the edges that the host's loop selection takes from one edge."""
    bpy.ops.object.mode_set(mode="OBJECT")
    for name in ("vertices", "edges", "polygons"):
        elements = getattr(thing.data, name)
        elements.foreach_set("select", np.zeros(len(elements), dtype=bool))
    thing.data.edges[edge].select = True
    for vertex in thing.data.edges[edge].vertices:
        thing.data.vertices[vertex].select = True
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_mode(type="EDGE")
    if bpy.app.version >= (5, 0, 0):
        (bpy.ops.mesh.select_edge_ring_multi if ring else bpy.ops.mesh.select_edge_loop_multi)()
    else:
        bpy.ops.mesh.loop_multi_select(ring=ring)
    bpy.ops.object.mode_set(mode="OBJECT")
    return {frozenset(edge.vertices) for edge in thing.data.edges if edge.select}


@pytest.mark.parametrize("ring", [False, True])
def test_host_selects_the_same_loops_and_rings(ring: bool) -> None:
    mesh = tube(14, 9)
    thing = host_mesh(mesh)
    adjacency = build_adjacency(mesh)
    by_edge: dict[frozenset[int], set[frozenset[int]]] = {}
    if ring:
        strips = find_strips(mesh, adjacency)
        for index in range(strips.count):
            members = {frozenset(adjacency.edge_verts[edge].tolist()) for edge in strips.edges_of(index)}
            by_edge.update(dict.fromkeys(members, members))
    else:
        loops = closed_edge_loops(mesh, adjacency)
        for index in range(loops.count):
            vertices = loops.ring(index).tolist()
            members = {frozenset(pair) for pair in zip(vertices, vertices[1:] + vertices[:1], strict=True)}
            by_edge.update(dict.fromkeys(members, members))
    sampled = np.random.default_rng(5).permutation(len(thing.data.edges))[:30]
    compared = 0
    for edge in sampled.tolist():
        own = frozenset(thing.data.edges[edge].vertices)
        if own in by_edge:
            assert selected_by_host(thing, edge, ring=ring) == by_edge[own]
            compared += 1
    assert compared > 5
