"""Open rings of the mesh under edit: bring one to another count, join two."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
from bpy.props import EnumProperty, IntProperty

from ...core.adjacency import build_adjacency
from ...core.chosen_rings import chosen_rings
from ...core.errors import MeshError
from ...core.mismatches import pair_rings
from ...core.plan import ROWS_RANGE
from ...core.polymesh import PolyMesh
from ...core.ring_reduction import step_ring
from ...core.ring_splice import splice_rings
from ...core.rings import Rings, boundary_rings
from ..edit_mesh import read_edit_mesh, write_edit
from .asking import Refusing, in_edit_mode

LARGEST_COUNT = 512
SIDE_ITEMS = (
    ("ANY", "Any", "No side is hidden"), ("FRONT", "Front", "Towards -Y"), ("BACK", "Back", "Towards +Y"),
    ("LEFT", "Left", "Towards -X"), ("RIGHT", "Right", "Towards +X"), ("BELOW", "Below", "Towards -Z"), ("ABOVE", "Above", "Towards +Z"),
)
SIDES = {"ANY": None, "FRONT": (0, -1, 0), "BACK": (0, 1, 0), "LEFT": (-1, 0, 0), "RIGHT": (1, 0, 0), "BELOW": (0, 0, -1),
         "ABOVE": (0, 0, 1)}


class StepDownOptions:
    """Mixin: where step-downs may go."""

    rows: IntProperty(name="Rows", description="Rows of quads that the step-downs may use; 0 leaves them to be chosen", min=0,
                      max=ROWS_RANGE[1], default=0)
    hidden: EnumProperty(name="Hidden Side", description="Side in the world on which step-downs show least", items=SIDE_ITEMS,
                         default="ANY")


class RINGWRIGHT_OT_reduce_ring(Refusing, StepDownOptions, bpy.types.Operator):
    """Bring the selected open ring to another edge count in the quads beside it, without a triangle"""

    bl_idname = "ringwright.reduce_ring"
    bl_label = "Reduce Ring"
    bl_options = {"REGISTER", "UNDO"}

    count: IntProperty(name="Edges", description="Edges that the ring shall have; 0 takes those of the ring that it faces, or two fewer",
                       min=0, max=LARGEST_COUNT, default=0, options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return in_edit_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        adjacency = build_adjacency(mesh)
        rings = boundary_rings(mesh, adjacency)
        ring = _single(rings, chosen_rings(rings, selection.vertices))
        count = self.count or _wanted_count(mesh, rings, ring)
        before = int(rings.edge_counts[ring])
        change = step_ring(mesh, adjacency, rings.ring(ring), count, rows=self.rows or None, hidden=SIDES[self.hidden])
        write_edit(item, change.edit)
        self.count = count
        self.report({"INFO"}, f"{before} to {len(change.ring)} edges in {change.rows} rows, {len(change.three_poles)} step-downs")
        return {"FINISHED"}


def _single(rings: Rings, chosen: list[int]) -> int:
    if len(chosen) != 1:
        raise MeshError(f"The selection holds {len(chosen)} open rings of {rings.count}; select the vertices of exactly one.")
    return chosen[0]


def _wanted_count(mesh: PolyMesh, rings: Rings, ring: int) -> int:
    """The count of the ring that it faces where that is sparser, else two fewer than now."""
    for pair in pair_rings(mesh, rings).pairs:
        if ring == pair.fuller and pair.is_mismatch:
            return pair.counts[1]
        if ring == pair.sparser and pair.is_mismatch:
            return pair.counts[0]
    return int(rings.edge_counts[ring]) - 2


class RINGWRIGHT_OT_splice_rings(Refusing, StepDownOptions, bpy.types.Operator):
    """Join the selected open rings in pairs with rows of quads, with step-downs where their counts differ"""

    bl_idname = "ringwright.splice_rings"
    bl_label = "Splice Rings"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return in_edit_mode(cls, context)

    def run(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        mesh, selection = read_edit_mesh(item)
        adjacency = build_adjacency(mesh)
        rings = boundary_rings(mesh, adjacency)
        pairs = _chosen_pairs(mesh, rings, chosen_rings(rings, selection.vertices))
        splice = splice_rings(mesh, adjacency, rings, pairs, rows=self.rows or None, hidden=SIDES[self.hidden])
        write_edit(item, splice.edit)
        faces = sum(len(join.faces) for join in splice.joins)
        steps = sum(len(join.three_poles) for join in splice.joins)
        self.report({"INFO"}, f"{len(pairs)} pairs of rings joined with {faces} quads, {steps} step-downs")
        return {"FINISHED"}


def _chosen_pairs(mesh: PolyMesh, rings: Rings, chosen: list[int]) -> list[tuple[int, int]]:
    if len(chosen) == 2:
        return [(chosen[0], chosen[1])]
    pairs = [(pair.fuller, pair.sparser) for pair in pair_rings(mesh, rings).pairs if {pair.fuller, pair.sparser} <= set(chosen)]
    if not pairs:
        raise MeshError(f"The selection holds {len(chosen)} open rings and no two that face each other; select two rings.")
    return pairs


CLASSES = (RINGWRIGHT_OT_reduce_ring, RINGWRIGHT_OT_splice_rings)
