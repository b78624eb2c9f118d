"""The scene's cage together with the plan that it was built from, checked before anything is made of both."""

from __future__ import annotations

from dataclasses import dataclass

import bpy

from ..core.errors import MeshError
from ..core.mirror import turned
from ..core.plan import LimbPlan
from ..core.polymesh import PolyMesh
from ..core.rig_fit import check_places as check_mesh_places
from ..core.rig_fit import check_rig_fit
from ..core.skeleton import Skeleton, skeleton_of
from ..core.vertex_limbs import renumbered
from .cage_object import read_cage
from .operators.asking import NO_CAGE
from .plan_storage import built_plan, cage_of, require_plan

SMALLEST_SCALE = 1e-30
"""Of the product of an object's scales; below it no coordinate comes back."""


@dataclass(frozen=True)
class PlannedCage:
    """A cage that fits its plan.

    mesh : in the world, its outside out, its limbs numbered as in the plan
    """

    cage: bpy.types.Object
    plan: LimbPlan
    skeleton: Skeleton
    mesh: PolyMesh


def planned_cage(scene: bpy.types.Scene) -> PlannedCage:
    """The scene's cage with its plan and the plan's bones.

    Raises MeshError or PlanError where one of them is missing, or where the cage does not fit the plan.
    """
    cage, plan = require_cage(scene), require_plan(scene)
    skeleton = skeleton_of(plan)
    check_places(cage)
    mesh = renumbered(read_cage(cage), built_plan(cage), plan)
    mesh = turned(mesh) if cage.matrix_world.is_negative else mesh
    check_rig_fit(mesh, skeleton)
    return PlannedCage(cage, plan, skeleton, mesh)


def require_cage(scene: bpy.types.Scene) -> bpy.types.Object:
    """The scene's cage.

    Raises MeshError where there is none, or none with a face.
    """
    cage = cage_of(scene)
    if cage is None:
        raise MeshError(f"{NO_CAGE}.")
    if not cage.data.polygons:
        raise MeshError("The cage has no face; build it first.")
    return cage


def changeable_cage(scene: bpy.types.Scene) -> bpy.types.Object:
    """The scene's cage, which may be given other places or another mesh.

    Raises MeshError where there is none, or where something would be lost.
    """
    cage = require_cage(scene)
    check_may_change(cage)
    check_no_shape_keys(cage)
    check_places(cage)
    return cage


def check_places(cage: bpy.types.Object) -> None:
    """Check that a cage can be worked on in the world and taken back into its own coordinates.

    Raises MeshError where vertices have no place, faces no area, or the object is flattened by its scale.
    """
    check_mesh_places(read_cage(cage))
    if abs(cage.matrix_world.determinant()) < SMALLEST_SCALE:
        raise MeshError(f'The scale of the cage "{cage.name}" is 0 along an axis; set it to 1 or apply it (Object > Apply > Scale).')


def check_may_change(cage: bpy.types.Object) -> None:
    """Check that a cage's object and mesh are this file's own.

    Raises MeshError where they are not.
    """
    if cage.library is not None or cage.data.library is not None:
        raise MeshError(f'The cage "{cage.name}" is linked from another file; make it local first (Object > Relations > Make Local).')


def check_no_shape_keys(cage: bpy.types.Object) -> None:
    """Check that no shape key of a cage would be lost or left behind.

    Raises MeshError where it has some.
    """
    keys = cage.data.shape_keys
    if keys is not None:
        raise MeshError(f'The cage "{cage.name}" has shape keys, which would be lost; apply or remove them first (Object Data > Shape '
                        "Keys).")
