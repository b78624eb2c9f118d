"""Limbs from what the scene already holds: bones, empties, a curve, vertices of a mesh."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bmesh
import bpy
import numpy as np
from bpy.props import BoolProperty

from ...core.errors import PlanError
from ...core.plan_edits import add_limb
from ...core.polymesh import FloatArray
from ...core.vertex_paths import order_path, vertex_paths
from ..cage_object import transformed
from ..phrases import told
from ..plan_storage import load_plan, store_plan
from .asking import Refusing, has_scene, refuse
from .limbs import LimbValues


def _add_chains(operator: LimbValues, context: bpy.types.Context, chains: list[tuple[str, FloatArray]]) -> set[str]:
    """Add a limb for every named chain of joints and tell how many."""
    plan = load_plan(context.scene)
    for name, joints in chains:
        plan = add_limb(plan, operator.limb_of(joints, name))
    store_plan(context.scene, plan)
    context.scene.ringwright.active_limb = len(plan.limbs) - 1
    added = told("{count} limbs added", count=len(chains)) if len(chains) > 1 else told('Limb "{name}" added', name=plan.limbs[-1].name)
    operator.report({"INFO"}, added)  # type: ignore[attr-defined]
    return {"FINISHED"}


class RINGWRIGHT_OT_limbs_from_bones(Refusing, LimbValues, bpy.types.Operator):
    """Make a limb of every chain of selected bones, from its root to its tip"""

    bl_idname = "ringwright.limbs_from_bones"
    bl_label = "Limbs from Bones"
    bl_options = {"REGISTER", "UNDO"}

    close_tips: BoolProperty(name="Close Last Tips", default=True,
                             description="Close the tip of every chain whose last bone has no further bone behind it")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        item = context.object
        armature = item is not None and item.type == "ARMATURE"
        return has_scene(cls, context) and (armature or refuse(cls, "Make an armature the active object and select bones in it"))

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.object
        bones = {bone.name: bone for bone in _selected_bones(item)}
        if not bones:
            raise PlanError("No bone is selected; select the bones of a limb in pose or edit mode.")
        return _add_chains(self, context, [(names[0], _chain_joints(item, names)) for names in _chains(bones)])


def _selected_bones(item: bpy.types.Object) -> list[bpy.types.ID]:
    """Selected bones; in object mode, where no selection shows, all of them."""
    if item.mode == "EDIT":
        return [bone for bone in item.data.edit_bones if bone.select]
    if item.mode != "POSE":
        return list(item.data.bones)
    return [bone.bone for bone in item.pose.bones if _is_selected(bone)]


def _is_selected(pose_bone: bpy.types.PoseBone) -> bool:
    """The newer host keeps the selection on the pose, the older one on the bone."""
    return bool(getattr(pose_bone, "select", False) or getattr(pose_bone.bone, "select", False))


def _chains(bones: dict[str, bpy.types.ID]) -> list[list[str]]:
    """Bone names in chains: a chain goes on while a bone has exactly one chosen child that begins where it ends."""
    children = {name: [child.name for child in bone.children if child.name in bones] for name, bone in bones.items()}
    follows = {name: names[0] for name, names in children.items() if len(names) == 1 and _touches(bones[name], bones[names[0]])}
    starts = [name for name in bones if name not in follows.values()]
    chains = []
    for start in starts:
        chain = [start]
        while chain[-1] in follows:
            chain.append(follows[chain[-1]])
        chains.append(chain)
    return chains


def _ends(bone: bpy.types.ID) -> tuple[FloatArray, FloatArray]:
    """Head and tail in the armature's own space."""
    return np.array(getattr(bone, "head_local", None) or bone.head), np.array(getattr(bone, "tail_local", None) or bone.tail)


def _touches(bone: bpy.types.ID, child: bpy.types.ID) -> bool:
    head, tail = _ends(bone)
    return bool(np.linalg.norm(_ends(child)[0] - tail) <= 0.05 * np.linalg.norm(tail - head))


