"""Lay what an edit has made on the scene's target."""

from __future__ import annotations

from dataclasses import replace

import bpy
import numpy as np

from ...core.mesh_edit import MeshEdit
from ...core.polymesh import PolyMesh
from ...core.settle_region import settle_region
from ..host_surface import read_evaluated
from ..plan_storage import target_of
from ..target_pieces import skin_surface
from .asking import in_edit_mode, refuse


def differs_from_target(operator: type, context: bpy.types.Context) -> bool:
    """Whether the mesh under edit is not the target."""
    return context.edit_object != target_of(context.scene) or refuse(operator, "The target itself is never changed; edit the cage")


class EditsMesh:
    """Mixin: an operator on the mesh under edit."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Whether a mesh is under edit that may be changed."""
        return in_edit_mode(cls, context) and differs_from_target(cls, context)


def laid_on_target(context: bpy.types.Context, mesh: PolyMesh, edit: MeshEdit, *, use: bool) -> MeshEdit:
    """The edit with its new and its moved vertices settled on the scene's target, where there is one.

    mesh : the mesh that the edit started from
    use : whether the artist wants it
    """
    target = target_of(context.scene)
    if target is None or not use:
        return edit
    numbers = edit.new_vertex_of[: mesh.vertex_count]
    kept = np.flatnonzero(numbers >= 0)
    free = np.ones(edit.mesh.vertex_count, dtype=np.bool_)
    same = np.all(edit.mesh.positions[numbers[kept]] == mesh.positions[kept], axis=1)
    free[numbers[kept[same]]] = False
    with skin_surface(read_evaluated(target, context.evaluated_depsgraph_get())) as (_, surface):
        settled = settle_region(edit.mesh, surface, free, pin_boundary=True)
    positions = np.where(free[:, None], settled.positions, edit.mesh.positions)
    return replace(edit, mesh=edit.mesh.with_positions(positions))
