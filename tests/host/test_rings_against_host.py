"""Rings and strips against the host: its own loop selection, and a walk through its edit-mesh structure."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import closed_edge_loops
from ringwright.core.strips import find_strips
from support.random_meshes import random_mesh
from support.ring_walks import walked_edge_loops, walked_strips
from support.tubes import tube


def host_mesh(mesh: PolyMesh) -> bpy.types.Object:
    data = bpy.data.meshes.new("rings")
    data.from_pydata(mesh.positions.tolist(), [], [mesh.face(index).tolist() for index in range(mesh.face_count)])
    thing = bpy.data.objects.new("rings", data)
    bpy.context.collection.objects.link(thing)
    bpy.context.view_layer.objects.active = thing
    return thing


@pytest.mark.parametrize("seed", range(20))
def test_loops_and_strips_agree_with_a_walk(seed: int) -> None:
    mesh, _ = random_mesh(seed)
    edit = bmesh.new()
    edit.from_mesh(host_mesh(mesh).data)
    edit.edges.ensure_lookup_table()
    adjacency = build_adjacency(mesh)
    loops, strips = closed_edge_loops(mesh, adjacency), find_strips(mesh, adjacency)
    walked = walked_edge_loops(edit)
    ours = {frozenset(frozenset(pair) for pair in zip(ring, np.roll(ring, -1), strict=True))
            for ring in (loops.ring(index).tolist() for index in range(loops.count))}
    theirs = {frozenset(frozenset(vertex.index for vertex in edit.edges[member].verts) for member in ring.members) for ring in walked}
    assert ours == theirs
    assert np.sort(loops.lengths) == pytest.approx(np.sort([ring.length for ring in walked]), rel=1e-5)
    assert sorted(sorted(strips.faces_of(index).tolist()) for index in range(strips.count)) == sorted(
        sorted(strip.members) for strip in walked_strips(edit))
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
