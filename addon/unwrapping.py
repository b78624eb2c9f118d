"""Seams of the core marked on a host mesh, its unwrap by the host, and the figures of the map that comes out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import bpy
import numpy as np

from ..core.adjacency import build_adjacency
from ..core.findings import Limits
from ..core.plan import LimbPlan
from ..core.polymesh import BoolArray, IntArray, PolyMesh
from ..core.skeleton import Skeleton
from ..core.uv_darts import dart_edges
from ..core.uv_quality import face_stretch
from ..core.uv_seams import find_seams
from .mesh_bridge import MAP_NAME, read_uvs

MARGIN = 4 / 1024
"""Space round every island, share of the map: at 1024 pixels four to the map's border, and so eight between two islands."""

DART_ROUNDS = 2
"""Times that a stretched map is cut again; once does on limbs as a rule, twice where an end was closed by hand."""
MAP_LIMITS = Limits(largest_uv_overlap=0.0, largest_uv_stretch=1.2, largest_texel_density=1.05, smallest_uv_margin=2)
"""Where a map that was made here deserves a warning: anything double, more stretch than a film asset has, islands whose texels
differ by more than a twentieth, or so near that colours bleed on a map of 1024 (common practice)."""


def mark_seams(host_mesh: bpy.types.Mesh, mesh: PolyMesh, seams: IntArray) -> None:
    """Mark edges as seams and all others as none.

    mesh : the host mesh's faces
    seams : (k,) int32 into ``build_adjacency(mesh).edge_verts``
    """
    ends = np.empty(2 * len(host_mesh.edges), dtype=np.int32)
    host_mesh.edges.foreach_get("vertices", ends)
    count = max(mesh.vertex_count, 1)
    own = np.sort(ends.reshape(-1, 2), axis=1).astype(np.int64) @ [count, 1]
    cut = build_adjacency(mesh).edge_verts[seams].astype(np.int64) @ [count, 1]
    host_mesh.edges.foreach_set("use_seam", np.isin(own, cut))
    host_mesh.update()


def unwrap_along(item: bpy.types.Object, mesh: PolyMesh, plan: LimbPlan, skeleton: Skeleton) -> None:
    """Unwrap a cage along its plan's seams, and again with short cuts where the map comes out stretched; all cuts are marked.

    item : in object mode; it may be hidden, and so may its faces
    mesh : the cage's faces, with their limbs
    Raises MeshError where the mesh does not tell which limb its faces belong to.
    """
    seams = find_seams(mesh, plan, skeleton)
    for _ in range(1 + DART_ROUNDS):
        mark_seams(item.data, mesh, seams)
        _flatten(item.data)
        uvs = read_uvs(item.data)
        darts = np.empty(0, dtype=np.int32) if uvs is None else dart_edges(mesh, skeleton, seams, face_stretch(mesh, uvs))
        if not len(darts):
            break
        seams = np.concatenate([seams, darts])
    _pack(item.data)


def _flatten(host_mesh: bpy.types.Mesh) -> None:
    """Unwrap all faces along the seams and even the islands' texel density; packing, which takes by far the longest, comes once."""
    layers = host_mesh.uv_layers
    if layers.active is None:
        layers.active = layers[0] if len(layers) else layers.new(name=MAP_NAME)
    with _all_edited(host_mesh):
        bpy.ops.uv.unwrap(method="ANGLE_BASED", margin=0.0)
        bpy.ops.uv.select_all(action="SELECT")
        bpy.ops.uv.average_islands_scale()


def _pack(host_mesh: bpy.types.Mesh) -> None:
    """Pack the islands into the unit square."""
    with _all_edited(host_mesh):
        bpy.ops.uv.select_all(action="SELECT")
        bpy.ops.uv.pack_islands(margin=MARGIN, margin_method="FRACTION", rotate=True)


@contextmanager
def _all_edited(host_mesh: bpy.types.Mesh) -> Iterator[None]:
    """All of a mesh in edit mode, revealed and selected; what is hidden or selected is so again afterwards."""
    before = _shown_and_selected(host_mesh)
    with _stand_in(host_mesh):
        bpy.ops.object.mode_set(mode="EDIT")
        try:
            bpy.ops.mesh.reveal(select=False)
            bpy.ops.mesh.select_all(action="SELECT")
            yield
        finally:
            bpy.ops.object.mode_set(mode="OBJECT")
    for (part, flag), values in before.items():
        getattr(host_mesh, part).foreach_set(flag, values)


def _shown_and_selected(host_mesh: bpy.types.Mesh) -> dict[tuple[str, str], BoolArray]:
    """Which elements of a mesh are hidden and which are selected, by kind of element and flag."""
    found = {}
    for part in ("vertices", "edges", "polygons"):
        for flag in ("hide", "select"):
            values = np.empty(len(getattr(host_mesh, part)), dtype=np.bool_)
            getattr(host_mesh, part).foreach_get(flag, values)
            found[part, flag] = values
    return found


@contextmanager
def _stand_in(host_mesh: bpy.types.Mesh) -> Iterator[None]:
    """An object of its own for a mesh, seen, selected alone and active, so that it can be edited wherever its own object is hidden."""
    layer = bpy.context.view_layer
    before, selected = layer.objects.active, list(layer.objects.selected)
    item = bpy.data.objects.new("Ringwright unwrapping", host_mesh)
    bpy.context.scene.collection.objects.link(item)
    for other in selected:
        other.select_set(False)
    item.select_set(True)
    layer.objects.active = item
    try:
        yield
    finally:
        bpy.data.objects.remove(item)
        for other in selected:
            other.select_set(True)
        layer.objects.active = before
