"""Open rings of the mesh under edit: bring one to another count, join two."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
import numpy as np
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty

from ...core.adjacency import Adjacency, build_adjacency
from ...core.chosen_rings import chosen_rings, kept_clear
from ...core.errors import MeshError
from ...core.mismatches import RingPair, pair_rings
from ...core.placement_costs import MOST_POLE_DISTANCE, POLE_DISTANCE, WAYS, bending_costs, joint_bending
from ...core.plan import ROWS_RANGE
from ...core.polymesh import BoolArray, FloatArray, PolyMesh
from ...core.ring_reduction import step_ring
from ...core.ring_splice import splice_rings
from ...core.rings import Rings, boundary_rings
from ..edit_mesh import Selection, read_edit_mesh, read_edit_weights, write_edit
from ..phrases import told
from .asking import Refusing
from .onto_target import EditsMesh, laid_on_target

LARGEST_COUNT = 512
SIDE_ITEMS = (
    ("ANY", "Any", "No side is hidden"), ("FRONT", "Front", "Towards -Y"), ("BACK", "Back", "Towards +Y"),
    ("LEFT", "Left", "Towards -X"), ("RIGHT", "Right", "Towards +X"), ("BELOW", "Below", "Towards -Z"), ("ABOVE", "Above", "Towards +Z"),
)
SIDES = {"ANY": None} | {name.upper(): way for name, way in WAYS.items()}


def _group_names(_operator: bpy.types.Operator, context: bpy.types.Context, typed: str) -> list[str]:
    item = context.edit_object
    return [] if item is None else [group.name for group in item.vertex_groups if typed.lower() in group.name.lower()]


class StepDownOptions:
    """Mixin: where step-downs may go."""

    rows: IntProperty(name="Rows", description="Rows of quads that the step-downs may use; 0 leaves them to be chosen", min=0,
                      max=ROWS_RANGE[1], default=0)
    hidden: EnumProperty(name="Hidden Side", description="Side in the world on which step-downs show least", items=SIDE_ITEMS,
                         default="ANY")
    keep_clear: StringProperty(name="Keep Clear Of", search=_group_names,
                               description="Vertex group of an area that bends; step-downs keep away from it by its weights")
    use_joints: BoolProperty(name="Keep Clear of Joints", default=True,
                             description="Step-downs keep away from the rings that a plan gathered round joints")
    use_selection: BoolProperty(name="Keep Clear of Selection", default=False,
                                description="Step-downs keep away from what is selected beside the rings that change")
    pole_distance: IntProperty(name="Pole Distance", min=0, max=MOST_POLE_DISTANCE, default=POLE_DISTANCE,
                               description="Edges that step-downs keep from poles that exist, where there is room")
    use_target: BoolProperty(name="Onto Target", default=True,
                             description="Lay the vertices that are new or move on the target, where there is one")

    def bending(self, item: bpy.types.Object, mesh: PolyMesh, beside: BoolArray) -> FloatArray:
        """Cost of step-downs at every vertex where the place bends, (V,).

        beside : (V,) bool, what is selected beside the rings
        """
        bending = joint_bending(mesh) if self.use_joints else np.zeros(mesh.vertex_count)
        if self.keep_clear:
            bending = np.maximum(bending, read_edit_weights(item, self.keep_clear))
        return bending_costs(np.maximum(bending, beside) if self.use_selection else bending)


class RINGWRIGHT_OT_reduce_ring(Refusing, EditsMesh, StepDownOptions, bpy.types.Operator):
    """Bring the selected open ring to another edge count, fewer or more, in the quads beside it, without a triangle"""

    bl_idname = "ringwright.reduce_ring"
    bl_label = "Reduce Ring"
    bl_options = {"REGISTER", "UNDO"}

    count: IntProperty(name="Edges", description="Edges that the ring shall have; 0 takes those of the ring that it faces, or two fewer",
                       min=0, max=LARGEST_COUNT, default=0, options={"SKIP_SAVE"})
    ring: IntProperty(name="Ring", description="Open ring by its number in the list of rings; -1 for the selected one", min=-1, default=-1,
                      options={"SKIP_SAVE"})

    def run(self, context: bpy.types.Context) -> set[str]:
        item, mesh, selection, adjacency, rings = _under_edit(context)
        ring = _numbered(rings, self.ring) if self.ring >= 0 else _single(rings, chosen_rings(rings, selection.vertices))
        count = self.count or _wanted_count(mesh, rings, ring)
        before = int(rings.edge_counts[ring])
        if count == before:
            self.report({"WARNING"}, told("The ring has {count} edges already", count=before))
            return {"CANCELLED"}
        change = step_ring(mesh, adjacency, rings.ring(ring), count, rows=self.rows or None, hidden=SIDES[self.hidden],
                           bending_cost=self.bending(item, mesh, kept_clear(adjacency, rings, [ring], selection.vertices)),
                           pole_distance=self.pole_distance)
        write_edit(item, laid_on_target(context, mesh, change.edit, use=self.use_target))
        self.count = count
        figures = {"before": before, "after": len(change.ring), "rows": change.rows, "steps": len(change.three_poles)}
        self.report({"INFO"}, told("{before} to {after} edges; rows: {rows}, step-downs: {steps}", **figures) if count < before else
                    told("{before} to {after} edges; rows: {rows}, step-ups: {steps}", **figures))
        return {"FINISHED"}


def _under_edit(context: bpy.types.Context) -> tuple[bpy.types.Object, PolyMesh, Selection, Adjacency, Rings]:
    """The object under edit, its mesh in the world, what is selected, and its open rings."""
    item = context.edit_object
    mesh, selection = read_edit_mesh(item)
    adjacency = build_adjacency(mesh)
    return item, mesh, selection, adjacency, boundary_rings(mesh, adjacency)


def _numbered(rings: Rings, number: int) -> int:
    if number >= rings.count:
        raise MeshError(f"There is no ring {number}; the mesh has {rings.count} open rings, numbered from 0.")
    return number


def _single(rings: Rings, chosen: list[int]) -> int:
    if len(chosen) != 1:
        raise MeshError(f"The selection holds {len(chosen)} open rings of {rings.count}; select the vertices of exactly one.")
    return chosen[0]


def _wanted_count(mesh: PolyMesh, rings: Rings, ring: int) -> int:
    """The count of the ring that it faces where the two differ, else two fewer than now."""
    for pair in pair_rings(mesh, rings).pairs:
        if ring in (pair.fuller, pair.sparser) and pair.is_mismatch:
            return pair.counts[1] if ring == pair.fuller else pair.counts[0]
    fewer = int(rings.edge_counts[ring]) - 2
    if fewer < 3:
        raise MeshError(f"The ring of {fewer + 2} edges faces no other count and cannot lose two; give the edges that it shall have.")
    return fewer


class RINGWRIGHT_OT_splice_rings(Refusing, EditsMesh, StepDownOptions, bpy.types.Operator):
    """Join the selected open rings in pairs with rows of quads, or all that face each other where nothing is selected"""

    bl_idname = "ringwright.splice_rings"
    bl_label = "Splice Rings"
    bl_options = {"REGISTER", "UNDO"}

    pairs: StringProperty(name="Pairs", options={"SKIP_SAVE"},
                          description="Open rings by their numbers, two a pair, such as 0,1 2,3; empty for the selected ones")

    def run(self, context: bpy.types.Context) -> set[str]:
        item, mesh, selection, adjacency, rings = _under_edit(context)
        pairs, left = (_named_pairs(rings, self.pairs), []) if self.pairs.strip() else _chosen_pairs(mesh, rings, selection)
        beside = kept_clear(adjacency, rings, [index for pair in pairs for index in pair], selection.vertices)
        splice = splice_rings(mesh, adjacency, rings, pairs, rows=self.rows or None, hidden=SIDES[self.hidden],
                              vertex_cost=self.bending(item, mesh, beside), pole_distance=self.pole_distance)
        write_edit(item, laid_on_target(context, mesh, splice.edit, use=self.use_target))
        faces = sum(len(join.faces) for join in splice.joins)
        steps = sum(len(join.three_poles) for join in splice.joins)
        self.report({"INFO"}, told("Pairs of rings joined: {pairs}; quads: {faces}, step-downs: {steps}", pairs=len(pairs),
                                 faces=faces, steps=steps))
        for pair in left:
            self.report({"WARNING"}, pair.sentence())
        return {"FINISHED"}


def _named_pairs(rings: Rings, text: str) -> list[tuple[int, int]]:
    pairs = []
    for word in text.split():
        first, comma, second = word.partition(",")
        if not (comma and first.isdigit() and second.isdigit()):
            raise MeshError(f'"{word}" is no pair of rings; write two numbers with a comma between, such as 0,1.')
        pairs.append((_numbered(rings, int(first)), _numbered(rings, int(second))))
    return pairs


def _chosen_pairs(mesh: PolyMesh, rings: Rings, selection: Selection) -> tuple[list[tuple[int, int]], list[RingPair]]:
    """The rings to join, and those pairs of odd difference that stay open.

    Two selected rings as they are; of more, and of all where nothing is selected, those that face each other.
    """
    anything = bool(selection.vertices.any())
    chosen = chosen_rings(rings, selection.vertices) if anything else list(range(rings.count))
    if anything and len(chosen) == 2:
        return [(chosen[0], chosen[1])], []
    facing = [pair for pair in pair_rings(mesh, rings).pairs if {pair.fuller, pair.sparser} <= set(chosen)]
    if not facing:
        where = "selection" if anything else "mesh"
        raise MeshError(f"The {where} holds {len(chosen)} open rings and no two that face each other; select two rings.")
    joinable = [(pair.fuller, pair.sparser) for pair in facing if pair.step_downs is not None]
    if not joinable:
        raise MeshError(facing[0].sentence())
    return joinable, [pair for pair in facing if pair.step_downs is None]


CLASSES = (RINGWRIGHT_OT_reduce_ring, RINGWRIGHT_OT_splice_rings)
