"""Make an assembled cage with limbs on both sides of a plane symmetric: one half is mirrored before the cage settles."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .assemble import Assembly
from .mirror import AXES
from .mirror_cut import mirror_by_cut
from .mirror_halves import symmetrised
from .mirror_plane import world_plane
from .plan import LimbPlan
from .polymesh import IntArray, PolyMesh
from .surface import Surface
from .two_sided import image_numbers, limb_images

CARRIED = ("held", "freedom", "barred", "webs")
"""What an assembly says of its vertices, carried through the cut as attributes of the mesh."""
RETURNS = 2
"""Rounds of taking means and going back to the target."""
RETURN_REACH = 1e-3
"""Vertices farther off the target than this share of its diagonal stand off it by intent, as those of webs do."""


@dataclass(frozen=True)
class EvenAssembly:
    """An assembly whose halves are built alike.

    partner : (V,) int32, every vertex's image; itself on the plane
    plane : "x", "y" or "z", the axis that the plane through the origin is square to
    """

    assembly: Assembly
    partner: IntArray
    plane: str

    def evened(self, mesh: PolyMesh, surface: Surface) -> PolyMesh:
        """The mesh with every vertex at the mean of its own place and its partner's image, so that images are exact.

        surface : where a vertex left it for the mean of two places, it goes back to it before the last mean is taken
        """
        plane = world_plane(self.plane)
        for _ in range(RETURNS):
            mesh = symmetrised(mesh, plane, self.partner)
            nearest = surface.closest(mesh.positions)
            back = (nearest.distances <= RETURN_REACH * surface.diagonal) & ~self.assembly.held
            mesh = mesh.with_positions(np.where(back[:, None], nearest.positions, mesh.positions))
        return symmetrised(mesh, plane, self.partner)


def even_assembly(assembly: Assembly, plan: LimbPlan, plane: str, *, positive: bool = True) -> EvenAssembly:
    """The assembly with one half replaced by the other's image.

    assembly : of a plan whose trunk lies on the plane, with the limbs of both sides
    plane : "x", "y" or "z"
    positive : whether the half on the positive side is kept
    Raises MeshError where no strip of quads runs along the plane: give all limbs on it the same sides.
    """
    carried = {f"vertex.{name}": getattr(assembly, name) for name in CARRIED}
    mesh = assembly.mesh
    laden = mesh.with_attributes(**carried)
    images = image_numbers([limb.name for limb in plan.limbs], limb_images(plan, plane))
    found = mirror_by_cut(laden, plane, positive=positive, limb_images=images)
    held, freedom, barred, webs = (found.mesh.attributes[f"vertex.{name}"] for name in CARRIED)
    away = found.partner < np.arange(found.mesh.vertex_count)  # images follow the half that is kept
    turned = np.where(away[:, None] & (np.arange(3) == AXES[plane]), -barred.astype(np.float64), barred.astype(np.float64))
    rest = {name: values for name, values in found.mesh.attributes.items() if name not in carried}
    even = PolyMesh(found.mesh.positions, found.mesh.corner_verts, found.mesh.face_offsets, rest)
    own = replace(assembly, mesh=even, held=held.astype(np.bool_), freedom=freedom.astype(np.float64), barred=turned,
                  webs=webs.astype(np.bool_))
    return EvenAssembly(own, found.partner, plane)