def _chain_joints(item: bpy.types.Object, names: list[str]) -> FloatArray:
    """Joints of a chain in the world: in pose mode as posed, else as at rest."""
    if item.mode == "POSE":
        posed = [item.pose.bones[name] for name in names]
        points = [*(bone.head for bone in posed), posed[-1].tail]
    else:
        source = item.data.edit_bones if item.mode == "EDIT" else item.data.bones
        ends = [_ends(source[name]) for name in names]
        points = [*(head for head, _ in ends), ends[-1][1]]
    return _to_world(item, np.array([list(point) for point in points]))


def _to_world(item: bpy.types.Object, points: FloatArray) -> FloatArray:
    return transformed(points, np.array(item.matrix_world, dtype=np.float64))


class RINGWRIGHT_OT_limb_from_empties(Refusing, LimbValues, bpy.types.Operator):
    """Make a limb through the selected empties, in the order of their names"""

    bl_idname = "ringwright.limb_from_empties"
    bl_label = "Limb from Empties"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        empties = [item for item in context.selected_objects or () if item.type == "EMPTY"]
        return has_scene(cls, context) and (len(empties) >= 2 or refuse(cls, "Select at least two empties that lie along the limb"))

    def run(self, context: bpy.types.Context) -> set[str]:
        empties = sorted((item for item in context.selected_objects if item.type == "EMPTY"), key=lambda item: item.name)
        return _add_chains(self, context, [(self.limb_name, np.array([list(item.matrix_world.translation) for item in empties]))])


class RINGWRIGHT_OT_limb_from_curve(Refusing, LimbValues, bpy.types.Operator):
    """Make a limb of every open spline of the active curve, with a joint at every control point"""

    bl_idname = "ringwright.limb_from_curve"
    bl_label = "Limb from Curve"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        item = context.object
        return has_scene(cls, context) and ((item is not None and item.type == "CURVE") or refuse(cls, "Make a curve the active object"))

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.object
        chains = [_to_world(item, _spline_points(spline)) for spline in item.data.splines]
        chains = [chain for chain in chains if len(chain) >= 2]
        if not chains:
            raise PlanError(f'The curve "{item.name}" has no spline of at least two points; draw one through the limb.')
        return _add_chains(self, context, [(self.limb_name, chain) for chain in chains])


def _spline_points(spline: bpy.types.Spline) -> FloatArray:
    points = spline.bezier_points if spline.type == "BEZIER" else spline.points
    return np.array([list(point.co)[:3] for point in points]).reshape(-1, 3)


class RINGWRIGHT_OT_limb_from_vertices(Refusing, LimbValues, bpy.types.Operator):
    """Make a limb of the selected vertices: along the edges between them, or else in order along their longest direction"""

    bl_idname = "ringwright.limb_from_vertices"
    bl_label = "Limb from Vertices"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        item = context.edit_object
        mesh = item is not None and item.type == "MESH"
        return has_scene(cls, context) and (mesh or refuse(cls, "Enter edit mode on a mesh and select vertices along the limb"))

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        host = bmesh.from_edit_mesh(item.data)
        chosen = [vertex for vertex in host.verts if vertex.select and not vertex.hide]
        if len(chosen) < 2:
            raise PlanError("Under two vertices are selected; select vertices along the limb.")
        number = {vertex.index: row for row, vertex in enumerate(chosen)}
        points = _to_world(item, np.array([list(vertex.co) for vertex in chosen]))
        edges = [[number[end.index] for end in edge.verts] for edge in host.edges if all(end.index in number for end in edge.verts)]
        paths = vertex_paths(len(chosen), np.array(edges, dtype=np.int32).reshape(-1, 2)) or [order_path(points)]
        return _add_chains(self, context, [(self.limb_name, points[path]) for path in paths])


CLASSES = (RINGWRIGHT_OT_limbs_from_bones, RINGWRIGHT_OT_limb_from_empties, RINGWRIGHT_OT_limb_from_curve,
           RINGWRIGHT_OT_limb_from_vertices)
