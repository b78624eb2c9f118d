"""The demo's .blend: target, joints and finished cage with light and camera (needs the host's Python module)."""

# mypy: disable-error-code="union-attr,attr-defined,misc"

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import numpy.typing as npt
from mathutils import Matrix, Vector

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.int32]
Colour = tuple[float, float, float, float]

CLAY: Colour = (0.56, 0.36, 0.25, 1.0)
PORCELAIN: Colour = (0.62, 0.66, 0.62, 1.0)
INK: Colour = (0.012, 0.045, 0.075, 1.0)
SKY: Colour = (0.80, 0.85, 0.88, 1.0)
SKY_LIGHT = 0.40
SUNS = (
    ("Key", (0.90, 0.10, 0.85), 2.6),
    ("Fill", (-0.70, 0.90, 0.25), 0.6),
    ("Rim", (0.30, -1.10, 0.35), 1.6),
)
"""Name, direction from the limb and strength (W/m2) of every light."""
SUN_WIDTH = 0.35
"""Radians across a light, so that shadows have soft edges."""


@dataclass(frozen=True)
class DemoObjects:
    """What the demo puts into the scene."""

    target: bpy.types.Object
    joints: bpy.types.Object
    cage: bpy.types.Object


@dataclass(frozen=True)
class MeshArrays:
    """A polygon mesh as the host lays it out.

    positions : (V, 3) float, metres
    corner_verts : (C,) int, vertex of every face corner
    face_offsets : (F + 1,) int, face f owns the corners face_offsets[f] to face_offsets[f + 1]
    """

    positions: npt.NDArray[np.floating[Any]]
    corner_verts: npt.NDArray[np.integer[Any]]
    face_offsets: npt.NDArray[np.integer[Any]]


def triangle_arrays(positions: npt.NDArray[np.floating[Any]], triangles: npt.NDArray[np.integer[Any]]) -> MeshArrays:
    """The mesh arrays of (T, 3) triangles."""
    return MeshArrays(positions, triangles.ravel(), np.arange(0, triangles.size + 1, 3))


def build_scene(target: MeshArrays, joints: Mapping[str, FloatArray], cage: MeshArrays) -> DemoObjects:
    """Put target, joints and cage into a new, otherwise empty file with a camera and lights.

    target, cage : meshes in metres
    joints : joints of every limb from root to tip, name to (k, 3) float
    The file that is open in the host is closed without saving.
    """
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    # the one renderer that needs no graphics card
    bpy.context.scene.render.engine = "CYCLES"
    objects = DemoObjects(
        link_mesh("Target", target, material("Clay", CLAY, roughness=0.62)),
        _link_joints(joints),
        link_mesh("Cage", cage, material("Porcelain", PORCELAIN, roughness=0.45)),
    )
    objects.cage.show_wire = True
    objects.cage.show_in_front = False
    light_and_frame(np.asarray(target.positions, dtype=np.float64))
    return objects


def save_scene(path: Path) -> None:
    """Write the open file to ``path`` without its becoming the host's current file name."""
    bpy.ops.wm.save_as_mainfile(filepath=str(path), copy=True, check_existing=False, compress=True)


def link_mesh(name: str, arrays: MeshArrays, surface: bpy.types.Material) -> bpy.types.Object:
    """A new smooth-shaded mesh object in the current scene."""
    mesh = bpy.data.meshes.new(name)
    mesh.vertices.add(len(arrays.positions))
    mesh.loops.add(len(arrays.corner_verts))
    mesh.polygons.add(len(arrays.face_offsets) - 1)
    mesh.attributes["position"].data.foreach_set("vector", np.ascontiguousarray(arrays.positions, dtype=np.float32).ravel())
    mesh.attributes[".corner_vert"].data.foreach_set("value", np.ascontiguousarray(arrays.corner_verts, dtype=np.int32))
    mesh.polygons.foreach_set("loop_start", np.ascontiguousarray(arrays.face_offsets[:-1], dtype=np.int32))
    mesh.update(calc_edges=True)
    mesh.shade_smooth()
    mesh.materials.append(surface)
    placed = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(placed)
    return placed


def material(name: str, colour: Colour, *, roughness: float) -> bpy.types.Material:
    """A plain surface of one colour."""
    made = bpy.data.materials.new(name)
    made.diffuse_color = colour
    if made.node_tree is None:
        made.use_nodes = True
    shader = next(node for node in made.node_tree.nodes if node.type == "BSDF_PRINCIPLED")
    shader.inputs["Base Color"].default_value = colour
    shader.inputs["Roughness"].default_value = roughness
    return made


