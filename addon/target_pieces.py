"""The target's skin: its pieces told apart by the host, and those left out that lie wholly inside another."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import bpy
import numpy as np

from ..core.nested_pieces import without_nested
from ..core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from .host_surface import HostSurface

PIECE = "ringwright_piece"
"""Vertex attribute of the evaluated copy."""


@contextmanager
def skin_surface(target: PolyMesh) -> Iterator[tuple[PolyMesh, HostSurface]]:
    """A target without its hidden pieces, and its surface to query, for the length of a with statement.

    Raises MeshError as HostSurface does.
    """
    with HostSurface(target) as whole:
        skin = without_nested(target, piece_labels(whole.target_object, whole.scene), _inside)
        if skin is target:
            yield target, whole
            return
    with HostSurface(skin) as surface:
        yield skin, surface


def piece_labels(target: bpy.types.Object, scene: bpy.types.Scene) -> IntArray:
    """The connected piece of every vertex of a bare object, (V,) int32, by the host's own search (0.1 s a million vertices)."""
    tree = bpy.data.node_groups.new("Ringwright pieces", "GeometryNodeTree")
    for way in ("INPUT", "OUTPUT"):
        tree.interface.new_socket("Geometry", in_out=way, socket_type="NodeSocketGeometry")
    store = tree.nodes.new("GeometryNodeStoreNamedAttribute")
    store.data_type = "INT"
    store.inputs["Name"].default_value = PIECE
    tree.links.new(tree.nodes.new("NodeGroupInput").outputs[0], store.inputs["Geometry"])
    tree.links.new(tree.nodes.new("GeometryNodeInputMeshIsland").outputs["Island Index"], store.inputs["Value"])
    tree.links.new(store.outputs["Geometry"], tree.nodes.new("NodeGroupOutput").inputs[0])
    modifier = target.modifiers.new("Ringwright pieces", "NODES")
    try:
        modifier.node_group = tree
        target.data.update(calc_edges=True)  # the host's search walks along edges, and a bare object has none
        layer = scene.view_layers[0]
        layer.update()
        labels = np.empty(len(target.data.vertices), dtype=np.int32)
        target.evaluated_get(layer.depsgraph).data.attributes[PIECE].data.foreach_get("value", labels)
        return labels
    finally:
        target.modifiers.remove(modifier)
        bpy.data.node_groups.remove(tree)


def _inside(mesh: PolyMesh, points: FloatArray) -> BoolArray:
    with HostSurface(mesh) as surface:
        return surface.inside(points)
