"""Which limbs the vertices of a cage may belong to, also after an artist has edited it.

The build notes a limb's number on every vertex and on every face. Editors blend numbers of vertices where they cut edges, which
makes a third limb out of two, and give 0, the first limb's number, to what is joined to a mesh; faces are only copied. So where
both disagree the faces are believed, and a piece that only claims to be the first limb belongs to no limb at all.
"""

from __future__ import annotations

import numpy as np

from .adjacency import build_adjacency, components
from .errors import MeshError
from .plan import Limb, LimbPlan
from .polymesh import FACE_LIMB, VERTEX_LIMB, BoolArray, IntArray, PolyMesh
from .skeleton import Skeleton


def possible_limbs(mesh: PolyMesh, skeleton: Skeleton) -> BoolArray:
    """Which limbs every vertex may belong to, (V, limbs of the plan) bool: all of them where the mesh does not tell.

    Raises MeshError where vertices belong to limbs that the skeleton does not have.
    """
    count = 1 + max(bone.number for bone in skeleton.bones)
    limbs = mesh.attributes.get(VERTEX_LIMB)
    if limbs is None:
        return np.ones((mesh.vertex_count, count), dtype=np.bool_)
    table = np.asarray(limbs.astype(np.int32)[:, None] == np.arange(count))
    of_faces = mesh.attributes.get(FACE_LIMB)
    if of_faces is not None:
        told = _limbs_of_faces(mesh, of_faces.astype(np.int32), count)
        blended = told.any(axis=1) & ~(table & told).any(axis=1)
        table[blended] = told[blended]
    table[added_vertices(mesh, skeleton)] = True
    homeless = int(np.count_nonzero(~table.any(axis=1)))
    if homeless:
        raise MeshError(f"{homeless} vertices of the mesh belong to limbs that the plan does not have; build the cage from this plan, "
                        "or take the attribute limb off the mesh.")
    return table


def _limbs_of_faces(mesh: PolyMesh, of_faces: IntArray, limb_count: int) -> BoolArray:
    """The limbs of the faces round every vertex, (V, limb_count) bool."""
    told = np.zeros((mesh.vertex_count, limb_count), dtype=np.bool_)
    of_corners = np.repeat(of_faces, mesh.face_sizes)
    known = (of_corners >= 0) & (of_corners < limb_count)
    told[mesh.corner_verts[known], of_corners[known]] = True
    return told


def added_vertices(mesh: PolyMesh, skeleton: Skeleton) -> BoolArray:
    """Vertices of pieces that the build did not make, (V,) bool: all of a piece's vertices bear the first limb's number, and larger
    pieces hold that limb already, one for every side on which it stands."""
    added = np.zeros(mesh.vertex_count, dtype=np.bool_)
    limbs = mesh.attributes.get(VERTEX_LIMB)
    if limbs is None or not mesh.vertex_count:
        return added
    first = limbs.astype(np.int32) == 0
    pieces = components(mesh.vertex_count, build_adjacency(mesh).edge_verts)
    holding = np.unique(pieces[first])
    holding = holding[np.argsort(-np.bincount(pieces)[holding], kind="stable")]
    sides = len({bone.side for bone in skeleton.bones if bone.number == 0})
    return np.asarray(np.isin(pieces, np.setdiff1d(holding[sides:], pieces[~first])))


def renumbered(mesh: PolyMesh, built: LimbPlan, plan: LimbPlan) -> PolyMesh:
    """A cage that was built from one plan with its limbs numbered as another plan has them.

    A limb is the same where its joints are, or else its name.
    Raises MeshError where the cage has faces of a limb that the other plan does not have.
    """
    numbers = np.array([_number_in(plan, limb) for limb in built.limbs], dtype=np.int32)
    anew = {name: _looked_up(mesh.attributes[name].astype(np.int32), numbers, built)
            for name in (VERTEX_LIMB, FACE_LIMB) if name in mesh.attributes}
    return mesh.with_attributes(**anew)


def _number_in(plan: LimbPlan, limb: Limb) -> int:
    """Number of a limb in a plan, -1 where it has none."""
    places = [number for number, each in enumerate(plan.limbs) if np.array_equal(each.joints, limb.joints)]
    names = [number for number, each in enumerate(plan.limbs) if each.name == limb.name]
    return (places or names or [-1])[0]


def _looked_up(old: IntArray, numbers: IntArray, built: LimbPlan) -> IntArray:
    known = (old >= 0) & (old < len(numbers))
    new = old.copy()
    new[known] = numbers[old[known]]
    gone = np.unique(old[known & (new < 0)])
    if len(gone):
        raise MeshError(f'The cage was built with the limb "{built.limbs[int(gone[0])].name}", which the plan no longer has; build the '
                        "cage anew, or bring the limb back.")
    return new
