"""Seams and unwrap of the cage, checked."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from dataclasses import replace

import bpy
from bpy.props import BoolProperty

from ...core.inspection import inspect_mesh
from ...core.inspection_text import describe_unwrap
from ...core.profiles import Profile
from ...core.uv_seams import find_seams
from ..cage_object import read_cage
from ..finding_rows import store_findings
from ..mesh_bridge import read_uvs
from ..phrases import told
from ..planned_cage import check_may_change, planned_cage
from ..unwrapping import MAP_LIMITS, mark_seams, unwrap_along
from .asking import OnCage, Refusing


class RINGWRIGHT_OT_unwrap_cage(Refusing, OnCage, bpy.types.Operator):
    """Cut the cage round the roots of its branches and along the hidden side of its limbs, unwrap it and check the map"""

    bl_idname = "ringwright.unwrap_cage"
    bl_label = "Unwrap Cage"
    bl_options = {"REGISTER", "UNDO"}

    seams_only: BoolProperty(name="Seams Only", description="Mark the seams and leave the map as it is", default=False)

    def run(self, context: bpy.types.Context) -> set[str]:
        found = planned_cage(context.scene)
        cage, mesh = found.cage, found.mesh
        check_may_change(cage)
        if self.seams_only:
            seams = find_seams(mesh, found.plan, found.skeleton)
            mark_seams(cage.data, mesh, seams)
            self.report({"INFO"}, told("{count} edges marked as seams", count=len(seams)))
            return {"FINISHED"}
        unwrap_along(cage, mesh, found.plan, found.skeleton)
        settings = context.scene.ringwright
        inspection = inspect_mesh(read_cage(cage), uvs=read_uvs(cage.data), profile=replace(Profile(), limits=MAP_LIMITS))
        store_findings(settings, inspection)
        if inspection.unwrap is not None:
            words = describe_unwrap(inspection.unwrap)
            settings.summary = f"{settings.summary}; map: {words}"
            faults = [finding.reason for finding in inspection.findings if finding.name.startswith(("uv_", "texel_"))]
            self.report({"WARNING" if faults else "INFO"}, " ".join(faults) or words)
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_unwrap_cage,)
