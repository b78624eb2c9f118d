"""Symmetry of the cage: match its halves by topology and make them mirror images."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

import bpy
import numpy as np
from bpy.props import EnumProperty

from ...core.errors import MeshError
from ...core.mirror_cut import image_limbs, mirror_half_across
from ...core.mirror_halves import asymmetry, evened, mirror_match
from ...core.mirror_plane import MirrorPlane, check_mirror_plane, find_mirror_plane, towards_an_axis, world_plane
from ..cage_object import place_cage, read_cage, transformed
from ..host_surface import HostSurface, read_evaluated
from ..mesh_bridge import write_positions
from ..phrases import told
from ..plan_storage import load_plan, target_of
from ..planned_cage import changeable_cage
from .asking import NO_TARGET, OnCage, Refusing, first_names

PLANE_ITEMS = (
    ("X", "X", "Across the plane X = 0 of the world"), ("Y", "Y", "Across the plane Y = 0 of the world"),
    ("Z", "Z", "Across the plane Z = 0 of the world"), ("TARGET", "Target's Own", "Across the plane that mirrors the target best"))
SIDE_ITEMS = (
    ("BOTH", "Both", "Every vertex goes to the mean of its place and its partner's image"),
    ("POSITIVE", "Positive", "The positive side stays and the other follows it"),
    ("NEGATIVE", "Negative", "The negative side stays and the other follows it"))


class RINGWRIGHT_OT_make_symmetric(Refusing, OnCage, bpy.types.Operator):
    """Make the cage's halves mirror images; partners are found by topology, however far a side was moved"""

    bl_idname = "ringwright.make_symmetric"
    bl_label = "Make Symmetric"
    bl_options = {"REGISTER", "UNDO"}

    plane: EnumProperty(name="Mirror Plane", items=PLANE_ITEMS, description="Across which plane")
    keep: EnumProperty(name="Keep", items=SIDE_ITEMS, description="Which side tells where vertices lie")

    def run(self, context: bpy.types.Context) -> set[str]:
        cage = changeable_cage(context.scene)
        mesh, plane = read_cage(cage), chosen_plane(context, self.plane)
        partner = mirror_match(mesh, plane)
        worst = float(asymmetry(mesh, plane, partner).max())
        even = evened(mesh, plane, partner, self.keep.lower())
        inverse = np.linalg.inv(np.array(cage.matrix_world, dtype=np.float64))
        write_positions(cage.data, transformed(even.positions, inverse))
        cage.data.update()
        self.report({"INFO"}, told("{count} vertices matched; the farthest was {worst} off its partner's image",
                                      count=mesh.vertex_count, worst=f"{worst:.3g}"))
        return {"FINISHED"}


def chosen_plane(context: bpy.types.Context, name: str) -> MirrorPlane:
    """The plane of that name.

    Raises MeshError where it is to be the target's own and there is no target, or one that is like its image across no plane.
    """
    if name != "TARGET":
        return world_plane(name.lower())
    target = target_of(context.scene)
    if target is None:
        raise MeshError(f"{NO_TARGET}.")
    dense = read_evaluated(target, context.evaluated_depsgraph_get())
    with HostSurface(dense) as surface:
        fit = find_mirror_plane(surface, dense.positions)
    check_mirror_plane(fit)
    return towards_an_axis(fit.plane)


class RINGWRIGHT_OT_mirror_half(Refusing, OnCage, bpy.types.Operator):
    """Keep one half of the cage, cut in the middle of the strip of quads along the plane, and mirror it to the other side"""

    bl_idname = "ringwright.mirror_half"
    bl_label = "Mirror Half"
    bl_options = {"REGISTER", "UNDO"}

    plane: EnumProperty(name="Mirror Plane", items=PLANE_ITEMS, description="Across which plane")
    keep: EnumProperty(name="Keep", items=SIDE_ITEMS[1:], description="Which half is kept")

    def run(self, context: bpy.types.Context) -> set[str]:
        cage = changeable_cage(context.scene)
        mesh, lost = read_cage(cage), [*cage.data.uv_layers.keys(), *cage.vertex_groups.keys()]
        images = image_limbs([limb.name for limb in load_plan(context.scene).limbs])
        found = mirror_half_across(mesh, chosen_plane(context, self.plane), positive=self.keep == "POSITIVE", limb_images=images)
        place_cage(context.scene, found.mesh)
        if lost:
            self.report({"WARNING"}, told("Maps and vertex groups stayed behind ({names}); unwrap and rig the cage anew",
                                          names=first_names(lost)))
        self.report({"INFO"}, told("{before} faces became {after}, both halves alike", before=mesh.face_count, after=found.mesh.face_count))
        return {"FINISHED"}


CLASSES = (RINGWRIGHT_OT_make_symmetric, RINGWRIGHT_OT_mirror_half)
