"""Make an assembled cage with limbs on both sides of a plane symmetric: one half is mirrored before the cage settles."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .assemble import Assembly
from .mirror import AXES
from .mirror_cut import mirror_by_cut
from .mirror_halves import MirrorPlane, symmetrised
from .plan import LimbPlan
from .polymesh import IntArray, PolyMesh
from .two_sided import image_numbers, limb_images

CARRIED = ("held", "freedom", "barred")
"""What an assembly says of its vertices, carried through the cut as attributes of the mesh."""


@dataclass(frozen=True)
class EvenAssembly:
    """An assembly whose halves are built alike.

    partner : (V,) int32, every vertex's image; itself on the plane
    plane : "x", "y" or "z", the axis that the plane through the origin is square to
    """

    assembly: Assembly
    partner: IntArray
    plane: str

    def evened(self, mesh: PolyMesh) -> PolyMesh:
        """The mesh with every vertex at the mean of its own place and its partner's image, so that images are exact."""
        return symmetrised(mesh, MirrorPlane(np.zeros(3), np.eye(3)[AXES[self.plane]], 0.0), self.partner)


def even_assembly(assembly: Assembly, plan: LimbPlan, plane: str, *, positive: bool = True) -> EvenAssembly:
    """The assembly with one half replaced by the other's image.

    assembly : of a plan whose trunk lies on the plane, with the limbs of both sides
    plane : "x", "y" or "z"
    positive : whether the half on the positive side is kept
    Raises MeshError where no strip of quads runs along the plane: give all limbs on it the same sides.
    """
    carried = {f"vertex.{name}": getattr(assembly, name) for name in CARRIED}
    mesh = assembly.mesh
    laden = PolyMesh(mesh.positions, mesh.corner_verts, mesh.face_offsets, {**mesh.attributes, **carried})
    images = image_numbers([limb.name for limb in plan.limbs], limb_images(plan, plane))
    found = mirror_by_cut(laden, plane, positive=positive, limb_images=images)
    own = {name: found.mesh.attributes[f"vertex.{name}"] for name in CARRIED}
    away = found.partner < np.arange(found.mesh.vertex_count)  # images follow the half that is kept
    own["barred"] = np.where(away[:, None] & (np.arange(3) == AXES[plane]), -own["barred"], own["barred"])
    rest = {name: values for name, values in found.mesh.attributes.items() if name not in carried}
    even = PolyMesh(found.mesh.positions, found.mesh.corner_verts, found.mesh.face_offsets, rest)
    return EvenAssembly(replace(assembly, mesh=even, **own), found.partner, plane)
