"""Mend what a finding names, with the operator that an artist would take."""

from __future__ import annotations

from collections.abc import Callable

import bpy

from ...core.errors import MeshError
from ..element_selection import show_elements
from ..phrases import told
from ..plan_storage import target_of
from .asking import Refusing
from .one_finding import ChosenFinding, OneFinding


def _make_quads() -> set[str]:
    return set(bpy.ops.ringwright.make_quads(carry=True))


def _settle() -> set[str]:
    for _ in range(2):
        bpy.ops.mesh.select_more()
    return set(bpy.ops.ringwright.settle(soft_edge=2))


def _settle_all() -> set[str]:
    bpy.ops.mesh.select_all(action="SELECT")
    return set(bpy.ops.ringwright.settle(soft_edge=0))


def _fill_patch() -> set[str]:
    return set(bpy.ops.ringwright.fill_patch())


def _merge() -> set[str]:
    bpy.ops.mesh.select_all(action="SELECT")
    return set(bpy.ops.mesh.remove_doubles())


def _delete_vertices() -> set[str]:
    return set(bpy.ops.mesh.delete(type="VERT"))


def _delete_faces() -> set[str]:
    return set(bpy.ops.mesh.delete(type="ONLY_FACE"))


def _turn_outside() -> set[str]:
    bpy.ops.mesh.select_all(action="SELECT")
    return set(bpy.ops.mesh.normals_make_consistent(inside=False))


def _unwrap() -> set[str]:
    bpy.ops.object.mode_set(mode="OBJECT")
    return set(bpy.ops.ringwright.unwrap_cage())


MENDS: dict[str, tuple[str, Callable[[], set[str]]]] = {
    "triangles": ("Make Quads", _make_quads),
    "n_gons": ("Make Quads", _make_quads),
    "folds": ("Settle", _settle),
    "folded_quads": ("Settle", _settle),
    "poor_quads": ("Settle", _settle),
    "zero_area_faces": ("Settle", _settle),
    "self_intersections": ("Settle", _settle),
    "vertices_off_target": ("Settle", _settle),
    "faces_against_target": ("Settle", _settle),
    "quad_shape": ("Settle", _settle_all),
    "boundary_loops": ("Fill Patch", _fill_patch),
    "open_ends": ("Fill Patch", _fill_patch),
    "duplicate_vertices": ("Merge", _merge),
    "loose_vertices": ("Delete", _delete_vertices),
    "broken_positions": ("Delete", _delete_vertices),
    "components": ("Delete", _delete_vertices),
    "duplicate_faces": ("Delete", _delete_faces),
    "degenerate_faces": ("Delete", _delete_faces),
    "flipped_faces": ("Turn Outside", _turn_outside),
    "uv_overlap": ("Unwrap Cage", _unwrap),
    "uv_flipped": ("Unwrap Cage", _unwrap),
    "uv_margin": ("Unwrap Cage", _unwrap),
    "uv_outside": ("Unwrap Cage", _unwrap),
}
"""Kind of finding: what the button says, and what it does to the selected elements."""
ON_THE_WHOLE = {"quad_shape", "uv_overlap", "uv_margin", "uv_outside"}
"""Kinds that can be mended although they name no element."""


def mend_label(kind: str, elements: str) -> str:
    """What the button beside a finding says; empty where the tool cannot mend it.

    elements : as the finding's row keeps them
    """
    return MENDS[kind][0] if kind in MENDS and (elements or kind in ON_THE_WHOLE) else ""


class RINGWRIGHT_OT_mend_finding(Refusing, OneFinding, bpy.types.Operator):
    """Mend what a finding names: triangles become quads, folds settle, doubles merge; inspect again to see the rest"""

    bl_idname = "ringwright.mend_finding"
    bl_label = "Mend Finding"
    bl_options = {"REGISTER", "UNDO"}

    def run(self, context: bpy.types.Context) -> set[str]:
        finding = self.choose(context)
        label = mend_label(finding.row.kind, finding.row.elements)
        if not label:
            raise MeshError(f"This finding has no mend of its own: {finding.row.mend}")
        mend = MENDS[finding.row.kind][1]
        if label == "Settle" and target_of(context.scene) is None:
            raise MeshError("Settling needs a target; choose one first.")
        _mend(context, finding, mend)
        self.report({"INFO"}, told("{mend}: {reason}", mend=told(label), reason=finding.row.reason))
        return {"FINISHED"}


def _mend(context: bpy.types.Context, finding: ChosenFinding, mend: Callable[[], set[str]]) -> None:
    """Select, mend, and go back to object mode where that was the mode."""
    cage = finding.cage
    from_object_mode = cage.mode != "EDIT"
    try:
        domain = "face" if finding.row.domain == "mesh" else finding.row.domain
        show_elements(context, cage, domain, finding.elements)
        mend()
    except RuntimeError as error:
        raise MeshError(str(error).removeprefix("Error: ").strip()) from error
    finally:
        if from_object_mode and cage.mode == "EDIT":
            bpy.ops.object.mode_set(mode="OBJECT")


CLASSES = (RINGWRIGHT_OT_mend_finding,)
