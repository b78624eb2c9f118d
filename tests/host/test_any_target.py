"""Any unit, scaled, turned and mirrored objects, linked targets, multiresolution, modifiers: what counts is the target as it is seen."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

from ringwright.addon.cage_object import read_cage
from ringwright.addon.commands.inspecting import outward
from ringwright.addon.host_surface import HostSurface, read_evaluated
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.core.polymesh import PolyMesh
from support.shapes import capsule

pytestmark = pytest.mark.usefixtures("extension")


JOINTS = np.array([[0, 0, 0.5], [0, 0, 4], [0, 0, 7.6]])
"""Of a limb in the capsule, from its root to its tip."""


def target(mesh: PolyMesh | None = None) -> bpy.types.Object:
    item = bpy.data.objects.new("Target", create_mesh("Target", mesh or PolyMesh.from_quads(*capsule(1.0, 8.0, 48, 48))))
    bpy.context.scene.collection.objects.link(item)
    bpy.context.scene.ringwright.target = item
    return item


def build(joints: np.ndarray, *, expected: int | None = None) -> PolyMesh:
    """Build a limb through these joints of the world, and check that the cage is sound and lies on the target as it is seen."""
    bpy.context.view_layer.update()
    rows = [{"name": "", "position": joint} for joint in joints.tolist()]
    bpy.ops.ringwright.add_limb(joints=rows, limb_name="tail", sides=10, closed=True)
    assert bpy.ops.ringwright.build_cage() == {"FINISHED"}
    scene = bpy.context.scene
    cage = read_cage(scene.ringwright.cage)
    with HostSurface(read_evaluated(scene.ringwright.target, bpy.context.evaluated_depsgraph_get())) as surface:
        assert surface.closest(cage.positions).distances.max() < 1e-4 * surface.diagonal
    assert not [row.reason for row in scene.ringwright.findings if row.severity == "error"]
    assert expected is None or cage.face_count == expected
    return cage


def in_world(item: bpy.types.Object, points: np.ndarray) -> np.ndarray:
    bpy.context.view_layer.update()
    matrix = np.array(item.matrix_world)
    return points @ matrix[:3, :3].T + matrix[:3, 3]


@pytest.fixture
def plain() -> int:
    """Faces of the cage on the plain target."""
    target()
    faces = build(JOINTS).face_count
    bpy.ops.wm.read_factory_settings(use_empty=True)
    return faces


@pytest.mark.parametrize("size", [0.001, 0.01, 1.0, 100.0])
def test_any_unit(plain: int, size: float) -> None:
    bpy.context.scene.unit_settings.scale_length = size
    target(PolyMesh.from_quads(*capsule(size, 8 * size, 48, 48)))
    build(JOINTS * size, expected=plain)


@pytest.mark.parametrize("scale", [(100, 100, 100), (0.01, 0.01, 0.01), (-1, 1, 1), (-2, -2, -2)])
def test_a_scaled_turned_and_mirrored_object(plain: int, scale: tuple[float, float, float]) -> None:
    item = target()
    item.scale, item.rotation_euler, item.location = scale, (0.4, -0.9, 2.0), (3, 500, -20)
    cage = build(in_world(item, JOINTS), expected=plain)
    middle = cage.positions.mean(axis=0)
    corners = cage.positions[cage.quads()]
    outward = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    assert np.mean(np.einsum("ij,ij->i", outward, corners.mean(axis=1) - middle) > 0) > 0.99


def test_an_uneven_scale_is_no_limb_of_another_shape() -> None:
    item = target()
    item.scale, item.rotation_euler = (1.5, 0.6, 1.0), (0.2, 0.1, 0.5)
    build(in_world(item, JOINTS))


def test_a_child_of_a_scaled_parent(plain: int) -> None:
    item, parent = target(), bpy.data.objects.new("Parent", None)
    bpy.context.scene.collection.objects.link(parent)
    item.parent, parent.scale, parent.rotation_euler = parent, (0.1, 0.1, 0.1), (0, 1, 0)
    build(in_world(item, JOINTS), expected=plain)


@pytest.mark.parametrize("scale", [(2, 0.5, 3), (-1, 1, 1)])
def test_a_cage_that_is_scaled_turned_or_mirrored_stays_so(scale: tuple[float, float, float]) -> None:
    target()
    first = build(JOINTS)
    cage = bpy.context.scene.ringwright.cage
    cage.scale, cage.rotation_euler, cage.location = scale, (0.4, 0.2, 1.0), (5, 0, 1)
    bpy.context.view_layer.update()
    matrix = cage.matrix_world.copy()
    assert bpy.ops.ringwright.build_cage(moved="DROP") == {"FINISHED"}
    assert cage.matrix_world == matrix
    again = read_cage(cage)
    assert np.abs(again.positions - first.positions).max() < 1e-4
    assert not [row.reason for row in bpy.context.scene.ringwright.findings if row.severity == "error"]
    shown = _shown_normals(cage)
    assert np.mean(np.einsum("ij,ij->i", shown, _face_middles(again) - again.positions.mean(axis=0)) > 0) > 0.99


def _shown_normals(item: bpy.types.Object) -> np.ndarray:
    """Face normals as the host shades them: of the mesh itself, carried over to the world."""
    normals = np.empty(3 * len(item.data.polygons), dtype=np.float32)
    item.data.polygon_normals.foreach_get("vector", normals)
    return normals.reshape(-1, 3) @ np.linalg.inv(np.array(item.matrix_world)[:3, :3])


def _face_middles(mesh: PolyMesh) -> np.ndarray:
    return mesh.positions[mesh.quads()].mean(axis=1)


def test_modifiers_of_the_target_count(plain: int) -> None:
    item = target(PolyMesh.from_quads(*capsule(1.0, 8.0, 12, 12)))
    item.modifiers.new("Finer", "SUBSURF").levels = 2
    shift = item.modifiers.new("Thicker", "DISPLACE")
    shift.strength, shift.mid_level = 0.5, 0.0
    cage = build(JOINTS)
    radii = np.linalg.norm(cage.positions[:, :2], axis=1)
    assert radii.max() > 1.3


def test_multiresolution_counts_as_it_is_seen() -> None:
    item = target(PolyMesh.from_quads(*capsule(1.0, 8.0, 12, 12)))
    bpy.context.view_layer.objects.active = item
    multires = item.modifiers.new("Multires", "MULTIRES")
    for _ in range(2):
        bpy.ops.object.multires_subdivide(modifier=multires.name, mode="CATMULL_CLARK")
    build(JOINTS)
    evaluated = read_evaluated(item, bpy.context.evaluated_depsgraph_get())
    assert evaluated.face_count >= 4 * len(item.data.polygons)


@pytest.mark.parametrize("linked", ["object", "mesh"])
def test_a_linked_target(plain: int, tmp_path: Path, linked: str) -> None:
    target()
    path = str(tmp_path / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    with bpy.data.libraries.load(path, link=True) as (_, into):
        setattr(into, "objects" if linked == "object" else "meshes", ["Target"])
    item = into.objects[0] if linked == "object" else bpy.data.objects.new("Target", into.meshes[0])
    bpy.context.scene.collection.objects.link(item)
    bpy.context.scene.ringwright.target = item
    build(JOINTS, expected=plain)
    assert item.data.library is not None


@pytest.mark.parametrize("hide", ["eye", "screen", "collection"])
def test_a_hidden_target_counts_with_its_modifiers(hide: str) -> None:
    item = target(PolyMesh.from_quads(*capsule(1.0, 8.0, 12, 12)))
    shift = item.modifiers.new("Thicker", "DISPLACE")
    shift.strength, shift.mid_level = 0.5, 0.0
    if hide == "eye":
        item.hide_set(True)
    elif hide == "screen":
        item.hide_viewport = True
    else:
        rest = bpy.data.collections.new("Rest")
        bpy.context.scene.collection.children.link(rest)
        bpy.context.scene.collection.objects.unlink(item)
        rest.objects.link(item)
        bpy.context.view_layer.layer_collection.children["Rest"].hide_viewport = True
    cage = build(JOINTS)
    assert np.linalg.norm(cage.positions[:, :2], axis=1).max() > 1.3


def test_a_target_in_sculpt_mode_counts_as_it_stands() -> None:
    item = target()
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="SCULPT")
    with pytest.raises(RuntimeError, match="Leave the current mode"):
        bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": joint} for joint in JOINTS.tolist()], limb_name="tail")
        bpy.ops.ringwright.build_cage()
    bpy.ops.object.mode_set(mode="OBJECT")


def test_settling_a_selection_on_a_scaled_target() -> None:
    item = target()
    item.scale = (0.01, 0.01, 0.01)
    build(in_world(item, JOINTS))
    cage = bpy.context.scene.ringwright.cage
    cage.data.vertices[30].co.x += 0.003
    bpy.context.view_layer.objects.active = cage
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    assert bpy.ops.ringwright.settle() == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    with HostSurface(read_evaluated(item, bpy.context.evaluated_depsgraph_get())) as surface:
        assert surface.closest(read_cage(cage).positions).distances.max() < 1e-4 * surface.diagonal


def test_a_mirrored_cage_is_inspected_as_it_looks() -> None:
    """Its own faces are wound inward; in the world, where the target is, they look outward."""
    target()
    build(JOINTS)
    scene = bpy.context.scene
    cage, plain = scene.ringwright.cage, read_cage(scene.ringwright.cage)
    cage.scale.x = -1.0
    bpy.context.view_layer.update()
    assert bpy.ops.ringwright.build_cage() == {"FINISHED"}
    assert read_cage(cage).face_count == plain.face_count
    assert bpy.ops.ringwright.inspect() == {"FINISHED"}
    assert not [row.reason for row in scene.ringwright.findings if row.severity == "error"]


@pytest.mark.parametrize("inside_out", [False, True])
@pytest.mark.parametrize("radius", [1.0, 0.3])
def test_normals_point_outward_of_a_target_that_fills_little_of_its_box(inside_out: bool, radius: float) -> None:
    shape = capsule(radius, 20.0, 48, 96)
    axis = np.ones(3) / np.sqrt(3)
    across = np.linalg.svd(axis[None])[2][1:]
    across[1] = np.cross(axis, across[0])
    positions = shape.positions @ np.array([across[0], across[1], axis])  # along the diagonal of its box
    triangles = shape.triangles[:, ::-1] if inside_out else shape.triangles
    around = 1.5 * radius * across[[0, 1]] + 10.0 * axis
    with HostSurface.from_arrays(positions, triangles) as surface:
        found = outward(surface).closest(around)
    assert (np.einsum("ij,ij->i", found.normals, across[[0, 1]]) > 0.9).all()