def light_and_frame(positions: FloatArray) -> None:
    """Lights and a camera that sees all of (n, 3) points from the front, above and the thumb's side."""
    low, high = positions.min(axis=0), positions.max(axis=0)
    middle, size = (low + high) / 2.0, float(np.linalg.norm(high - low))
    for name, direction, strength in SUNS:
        _add_sun(name, middle + size * np.array(direction), middle, strength)
    add_camera(positions, upright_axes(np.array([0.20, 0.78, 0.60])))
    _hang_sky()


def upright_axes(view_from: FloatArray) -> FloatArray:
    """Right, up and towards the camera as columns for a camera whose up is the world's, (3, 3) float64."""
    return np.array(Vector(view_from.tolist()).normalized().to_track_quat("Z", "Y").to_matrix(), dtype=np.float64)


def add_camera(positions: FloatArray, axes: FloatArray, aspect: float = 16.0 / 9.0) -> bpy.types.Object:
    """A parallel camera, made the scene's own, that just holds (n, 3) points.

    axes : (3, 3) float64, the camera's right, up and backward directions as columns
    aspect : width of the picture over its height
    """
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    seen = positions @ axes
    low, high = seen.min(axis=0), seen.max(axis=0)
    size = float(np.linalg.norm(high - low))
    place = axes @ np.array([(low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0, high[2] + size])
    camera.matrix_world = Matrix.LocRotScale(Vector(place.tolist()), Matrix(axes.tolist()), None)
    camera.data.type = "ORTHO"
    camera.data.sensor_fit = "HORIZONTAL"
    camera.data.ortho_scale = 1.06 * max(high[0] - low[0], aspect * (high[1] - low[1]))
    camera.data.clip_end = 10.0 * size
    bpy.context.scene.collection.objects.link(camera)
    bpy.context.scene.camera = camera
    return camera


def _hang_sky() -> None:
    """A sky that lights softly and looks light to the camera."""
    world = bpy.data.worlds.new("Sky")
    world.color = SKY[:3]
    if world.node_tree is None:
        world.use_nodes = True
    nodes, links = world.node_tree.nodes, world.node_tree.links
    light = next(node for node in nodes if node.type == "BACKGROUND")
    output = next(node for node in nodes if node.type == "OUTPUT_WORLD")
    backdrop, mix, path = nodes.new("ShaderNodeBackground"), nodes.new("ShaderNodeMixShader"), nodes.new("ShaderNodeLightPath")
    light.inputs["Color"].default_value = backdrop.inputs["Color"].default_value = SKY
    light.inputs["Strength"].default_value = SKY_LIGHT
    links.new(path.outputs["Is Camera Ray"], mix.inputs[0])
    links.new(light.outputs[0], mix.inputs[1])
    links.new(backdrop.outputs[0], mix.inputs[2])
    links.new(mix.outputs[0], output.inputs["Surface"])
    bpy.context.scene.world = world


def _add_sun(name: str, place: FloatArray, aim: FloatArray, strength: float) -> None:
    light = bpy.data.lights.new(name, "SUN")
    light.energy = strength
    light.angle = SUN_WIDTH
    placed = bpy.data.objects.new(name, light)
    placed.location = place.tolist()
    placed.rotation_euler = Vector((place - aim).tolist()).to_track_quat("Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(placed)


def _link_joints(joints: Mapping[str, FloatArray]) -> bpy.types.Object:
    """An armature with a bone between every two joints of a limb, seen through the flesh."""
    armature = bpy.data.armatures.new("Joints")
    armature.display_type = "STICK"
    placed = bpy.data.objects.new("Joints", armature)
    placed.show_in_front = True
    bpy.context.scene.collection.objects.link(placed)
    bpy.context.view_layer.objects.active = placed
    bpy.ops.object.mode_set(mode="EDIT")
    for name, chain in joints.items():
        parent = None
        for index, (head, tail) in enumerate(pairwise(chain)):
            bone = armature.edit_bones.new(f"{name}.{index + 1}")
            bone.head, bone.tail = head, tail
            bone.parent, bone.use_connect = parent, parent is not None
            parent = bone
    bpy.ops.object.mode_set(mode="OBJECT")
    return placed
