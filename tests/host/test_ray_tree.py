"""The drawing tool's search tree agrees with the build's queries, on a target that is scaled, turned and mirrored."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

from ringwright.addon.host_surface import HostSurface, read_evaluated
from ringwright.addon.ray_tree import RayTree
from ringwright.core.errors import MeshError

from .conftest import block_names


def target(scale: tuple[float, float, float]) -> bpy.types.Object:
    bpy.ops.mesh.primitive_torus_add(major_segments=32, minor_segments=16)
    item = bpy.context.object
    item.scale, item.rotation_euler, item.location = scale, (0.3, 0.8, 0.1), (3, -2, 1)
    item.modifiers.new("Finer", "SUBSURF").levels = 1
    bpy.context.view_layer.update()
    return item


@pytest.mark.parametrize("scale", [(1, 1, 1), (2, 0.5, 3), (-1, 2, 1)])
def test_rays_meet_the_same_places(scale: tuple[float, float, float]) -> None:
    item = target(scale)
    depsgraph = bpy.context.evaluated_depsgraph_get()
    before = block_names()
    tree = RayTree(item, depsgraph)
    assert block_names() == before
    rng = np.random.default_rng(3)
    origins = np.array([3, -2, 1]) + rng.uniform(-4, 4, (300, 3))
    ways = np.array([3, -2, 1]) + rng.uniform(-1, 1, (300, 3)) - origins  # towards the target
    with HostSurface(read_evaluated(item, depsgraph)) as surface:
        own, other = tree.cast(origins, ways), surface.cast(origins, ways)
        low, high = surface.bounds
    alike = own.hit & other.hit
    assert np.count_nonzero(own.hit != other.hit) <= 2 and np.count_nonzero(alike) > 50
    near = np.abs(own.distances[alike] - other.distances[alike]) < 1e-3
    assert np.count_nonzero(~near) <= 2
    facing = np.einsum("ij,ij->i", own.normals[alike][near], other.normals[alike][near])
    assert facing.min() > 0.9 or facing.max() < -0.9
    assert np.all(tree.bounds[0] <= low + 1e-4) and np.all(tree.bounds[1] >= high - 1e-4)


def test_inside_and_closest() -> None:
    tree = RayTree(target((1, 1, 1)), bpy.context.evaluated_depsgraph_get())
    middle = np.array(bpy.context.object.matrix_world)[:3, 3]
    ring = np.array(bpy.context.object.matrix_world)[:3, :3] @ [1.0, 0.0, 0.0] + middle
    assert tree.inside(np.array([middle, ring])).tolist() == [False, True]
    assert tree.closest(ring[None]).distances[0] == pytest.approx(0.25, abs=0.03)


def test_a_target_without_faces_is_refused() -> None:
    item = bpy.data.objects.new("Bare", bpy.data.meshes.new("Bare"))
    bpy.context.scene.collection.objects.link(item)
    with pytest.raises(MeshError, match="no faces"):
        RayTree(item, bpy.context.evaluated_depsgraph_get())
