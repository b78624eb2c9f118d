"""Fill holes and regions of the mesh under edit with quads, all choices live in the redo panel."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from typing import Any

import bmesh
import bpy
import numpy as np
from bpy.props import BoolProperty, EnumProperty, IntProperty, IntVectorProperty

from ...core.adjacency import build_adjacency
from ...core.chosen_rings import chosen_rings, covered_by_rings
from ...core.errors import MeshError
from ...core.patch import FOLD
from ...core.patch_choice import PatchOptions
from ...core.patch_edit import Filling, fill_loops, missing_border, refill_faces
from ...core.polymesh import IntArray, PolyMesh
from ...core.rings import Rings, boundary_rings
from ...core.settle_region import facing
from ...core.surface import Surface
from ..edit_mesh import Selection, read_edit_mesh, write_edit
from ..host_surface import read_evaluated
from ..phrases import told
from ..plan_storage import target_of
from ..target_pieces import skin_surface
from .asking import Refusing
from .onto_target import EditsMesh

CORNER_ITEMS = (
    ("ANGLE", "Found", "Where the border turns sharply; with Follow Flow, where faces outside leave room for one quad"),
    ("SELECTED", "Selected Vertices", "The selected vertices; they choose the border as well"),
    ("GROUP", "Vertex Group", "Border vertices in the active vertex group"),
    ("NONE", "No Corners", "The border is taken for a round one"),
)
ONCE = {"SKIP_SAVE"}
"""What suits one border and no other: the next fill begins plain again."""
MOST_SIDES = 8
"""Sides that can be padded one by one in the editor; the core takes any number."""


class RINGWRIGHT_OT_fill_patch(Refusing, EditsMesh, bpy.types.Operator):
    """Fill the selected open rings with quads, or take the selected faces out and fill their border anew"""

    bl_idname = "ringwright.fill_patch"
    bl_label = "Fill Patch"
    bl_options = {"REGISTER", "UNDO"}

    corners: EnumProperty(name="Corners", items=CORNER_ITEMS, default="ANGLE", options=ONCE,
                          description="Border vertices that take one quad")
    rotate: IntProperty(name="Turn Corners", description="Border vertices by which the corners move on", default=0, min=-256, max=256,
                        options=ONCE)
    pattern: IntProperty(name="Pattern", description="Which of the equally good patterns, 0 the best; past the last they begin again",
                         default=0, min=0, max=999, options=ONCE)
    nudge: IntProperty(name="Nudge Poles", default=0, min=-64, max=64, options=ONCE,
                       description="Quads by which the poles move on in one direction; they stop at its end")
    nudge_across: IntProperty(name="Nudge Across", default=0, min=-64, max=64, options=ONCE,
                              description="Quads by which the poles move on in a second direction, where there is one")
    padding: IntProperty(name="Padding", description="Rows of quads along every side before a pole", default=0, min=0, max=64,
                         options=ONCE)
    side_padding: IntVectorProperty(name="Rows at Sides", size=MOST_SIDES, default=(0,) * MOST_SIDES, min=0, max=64, options=ONCE,
                                    description="Rows of quads more at single sides, counted from the first corner on")
    follow: BoolProperty(name="Follow Flow", default=False, description="Let edges run on from those that arrive from outside")
    use_target: BoolProperty(name="Onto Target", default=True, description="Lay the new vertices on the target, where there is one")
    sides: IntProperty(options={"HIDDEN", "SKIP_SAVE"})

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        target = target_of(context.scene) if self.use_target else None
        if target is None:
            filling = self._filling(item, mesh, selection, None)
        else:
            with skin_surface(read_evaluated(target, context.evaluated_depsgraph_get())) as (_, surface):
                filling = self._filling(item, mesh, selection, facing(surface, mesh))
        write_edit(item, filling.edit)
        self.sides = min(max(len(patch.corners) for patch in filling.patches), MOST_SIDES)
        flat = min(patch.least_squareness() for patch in filling.patches) < FOLD
        said = _said(filling, self.pattern)
        self.report({"WARNING" if flat else "INFO"}, told("{said}; some of them are flat at a corner", said=said) if flat else said)
        return {"FINISHED"}

    def draw(self, _: bpy.types.Context) -> None:
        layout = self.layout
        layout.use_property_split = True
        for name in ("corners", "rotate", "pattern", "nudge", "nudge_across", "padding"):
            layout.prop(self, name)
        column = layout.column(align=True)
        for side in range(self.sides):
            column.prop(self, "side_padding", index=side, text=str(side + 1) if side else None)
        layout.prop(self, "follow")
        layout.prop(self, "use_target")

    def _filling(self, item: bpy.types.Object, mesh: PolyMesh, selection: Selection, surface: Surface | None) -> Filling:
        options = PatchOptions(self.rotate, self.pattern, self.nudge, self.nudge_across, self.padding, _trimmed(tuple(self.side_padding)))
        marked = _marked(self.corners, item, selection)
        rings = boundary_rings(mesh, build_adjacency(mesh))
        if self.corners == "SELECTED":
            chosen = _rings_with_corners(rings, selection)
        else:
            chosen = chosen_rings(rings, selection.vertices) if selection.vertices.any() else []
            if selection.faces.any() and not (chosen and covered_by_rings(rings, chosen, selection.vertices)):
                faces = np.flatnonzero(selection.faces)
                return refill_faces(mesh, faces, marked=marked, follow=self.follow, surface=surface, options=options)
        if not chosen:
            raise missing_border(mesh, selection.vertices)
        loops = [rings.ring(index) for index in chosen]
        return fill_loops(mesh, loops, marked=marked, follow=self.follow, surface=surface, options=options)


def _trimmed(rows: tuple[int, ...]) -> tuple[int, ...]:
    """Without the zeros at the end, which every border has room for."""
    return rows[: max((side + 1 for side, more in enumerate(rows) if more), default=0)]


def _marked(corners: str, item: bpy.types.Object, selection: Selection) -> IntArray | None:
    """Vertices that are marked as corners, (k,) int, or None where corners shall be found."""
    if corners == "ANGLE":
        return None
    if corners == "SELECTED":
        return np.flatnonzero(selection.vertices).astype(np.int32)
    return _grouped_vertices(item) if corners == "GROUP" else np.zeros(0, dtype=np.int32)


def _grouped_vertices(item: bpy.types.Object) -> IntArray:
    """Vertices of the mesh under edit in the object's active vertex group, (k,) int."""
    host = bmesh.from_edit_mesh(item.data)
    layer, group = host.verts.layers.deform.active, item.vertex_groups.active_index
    if layer is None or group < 0:
        raise MeshError("The object has no vertex group to take corners from; put the corners into one, or let them be found.")
    weights: list[Any] = [vertex[layer] for vertex in host.verts]
    return np.array([index for index, each in enumerate(weights) if group in each and each[group] > 0], dtype=np.int32)


def _rings_with_corners(rings: Rings, selection: Selection) -> list[int]:
    """Open rings that selected vertices lie on as corners."""
    rest, chosen = selection.vertices.copy(), []
    for index in range(rings.count):
        ring = rings.ring(index)
        if selection.vertices[ring].all():
            raise MeshError(f"All {len(ring)} vertices of an open ring are selected; select its corners alone, or let them be found.")
        if selection.vertices[ring].any():
            chosen.append(index)
        rest[ring] = False
    if rest.any():
        raise MeshError(f"{int(np.count_nonzero(rest))} of the selected vertices lie on no open ring; select corners of a border alone.")
    return chosen


def _said(filling: Filling, pattern: int) -> str:
    quads = sum(len(patch.quads) for patch in filling.patches)
    poles = sum(patch.poles for patch in filling.patches)
    if len(filling.patches) > 1:
        return told("{quads} quads filled into {rings} rings with {poles} poles", quads=quads, rings=len(filling.patches), poles=poles)
    choices = filling.patches[0].patterns
    return told("{quads} quads filled in with {poles} poles, pattern {pattern} of {choices}", quads=quads, poles=poles,
                pattern=pattern % choices, choices=choices)


CLASSES = (RINGWRIGHT_OT_fill_patch,)
