"""What an inspection reports: one finding for every kind of fault, with place, severity, reason and mend."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .adjacency import Adjacency
from .counted import counted
from .defects import (
    duplicate_faces,
    duplicate_vertices,
    faces_against,
    flipped_faces,
    folded_edges,
    loose_vertices,
    non_manifold_edges,
    non_manifold_vertices,
    repeated_corners,
    zero_area_faces,
)
from .deviation import Deviation
from .evenness import AreaJumps, JointSpacing
from .poles import PoleCensus
from .polymesh import FloatArray, IntArray, PolyMesh
from .surface import Surface
from .symmetry import Symmetry

Severity = Literal["error", "warning", "note"]
Domain = Literal["vertex", "edge", "face", "mesh"]

SEVERITIES: tuple[Severity, ...] = ("error", "warning", "note")

CHECKS = (
    "triangles", "n_gons", "degenerate_faces", "duplicate_faces", "non_manifold_edges", "non_manifold_vertices", "loose_vertices",
    "loose_edges", "flipped_faces", "broken_positions", "duplicate_vertices", "zero_area_faces", "folds", "folded_quads", "poor_quads",
    "quad_shape", "long_quads", "self_intersections", "area_jumps", "unusual_valence", "poles_in_joint", "pole_excess", "joint_spacing",
    "components", "boundary_loops", "open_ends", "budget", "asymmetry", "faces_against_target", "vertices_off_target", "mean_deviation",
    "deviation_percentile_99", "poor_bend", "pole_in_crease", "object_name", "mirrored_object", "uneven_scale", "unapplied_scale",
    "unapplied_rotation", "object_size", "uv_overlap", "uv_flipped", "uv_stretch", "texel_density", "uv_margin", "uv_outside",
)
"""Names of all findings that there can be, in the order in which a list of checks shows them."""

NO_ELEMENTS = np.empty(0, dtype=np.int32)
"""Of findings about the whole mesh."""
_NO_EDGES = np.empty((0, 2), dtype=np.int32)


@dataclass(frozen=True)
class Finding:
    """One thing that the inspection reports.

    name : short and stable, words joined by underscores
    severity : an error makes the mesh unfit, a warning wants a look, a note is for the record
    domain : what ``elements`` counts
    elements : indices (k,) int32, the worst first where one is worst; vertex pairs (k, 2) for edges; empty for the whole mesh
    place : (3,) float64, where to look first; None where the finding has no place
    reason : one sentence: what was found
    mend : one sentence: what to do
    """

    name: str
    severity: Severity
    domain: Domain
    elements: IntArray
    place: FloatArray | None
    reason: str
    mend: str

    def __str__(self) -> str:
        where = "" if self.place is None else f" Look at {', '.join(f'{value:.6g}' for value in self.place)}."
        return f"{self.severity}: {self.reason} {self.mend}{where}"


@dataclass(frozen=True)
class Limits:
    """Where a figure turns into a finding; None: not judged.

    smallest_scaled_jacobian, first_percentile_scaled_jacobian : of the quads (0.2 and 0.5: a professional mesh of an
        arm keeps 0.23 and 0.53)
    fold_angle : degrees over an edge
    duplicate_distance, smallest_area : in target or mesh diagonals, and diagonals squared
    vertex_distance, mean_deviation, deviation_percentile_99 : of the cage from the target, per cent of the target's diagonal
    largest_aspect_ratio : of the quads
    largest_area_jump : of the larger of two neighbouring faces over the smaller
    largest_joint_spacing : longest over shortest row between the rings of a joint
    symmetry_distance : of a vertex from its mirror image, per cent of the mesh's diagonal
    most_open_ends, most_faces : number of open ends, of faces
    smallest_extent, largest_extent : longest side of an object's box, metres
    largest_uv_overlap : per cent of the covered map that is covered more than once
    largest_uv_stretch : L2 stretch of the whole map; 1 is the least there can be
    largest_texel_density : largest over smallest texel density of the islands
    smallest_uv_margin : pixels between two islands, on a map of 1024
    """

    smallest_scaled_jacobian: float = 0.2
    first_percentile_scaled_jacobian: float = 0.5
    fold_angle: float = 150.0
    duplicate_distance: float = 1e-6
    smallest_area: float = 1e-12
    vertex_distance: float | None = 0.01
    mean_deviation: float | None = None
    deviation_percentile_99: float | None = None
    largest_aspect_ratio: float | None = None
    largest_area_jump: float | None = None
    largest_joint_spacing: float | None = None
    symmetry_distance: float = 0.01
    most_open_ends: int | None = None
    most_faces: int | None = None
    smallest_extent: float | None = None
    largest_extent: float | None = None
    largest_uv_overlap: float | None = 0.1
    largest_uv_stretch: float | None = None
    largest_texel_density: float | None = None
    smallest_uv_margin: int | None = None


@dataclass(frozen=True)
class Expectation:
    """What the plan says the finished mesh must be; None: not judged.

    components : number of pieces
    boundary_loops : number of open ends
    quads : budget of faces
    symmetry : x, y or z, the axis that the mirror plane is square to
    """

    components: int | None = None
    boundary_loops: int | None = None
    quads: int | None = None
    symmetry: str | None = None


def topology_findings(mesh: PolyMesh, adjacency: Adjacency, loose_edges: IntArray | None = None) -> list[Finding]:
    """Findings about which vertices, edges and faces there are and how they hang together.

    loose_edges : (k, 2) int32, vertices of the edges without a face, where they are known
    """
    sizes = mesh.face_sizes
    found = [
        _of_faces(mesh, "triangles", "error", np.flatnonzero(sizes == 3), "triangles", "Dissolve them in pairs or patch the place anew."),
        _of_faces(mesh, "n_gons", "error", np.flatnonzero(sizes > 4), "faces with more than four corners",
                  "Cut them into quads or patch the place anew."),
        _of_faces(mesh, "degenerate_faces", "error", repeated_corners(mesh), "faces with a vertex twice or with under three corners",
                  "Delete them and merge what stays open."),
        _of_faces(mesh, "duplicate_faces", "error", duplicate_faces(mesh), "faces over the same vertices as another",
                  "Delete the doubles."),
        _of_edges(mesh, "non_manifold_edges", "error", non_manifold_edges(adjacency), "edges with more than two faces",
                  "Delete the inner or doubled faces there."),
        _of_vertices(mesh, "non_manifold_vertices", "error", non_manifold_vertices(mesh, adjacency),
                     "vertices at which parts touch by nothing else", "Split the vertex or join the parts along an edge."),
        _of_vertices(mesh, "loose_vertices", "warning", loose_vertices(adjacency), "vertices without a face", "Delete them."),
        _of_edges(mesh, "loose_edges", "warning", _NO_EDGES if loose_edges is None else loose_edges, "edges without a face",
                  "Delete them, or give them a face."),
        _of_faces(mesh, "flipped_faces", "error", flipped_faces(mesh, adjacency), "faces turned against their neighbours",
                  "Recalculate the normals to look outside."),
    ]
    return [finding for finding in found if finding is not None]


def shape_findings(mesh: PolyMesh, adjacency: Adjacency, area_vectors: FloatArray, metrics: Mapping[str, FloatArray], diagonal: float,
                   limits: Limits) -> list[Finding]:
    """Findings about where vertices lie and how faces are shaped.

    area_vectors : (F, 3) float64
    metrics : quad metrics by name, each (number of quads,) float64, in the order of the quads
    """
    twins = duplicate_vertices(mesh.positions, limits.duplicate_distance * diagonal)
    flat = zero_area_faces(area_vectors, limits.smallest_area * diagonal**2)
    broken = np.flatnonzero(~np.isfinite(mesh.positions).all(axis=1))
    found = [
        _of_vertices(mesh, "broken_positions", "error", broken, "vertices whose position is not a number",
                     "Delete them or put them in place."),
        _of_vertices(mesh, "duplicate_vertices", "error", twins[:, 1], "vertices in the same place as another", "Merge by distance."),
        _of_faces(mesh, "zero_area_faces", "error", flat, "faces without area", "Collapse them or move their corners apart."),
        _of_edges(mesh, "folds", "warning", folded_edges(adjacency, area_vectors, limits.fold_angle),
                  f"edges over which the surface turns by more than {limits.fold_angle:g} degrees", "Relax or settle the place."),
        *_jacobian_findings(mesh, flat, metrics["scaled_jacobian"], limits),
    ]
    return [finding for finding in found if finding is not None]


def pole_findings(mesh: PolyMesh, census: PoleCensus, in_zones: Mapping[str, IntArray]) -> list[Finding]:
    """Findings about poles: unusual valences, poles over the bound, poles in joint zones."""
    inner = ~census.on_boundary
    unusual = census.vertices[inner & (census.valences != 3) & (census.valences != 5)]
    found = [_of_vertices(mesh, "unusual_valence", "warning", unusual, "inner poles other than 3-poles and 5-poles",
                          "Split them into 5-poles or dissolve them.")]
    for zone, poles in in_zones.items():
        found.append(_of_vertices(mesh, "poles_in_joint", "warning", poles, f"poles among the rings of {zone}, where the limb bends",
                                  "Move them between two joints."))
    if census.bound_from_plan and census.excess:
        over = f"{abs(census.excess)} {'more' if census.excess > 0 else 'fewer'} than the plan's bound of {census.bound}"
        poles = np.concatenate([census.vertices[inner], census.vertices[~inner]])
        found.append(Finding("pole_excess", "warning" if census.excess > 0 else "note", "vertex", poles, _place(mesh, poles),
                             f"Poles weigh {census.weight}, {over}.",
                             "Cancel pairs of a 3-pole and a 5-pole." if census.excess > 0 else
                             "Check that the plan's tips, branches and step-downs are those of this mesh."))
    return [finding for finding in found if finding is not None]


def expectation_findings(mesh: PolyMesh, pieces: Sequence[IntArray], loops: Sequence[IntArray], expectation: Expectation,
                         limits: Limits) -> list[Finding]:
    """Findings where the mesh has other pieces, open ends or more faces than the plan or the profile says.

    pieces : vertices of every piece, the smallest piece first
    loops : vertices of every open end, the shortest first
    """
    found = []
    if limits.most_open_ends is not None and len(loops) > limits.most_open_ends:
        over = loops[: len(loops) - limits.most_open_ends]
        found.append(_too_many(mesh, "open_ends", over, f"The mesh has {counted(len(loops), 'open end')}, over {limits.most_open_ends}.",
                               "Patch the holes."))
    if expectation.components is not None and len(pieces) != expectation.components:
        found.append(_too_many(mesh, "components", pieces[: max(len(pieces) - expectation.components, 0)],
                               f"The mesh has {counted(len(pieces), 'piece')} instead of {expectation.components}.",
                               "Join or delete the pieces that do not belong."))
    if expectation.boundary_loops is not None and len(loops) != expectation.boundary_loops:
        found.append(_too_many(mesh, "boundary_loops", loops[: max(len(loops) - expectation.boundary_loops, 0)],
                               f"The mesh has {counted(len(loops), 'open end')} instead of {expectation.boundary_loops}.",
                               "Patch the holes, or open the ends that the plan leaves open."))
    budgets = [most for most in (expectation.quads, limits.most_faces) if most is not None]
    if budgets and mesh.face_count > min(budgets):
        found.append(_too_many(mesh, "budget", (), f"The mesh has {mesh.face_count} faces, {mesh.face_count - min(budgets)} over the "
                               f"budget of {min(budgets)}.", "Take fewer sides or spans."))
    return found


def evenness_findings(mesh: PolyMesh, jumps: AreaJumps, spacings: Mapping[str, JointSpacing], aspect_ratio: FloatArray,
                      limits: Limits) -> list[Finding]:
    """Findings about how evenly the mesh is divided.

    aspect_ratio : (number of quads,) float64
    """
    found: list[Finding | None] = []
    if limits.largest_aspect_ratio is not None:
        quads, order = mesh.faces_of_size(4)[0], np.argsort(-aspect_ratio, kind="stable")
        long = quads[order[aspect_ratio[order] > limits.largest_aspect_ratio]]
        found.append(_of_faces(mesh, "long_quads", "warning", long.astype(np.int32),
                               f"quads with an aspect ratio over {limits.largest_aspect_ratio:g}", "Add or take away rings there."))
    if limits.largest_area_jump is not None:
        order = np.argsort(-jumps.ratios, kind="stable")
        edges = jumps.edges[order[jumps.ratios[order] > limits.largest_area_jump]]
        found.append(_of_edges(mesh, "area_jumps", "warning", edges,
                               f"edges with a face on one side over {limits.largest_area_jump:g} times as large as on the other",
                               "Even out the rings, or settle the place."))
    if limits.largest_joint_spacing is not None:
        for joint, spacing in spacings.items():
            if spacing.ratio > limits.largest_joint_spacing:
                reason = f"The rows at {joint} differ by {spacing.ratio:.2f} times in length, over {limits.largest_joint_spacing:g}."
                found.append(Finding("joint_spacing", "warning", "mesh", NO_ELEMENTS, spacing.place, reason,
                                     "Space the rings there evenly."))
    return [finding for finding in found if finding is not None]


def crossing_findings(mesh: PolyMesh, pairs: IntArray) -> list[Finding]:
    """Findings about faces that pass through each other.

    pairs : (k, 2) int32
    """
    found = _of_faces(mesh, "self_intersections", "warning", np.unique(pairs).astype(np.int32), "faces that pass through another",
                      "Move the parts away from each other, or settle the place.")
    return [] if found is None else [found]


def symmetry_findings(mesh: PolyMesh, symmetry: Symmetry | None, expected: str | None) -> list[Finding]:
    """Findings about vertices without a mirror image, where the mesh is meant to be symmetric."""
    if symmetry is None or not len(symmetry.lone):
        return []
    what = f"vertices without a mirror image across {symmetry.plane} = 0"
    found = _of_vertices(mesh, "asymmetry", "warning" if expected else "note", symmetry.lone, what, "Mirror one side onto the other.")
    return [] if found is None else [found]


def fit_findings(mesh: PolyMesh, area_vectors: FloatArray, surface: Surface, deviation: Deviation | None, limits: Limits,
                 resting: FloatArray | None = None) -> list[Finding]:
    """Findings about how the mesh lies on the target.

    resting : (V, 3) float64, where the vertices' own points are that must lie on the target; None: at the vertices
    """
    resting = mesh.positions if resting is None else resting
    found = [_of_faces(mesh, "faces_against_target", "error", faces_against(mesh, area_vectors, surface),
                       "faces whose normal looks against the target's", "Settle the place anew, or flip the faces.")]
    bound = np.inf if limits.vertex_distance is None else limits.vertex_distance / 100.0 * surface.diagonal
    if bound < np.inf and (deviation is None or deviation.vertex_maximum > bound):
        used = np.unique(mesh.corner_verts)
        distances = surface.closest(resting[used]).distances
        far = np.flatnonzero(distances > bound)
        far = far[np.argsort(-distances[far], kind="stable")]
        what = f"vertices farther from the target than {limits.vertex_distance:g} % of its diagonal"
        found.append(_of_vertices(mesh, "vertices_off_target", "warning", used[far], what, "Settle the mesh."))
    if deviation is not None:
        found += _deviation_findings(deviation, limits)
    return [finding for finding in found if finding is not None]


def _deviation_findings(deviation: Deviation, limits: Limits) -> list[Finding | None]:
    side = deviation.cage_to_target
    found: list[Finding | None] = []
    judged = (("mean_deviation", "mean", side.mean, limits.mean_deviation),
              ("deviation_percentile_99", "99th percentile of the", side.percentile_99, limits.deviation_percentile_99))
    for name, word, value, limit in judged:
        if limit is not None and deviation.percent(value) > limit:
            reason = f"The {word} deviation from the target is {deviation.percent(value):.3g} % of its diagonal, over {limit:g} %."
            found.append(Finding(name, "warning", "mesh", NO_ELEMENTS, side.place, reason,
                                 "Add rings where the surface bends, and settle."))
    return found


def _jacobian_findings(mesh: PolyMesh, flat: IntArray, scaled_jacobian: FloatArray, limits: Limits) -> list[Finding | None]:
    quads = mesh.faces_of_size(4)[0]
    order = np.argsort(scaled_jacobian, kind="stable")
    order = order[~np.isin(quads[order], flat)]
    values, faces = scaled_jacobian[order], quads[order]
    poor = faces[(values > 0.0) & (values < limits.smallest_scaled_jacobian)]
    found = [_of_faces(mesh, "folded_quads", "error", faces[values <= 0.0], "quads not convex or folded over",
                       "Relax the place or move their corners."),
             _of_faces(mesh, "poor_quads", "warning", poor,
                       f"quads with a scaled Jacobian under {limits.smallest_scaled_jacobian:g}", "Relax the place.")]
    percentile = float(np.percentile(scaled_jacobian, 1.0)) if len(scaled_jacobian) else 1.0
    if percentile < limits.first_percentile_scaled_jacobian:
        reason = (f"The first percentile of the scaled Jacobian is {percentile:.3f}, "
                  f"under {limits.first_percentile_scaled_jacobian:g}.")
        found.append(Finding("quad_shape", "warning", "mesh", NO_ELEMENTS, _place_of_faces(mesh, faces), reason, "Relax the worst places."))
    return found


def _sentence(what: str, count: int) -> str:
    return f"{what[:1].upper()}{what[1:]}: {count}."


def _place(mesh: PolyMesh, vertices: IntArray) -> FloatArray | None:
    return mesh.positions[vertices[0]] if len(vertices) else None


def _place_of_faces(mesh: PolyMesh, faces: IntArray) -> FloatArray | None:
    if not len(faces) or not len(mesh.face(int(faces[0]))):
        return None
    return np.asarray(mesh.positions[mesh.face(int(faces[0]))].mean(axis=0), dtype=np.float64)


def _of_faces(mesh: PolyMesh, name: str, severity: Severity, faces: IntArray, what: str, mend: str) -> Finding | None:
    if not len(faces):
        return None
    return Finding(name, severity, "face", faces.astype(np.int32), _place_of_faces(mesh, faces), _sentence(what, len(faces)), mend)


def _of_vertices(mesh: PolyMesh, name: str, severity: Severity, vertices: IntArray, what: str, mend: str) -> Finding | None:
    if not len(vertices):
        return None
    return Finding(name, severity, "vertex", vertices.astype(np.int32), _place(mesh, vertices), _sentence(what, len(vertices)), mend)


def _of_edges(mesh: PolyMesh, name: str, severity: Severity, edges: IntArray, what: str, mend: str) -> Finding | None:
    if not len(edges):
        return None
    return Finding(name, severity, "edge", edges, mesh.positions[edges[0]].mean(axis=0), _sentence(what, len(edges)), mend)


def _too_many(mesh: PolyMesh, name: str, groups: Sequence[IntArray], reason: str, mend: str) -> Finding:
    """An error about the whole mesh, or about the vertices of what is too much."""
    if not groups:
        return Finding(name, "error", "mesh", NO_ELEMENTS, None, reason, mend)
    vertices = np.concatenate(groups).astype(np.int32)
    return Finding(name, "error", "vertex", vertices, _place(mesh, vertices), reason, mend)
