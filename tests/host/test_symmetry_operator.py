"""The operator that makes a cage symmetric equals the core; halves that differ are refused in one sentence."""

from __future__ import annotations

import bpy
import numpy as np
import pytest
from mathutils import Euler

from ringwright.addon.cage_object import place_cage, read_cage
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.core.polymesh import PolyMesh
from support.shapes import fork
from support.tubes import tube

pytestmark = pytest.mark.usefixtures("extension")


def cage(mesh: PolyMesh) -> bpy.types.Object:
    item = place_cage(bpy.context.scene, mesh)
    bpy.context.scene.ringwright.cage = item
    return item


@pytest.mark.parametrize("place", [(0, 0, 0), (0, 3, 1)])
def test_both_halves_become_images(place: tuple[float, float, float]) -> None:
    mesh = tube(12, 7, turn=np.pi / 2)
    moved = mesh.positions + 0.03 * np.random.default_rng(1).standard_normal(mesh.positions.shape)
    item = cage(mesh.with_positions(moved - place))
    item.location = place
    bpy.context.view_layer.update()
    assert bpy.ops.ringwright.make_symmetric(plane="X") == {"FINISHED"}
    after = read_cage(item).positions
    images = after * [-1, 1, 1]
    assert np.linalg.norm(after[:, None] - images, axis=2).min(axis=1).max() < 1e-6
    assert np.abs(after - moved).max() < 0.2


@pytest.mark.parametrize(("keep", "sign"), [("POSITIVE", 1), ("NEGATIVE", -1)])
def test_one_side_stays(keep: str, sign: int) -> None:
    mesh = tube(12, 7, turn=np.pi / 2)
    edited = mesh.positions.copy()
    edited[sign * edited[:, 0] > 0.1] += [sign * 0.3, 0.1, 0]
    item = cage(mesh.with_positions(edited))
    bpy.ops.ringwright.make_symmetric(plane="X", keep=keep)
    after = read_cage(item).positions
    kept = sign * mesh.positions[:, 0] > 0.1
    assert np.allclose(after[kept], edited[kept], atol=1e-6) and np.abs(after[:, 0]).max() > 1.2
    assert np.linalg.norm(after[:, None] - after * [-1, 1, 1], axis=2).min(axis=1).max() < 1e-6


def test_unlike_halves_are_refused_and_stay() -> None:
    mesh = tube(12, 7, turn=np.pi / 2)
    cut = PolyMesh.from_faces(mesh.positions, [face.tolist() for face in mesh.quads()[1:]])
    item = cage(cut)
    before = read_cage(item).positions
    with pytest.raises(RuntimeError, match="not built alike"):
        bpy.ops.ringwright.make_symmetric(plane="X")
    assert np.array_equal(read_cage(item).positions, before)


def test_one_half_is_mirrored() -> None:
    mesh = tube(12, 7, turn=np.pi / 2 + np.pi / 12)
    edited = mesh.positions.copy()
    edited[edited[:, 0] > 0] *= [1.3, 1, 1]
    item = cage(mesh.with_positions(edited))
    assert bpy.ops.ringwright.mirror_half(plane="X", keep="POSITIVE") == {"FINISHED"}
    after = read_cage(item)
    assert after.face_count == mesh.face_count + 12 and (after.face_sizes == 4).all()
    assert after.positions[:, 0].min() == -after.positions[:, 0].max() == pytest.approx(-edited[:, 0].max())
    with pytest.raises(RuntimeError, match="No strip of quads"):
        bpy.ops.ringwright.mirror_half(plane="Z")


def test_what_stays_behind_is_named(capfd: pytest.CaptureFixture[str]) -> None:
    """One half built twice has another mesh: no map and no group fits it."""
    item = cage(tube(12, 7, turn=np.pi / 2))
    bpy.ops.ringwright.mirror_half(plane="X")
    assert "stayed behind" not in capfd.readouterr().out
    item.data.uv_layers.new(name="Skin map")
    item.vertex_groups.new(name="arm.1").add(list(range(84)), 1.0, "REPLACE")
    bpy.ops.ringwright.mirror_half(plane="X")
    assert "Maps and vertex groups stayed behind (Skin map, arm.1); unwrap and rig the cage anew" in capfd.readouterr().out


def turned_target(points: np.ndarray, triangles: np.ndarray) -> tuple[bpy.types.Object, np.ndarray, np.ndarray]:
    """The points as a target that stands turned and away from the origin, with its turn and shift."""
    turn = np.array(Euler((0.3, -0.4, 0.7)).to_matrix())
    shift = np.array([3.0, -2.0, 1.0])
    item = bpy.data.objects.new("Sculpt", create_mesh("Sculpt", PolyMesh.from_faces(points, triangles.tolist())))
    item.rotation_euler, item.location = (0.3, -0.4, 0.7), shift
    bpy.context.scene.collection.objects.link(item)
    bpy.context.view_layer.update()
    bpy.context.scene.ringwright.target = item
    return item, turn, shift


@pytest.mark.parametrize("operator", ["make_symmetric", "mirror_half"])
def test_the_targets_own_plane_may_stand_anywhere(operator: str) -> None:
    """Across it the cage of a turned, shifted fork becomes its own image; across a plane of the world it would not."""
    shape = fork(40)
    bent = shape.positions + [0, 0.05, 0] * shape.positions[:, 2:] ** 2  # like its image across one plane alone
    _, turn, shift = turned_target(bent, shape.triangles)
    mesh = tube(12, 7, turn=np.pi / 2 + (np.pi / 12 if operator == "mirror_half" else 0))
    moved = mesh.positions + 0.02 * np.random.default_rng(1).standard_normal(mesh.positions.shape)
    item = cage(mesh.with_positions(moved @ turn.T + shift))
    assert getattr(bpy.ops.ringwright, operator)(plane="TARGET") == {"FINISHED"}
    after = (read_cage(item).positions - shift) @ turn
    off = np.linalg.norm(after[:, None] - after * [-1, 1, 1], axis=2).min(axis=1)
    assert off.max() < 0.02  # as exact as the plane is found in a target of this coarseness


def test_a_target_without_a_plane_is_refused() -> None:
    shape = fork(40)
    points = shape.positions.copy()
    points[:, 0] += 0.4 * np.maximum(points[:, 0], 0) ** 2
    points[:, 1] += 0.3 * points[:, 2] * points[:, 0]
    turned_target(points, shape.triangles)
    item = cage(tube(12, 7, turn=np.pi / 2))
    before = read_cage(item).positions
    with pytest.raises(RuntimeError, match="like its mirror image across no plane"):
        bpy.ops.ringwright.make_symmetric(plane="TARGET")
    assert np.array_equal(read_cage(item).positions, before)


def test_the_targets_own_plane_needs_a_target() -> None:
    cage(tube(12, 7, turn=np.pi / 2))
    with pytest.raises(RuntimeError, match="Choose a target first"):
        bpy.ops.ringwright.make_symmetric(plane="TARGET")
