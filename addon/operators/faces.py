"""Faces and vertices of the mesh under edit: mend into quads, settle on the target."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
import numpy as np
from bpy.props import BoolProperty, EnumProperty, IntProperty

from ...core.adjacency import build_adjacency
from ...core.errors import MeshError
from ...core.make_quads import MadeQuads, make_quads
from ...core.mirror_plane import MirrorPlane
from ...core.settle_region import settle_region
from ..edit_mesh import kept_apart_edges, read_edit_mesh, write_edit, write_positions
from ..host_surface import read_evaluated
from ..phrases import told
from ..plan_storage import target_of
from ..target_pieces import skin_surface
from .asking import Refusing, has_target
from .onto_target import EditsMesh

INNER_ITEMS = (
    ("NEVER", "Never", "Split n-gons between their own corners only"),
    ("CLEAR", "Where Clearly Better", "Add vertices inside an n-gon whose quads would come out nearly flat at a corner"),
    ("BEST", "Best Shape", "Add vertices inside an n-gon wherever its worst quad gains by it"),
)
INNER = {"NEVER": False, "CLEAR": None, "BEST": True}


class RINGWRIGHT_OT_make_quads(Refusing, EditsMesh, bpy.types.Operator):
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

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        chosen = selection.faces if selection.faces.any() else np.ones(mesh.face_count, dtype=np.bool_)
        others = int(np.count_nonzero(mesh.face_sizes[chosen] != 4))
        if not mesh.face_count:
            raise MeshError("The mesh has no face.")
        if not others:
            self.report({"WARNING"}, told("All these faces are quads already"))
            return {"CANCELLED"}
        edges = build_adjacency(mesh).edge_verts
        locked = kept_apart_edges(item, edges) if self.keep_marked else np.zeros(len(edges), dtype=np.bool_)
        made = make_quads(mesh, chosen, locked, inner_vertices=INNER[self.inner_vertices], carry=self.carry)
        odd = len(made.odd_faces)
        if odd == others:
            self.report({"WARNING"}, told("None of these faces could be mended: {way_out}", way_out=_way_out(made)))
            return {"CANCELLED"}
        write_edit(item, made.edit)
        mended = told("Faces mended: {count}", count=others - odd)
        if odd:
            mended = told("{mended}, odd ones that remain: {odd}. {way_out}", mended=mended, odd=odd, way_out=_way_out(made))
        self.report({"WARNING" if odd else "INFO"}, mended)
        return {"FINISHED"}


def _way_out(made: MadeQuads) -> str:
    """What could be done about the first odd face that remains."""
    first = made.odd_faces[0]
    return f"{first.sentence(made.edit.mesh.face_sizes)}{' (Carry Odd Faces)' if len(first.path) else ''}"


class RINGWRIGHT_OT_settle(Refusing, EditsMesh, bpy.types.Operator):
    """Relax the selected vertices along the target and lay them on it; without a selection, the whole mesh"""

    bl_idname = "ringwright.settle"
    bl_label = "Settle"
    bl_options = {"REGISTER", "UNDO"}

    soft_edge: IntProperty(name="Soft Edge", description="Rows of vertices over which the pull falls off towards what is not selected",
                           default=2, min=0, max=64)
    spacing: EnumProperty(name="Spacing", default="KEPT", description="How rows lie after they have settled",
                          items=(("KEPT", "As Laid", "Keep the proportions that the rows were laid with"),
                                 ("EVEN", "Even", "Bring the rows to lie evenly along the target")))
    pin_boundary: BoolProperty(name="Keep Open Ends", default=True, description="Leave the vertices of open rings where they are")
    pin_seams: BoolProperty(name="Keep Seams", default=False, description="Leave the vertices of seams and of sharp edges where they are")
    plane: EnumProperty(name="Mirror Plane", default="NONE", description="Plane through the object's origin in which its vertices stay",
                        items=(("NONE", "None", "No plane holds vertices"), ("X", "X", "Vertices in the plane across X stay in it"),
                               ("Y", "Y", "Vertices in the plane across Y stay in it"),
                               ("Z", "Z", "Vertices in the plane across Z stay in it")))

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_target(cls, context) and super().poll(context)

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        if not len(mesh.faces_of_size(4)[0]):
            raise MeshError("The mesh has no quad, and only quads settle; make quads first.")
        chosen = selection.vertices if selection.vertices.any() else np.ones(mesh.vertex_count, dtype=np.bool_)
        if self.pin_seams:
            edges = build_adjacency(mesh).edge_verts
            chosen = chosen & ~np.isin(np.arange(mesh.vertex_count), edges[kept_apart_edges(item, edges)])
        with skin_surface(read_evaluated(target_of(context.scene), context.evaluated_depsgraph_get())) as (_, surface):
            settled = settle_region(mesh, surface, chosen, soft_edge=self.soft_edge, pin_boundary=self.pin_boundary,
                                    plane=self._plane(item), freedom=np.ones(mesh.vertex_count) if self.spacing == "EVEN" else None)
        moved = np.any(settled.positions != mesh.positions, axis=1) & chosen
        write_positions(item, settled.positions, moved)
        self.report({"INFO"}, told("{count} vertices settled in {steps} steps", count=int(np.count_nonzero(moved)), steps=settled.steps))
        return {"FINISHED"}

    def _plane(self, item: bpy.types.Object) -> MirrorPlane | None:
        """The chosen plane of an object, in the world."""
        if self.plane == "NONE":
            return None
        matrix = np.array(item.matrix_world, dtype=np.float64)
        across = np.linalg.inv(matrix[:3, :3])["XYZ".index(self.plane)]
        return MirrorPlane(matrix[:3, 3], across / np.linalg.norm(across))


CLASSES = (RINGWRIGHT_OT_make_quads, RINGWRIGHT_OT_settle)
