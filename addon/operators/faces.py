"""Faces and vertices of the mesh under edit: fill with quads, mend into quads, settle on the target."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
import numpy as np
from bpy.props import BoolProperty, EnumProperty, IntProperty

from ...core.adjacency import build_adjacency
from ...core.chosen_rings import chosen_rings, covered_by_rings
from ...core.errors import MeshError
from ...core.make_quads import MadeQuads, make_quads
from ...core.mend_faces import find_odd_faces
from ...core.mesh_edit import MeshEdit
from ...core.patch_choice import PatchOptions
from ...core.patch_edit import fill_loops, refill_faces
from ...core.polymesh import PolyMesh
from ...core.rings import boundary_rings
from ...core.settle_region import facing, settle_region
from ...core.surface import Surface
from ..edit_mesh import Selection, kept_apart_edges, read_edit_mesh, write_edit, write_positions
from ..host_surface import read_evaluated
from ..plan_storage import target_of
from ..target_pieces import skin_surface
from .asking import Refusing, has_target, in_edit_mode
from .onto_target import differs_from_target

INNER_ITEMS = (
    ("NEVER", "Never", "Split n-gons between their own corners only"),
    ("CLEAR", "Where Clearly Better", "Add vertices inside an n-gon whose quads would come out nearly flat at a corner"),
    ("BEST", "Best Shape", "Add vertices inside an n-gon wherever its worst quad gains by it"),
)
INNER = {"NEVER": False, "CLEAR": None, "BEST": True}


class RINGWRIGHT_OT_fill_patch(Refusing, bpy.types.Operator):
    """Fill the selected open rings with quads, or take the selected faces out and fill their border anew"""

    bl_idname = "ringwright.fill_patch"
    bl_label = "Fill Patch"
    bl_options = {"REGISTER", "UNDO"}

    rotate: IntProperty(name="Turn Corners", description="Border vertices by which the corners move on", default=0, min=-256, max=256)
    pattern: IntProperty(name="Pattern", description="Which of the equally good patterns, 0 the best", default=0, min=0, max=999)
    nudge: IntProperty(name="Nudge Poles", description="Steps by which the poles move along, either way", default=0, min=-64, max=64)
    padding: IntProperty(name="Padding", description="Rows of quads along every side before a pole", default=0, min=0, max=64)
    follow: BoolProperty(name="Follow Flow", default=False, description="Let edges run on from those that arrive from outside")
    use_target: BoolProperty(name="Onto Target", default=True, description="Lay the new vertices on the target, where there is one")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return in_edit_mode(cls, context) and differs_from_target(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        target = target_of(context.scene) if self.use_target else None
        if target is None:
            edit = self._edit(mesh, selection, None)
        else:
            with skin_surface(read_evaluated(target, context.evaluated_depsgraph_get())) as (_, surface):
                edit = self._edit(mesh, selection, facing(surface, mesh))
        write_edit(item, edit)
        added = int(np.count_nonzero(~edit.kept_faces))
        self.report({"INFO"}, f"{added} quads filled in")
        return {"FINISHED"}

    def _edit(self, mesh: PolyMesh, selection: Selection, surface: Surface | None) -> MeshEdit:
        options = PatchOptions(self.rotate, self.pattern, self.nudge, self.padding)
        rings = boundary_rings(mesh, build_adjacency(mesh))
        chosen = chosen_rings(rings, selection.vertices) if selection.vertices.any() else []
        if selection.faces.any() and not (chosen and covered_by_rings(rings, chosen, selection.vertices)):
            return refill_faces(mesh, np.flatnonzero(selection.faces), follow=self.follow, surface=surface, options=options)
        if not chosen:
            raise MeshError("No open ring and no face is selected; select the border of a hole, or the faces to fill anew.")
        return fill_loops(mesh, [rings.ring(index) for index in chosen], follow=self.follow, surface=surface, options=options)


class RINGWRIGHT_OT_make_quads(Refusing, bpy.types.Operator):
    """Merge triangles and split n-gons into quads among the selected faces; without a selection, in the whole mesh"""

    bl_idname = "ringwright.make_quads"
    bl_label = "Make Quads"
    bl_options = {"REGISTER", "UNDO"}

    inner_vertices: EnumProperty(name="Inner Vertices", items=INNER_ITEMS, default="CLEAR",
                                 description="Whether n-gons may get vertices inside")
    carry: BoolProperty(name="Carry Odd Faces", default=False,
                        description="Cut a way from a face that stays odd to the next odd one, or to an open ring, "
                                    "through the faces that lie between")
    keep_marked: BoolProperty(name="Keep Marked Edges", default=True, description="Keep seams and sharp edges where they are")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return in_edit_mode(cls, context) and differs_from_target(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        chosen = selection.faces if selection.faces.any() else np.ones(mesh.face_count, dtype=np.bool_)
        others = int(np.count_nonzero(mesh.face_sizes[chosen] != 4))
        if not others:
            self.report({"WARNING"}, "All these faces are quads already")
            return {"CANCELLED"}
        edges = build_adjacency(mesh).edge_verts
        locked = kept_apart_edges(item, edges) if self.keep_marked else np.zeros(len(edges), dtype=np.bool_)
        made = make_quads(mesh, chosen, locked, inner_vertices=INNER[self.inner_vertices], carry=self.carry)
        write_edit(item, made.edit)
        rest = f", {made.odd_faces} odd faces remain: {_way_out(made)}" if made.odd_faces else ""
        self.report({"WARNING" if made.odd_faces else "INFO"}, f"{others} faces mended{rest}")
        return {"FINISHED"}


def _way_out(made: MadeQuads) -> str:
    """What could be done about the first odd face that remains."""
    mesh = made.edit.mesh
    found = find_odd_faces(mesh, build_adjacency(mesh))
    return f"{found[0].sentence(mesh.face_sizes)} (Carry Odd Faces)" if len(found[0].path) else found[0].sentence(mesh.face_sizes)


class RINGWRIGHT_OT_settle(Refusing, bpy.types.Operator):
    """Relax the selected vertices along the target and lay them on it; without a selection, the whole mesh"""

    bl_idname = "ringwright.settle"
    bl_label = "Settle"
    bl_options = {"REGISTER", "UNDO"}

    soft_edge: IntProperty(name="Soft Edge", description="Rows of vertices over which the pull falls off towards what is not selected",
                           default=2, min=0, max=64)
    pin_boundary: BoolProperty(name="Keep Open Ends", default=True, description="Leave the vertices of open rings where they are")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_target(cls, context) and in_edit_mode(cls, context) and differs_from_target(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        if not len(mesh.faces_of_size(4)[0]):
            raise MeshError("The mesh has no quad, and only quads settle; make quads first.")
        chosen = selection.vertices if selection.vertices.any() else np.ones(mesh.vertex_count, dtype=np.bool_)
        with skin_surface(read_evaluated(target_of(context.scene), context.evaluated_depsgraph_get())) as (_, surface):
            settled = settle_region(mesh, surface, chosen, soft_edge=self.soft_edge, pin_boundary=self.pin_boundary)
        moved = np.any(settled.positions != mesh.positions, axis=1) & chosen
        write_positions(item, settled.positions, moved)
        self.report({"INFO"}, f"{int(np.count_nonzero(moved))} vertices settled in {settled.steps} steps")
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_fill_patch, RINGWRIGHT_OT_make_quads, RINGWRIGHT_OT_settle)
