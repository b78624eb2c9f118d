"""Mend what a finding names, with the operator that an artist would take."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from collections.abc import Callable

import bpy
from bpy.props import IntProperty

from ...core.errors import MeshError
from ..element_selection import has_elements, show_elements
from ..finding_rows import unpack
from ..plan_storage import cage_of, target_of
from .asking import Refusing, has_cage, refuse


def _make_quads() -> set[str]:
    return set(bpy.ops.ringwright.make_quads(carry=True))


def _settle() -> set[str]:
    for _ in range(2):
        bpy.ops.mesh.select_more()
    return set(bpy.ops.ringwright.settle(soft_edge=2))


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


MENDS: dict[str, tuple[str, Callable[[], set[str]]]] = {
    "triangles": ("Make Quads", _make_quads),
    "n_gons": ("Make Quads", _make_quads),
    "folds": ("Settle", _settle),
    "folded_quads": ("Settle", _settle),
    "poor_quads": ("Settle", _settle),
    "vertices_off_target": ("Settle", _settle),
    "faces_against_target": ("Settle", _settle),
    "duplicate_vertices": ("Merge", _merge),
    "loose_vertices": ("Delete", _delete_vertices),
    "broken_positions": ("Delete", _delete_vertices),
    "duplicate_faces": ("Delete", _delete_faces),
    "degenerate_faces": ("Delete", _delete_faces),
    "flipped_faces": ("Turn Outside", _turn_outside),
}
"""Kind of finding: what the button says, and what it does to the selected elements."""


class RINGWRIGHT_OT_mend_finding(Refusing, bpy.types.Operator):
    """Mend what a finding names: triangles become quads, folds settle, doubles merge; inspect again to see the rest"""

    bl_idname = "ringwright.mend_finding"
    bl_label = "Mend Finding"
    bl_options = {"REGISTER", "UNDO"}

    index: IntProperty(name="Number", description="Which finding of the list, from 0; -1 for the active one", min=-1, default=-1,
                       options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and (len(context.scene.ringwright.findings) > 0 or refuse(cls, "There is no finding; inspect first"))

    def run(self, context: bpy.types.Context) -> set[str]:
        settings, cage = context.scene.ringwright, cage_of(context.scene)
        index = settings.active_finding if self.index < 0 else self.index
        if not 0 <= index < len(settings.findings):
            raise MeshError(f"There is no finding {index}; the list holds {len(settings.findings)}.")
        row = settings.findings[index]
        label, mend = MENDS.get(row.kind, ("", None))
        if mend is None:
            raise MeshError(f"This finding has no mend of its own: {row.mend}")
        if mend is _settle and target_of(context.scene) is None:
            raise MeshError("Settling needs a target; choose one first.")
        if not has_elements(cage, row.domain, unpack(row.elements)):
            raise MeshError("The cage has changed since it was inspected; inspect it once more.")
        self._mend(context, cage, row, mend)
        self.report({"INFO"}, f"{label}: {row.reason}")
        return {"FINISHED"}

    def _mend(self, context: bpy.types.Context, cage: bpy.types.Object, row: object, mend: Callable[[], set[str]]) -> None:
        """Select, mend, and go back to object mode where that was the mode."""
        from_object_mode = cage.mode != "EDIT"
        try:
            show_elements(context, cage, row.domain, unpack(row.elements))  # type: ignore[attr-defined]
            mend()
        except RuntimeError as error:
            raise MeshError(str(error).removeprefix("Error: ").strip()) from error
        finally:
            if from_object_mode and cage.mode == "EDIT":
                bpy.ops.object.mode_set(mode="OBJECT")


CLASSES = (RINGWRIGHT_OT_mend_finding,)
