"""Findings about a mesh's unwrap: what lies double, turned over, stretched, uneven, crowded or outside."""

from __future__ import annotations

import numpy as np

from .findings import NO_ELEMENTS, Finding, Limits, Severity
from .polymesh import IntArray, PolyMesh
from .uv_quality import PIXELS, UnwrapFigures


def unwrap_findings(mesh: PolyMesh, unwrap: UnwrapFigures | None, limits: Limits) -> list[Finding]:
    """Judge an unwrap; nothing without one."""
    if unwrap is None:
        return []
    found = []
    overlap = 100.0 * unwrap.overlap
    if limits.largest_uv_overlap is not None and overlap > limits.largest_uv_overlap:
        reason = f"{overlap:.3g} % of the covered map is covered more than once, over {limits.largest_uv_overlap:g} %."
        found.append(_finding(mesh, "uv_overlap", "warning", unwrap.doubled, reason,
                              "Move the islands apart, or cut what folds over itself."))
    if len(unwrap.flipped):
        reason = f"Faces that are turned over or without area on the map: {len(unwrap.flipped)}."
        found.append(_finding(mesh, "uv_flipped", "warning", unwrap.flipped, reason, "Unwrap the place anew."))
    if limits.largest_uv_stretch is not None and unwrap.stretch > limits.largest_uv_stretch:
        reason = (f"The map's stretch is {unwrap.stretch:.3g}, over {limits.largest_uv_stretch:g}; its worst face has "
                  f"{unwrap.worst_stretch:.3g}.")
        found.append(_finding(mesh, "uv_stretch", "warning", np.array([unwrap.worst_face], dtype=np.int32), reason,
                              "Add seams where the surface cannot lie flat, and unwrap anew."))
    if limits.largest_texel_density is not None and unwrap.density_spread > limits.largest_texel_density:
        reason = (f"The islands' texel densities differ by {unwrap.density_spread:.3g} times, over "
                  f"{limits.largest_texel_density:g}.")
        found.append(_finding(mesh, "texel_density", "warning", NO_ELEMENTS, reason, "Even out the islands' scale."))
    if limits.smallest_uv_margin is not None and unwrap.margin < limits.smallest_uv_margin:
        reason = f"Islands come within {unwrap.margin} pixels of each other on a map of {PIXELS}, under {limits.smallest_uv_margin}."
        found.append(_finding(mesh, "uv_margin", "warning", NO_ELEMENTS, reason, "Pack the islands with a wider margin."))
    if unwrap.outside > 0.0:
        reason = f"{unwrap.outside:.1%} of the corners lie outside the unit square."
        found.append(_finding(mesh, "uv_outside", "note", NO_ELEMENTS, reason, "Pack the islands, unless the map goes over several tiles."))
    return found


def _finding(mesh: PolyMesh, name: str, severity: Severity, faces: IntArray, reason: str, mend: str) -> Finding:
    if not len(faces):
        return Finding(name, severity, "mesh", NO_ELEMENTS, None, reason, mend)
    return Finding(name, severity, "face", faces, mesh.positions[mesh.face(int(faces[0]))].mean(axis=0), reason, mend)
