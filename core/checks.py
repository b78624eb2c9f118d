"""Which checks an inspection made, so that nobody takes what was not looked at for sound."""

from __future__ import annotations

from .findings import CHECKS
from .inspection import Inspection
from .profiles import OFF


def checks_made(inspection: Inspection) -> tuple[str, ...]:
    """Names of the checks that could have found something, in the order of ``CHECKS``.

    A check is left out where the profile turns it off or gives it no limit, or where what it looks at was not given:
    a target, a limb plan, an object, edges, an unwrap, the flex test.
    """
    missing = _without_subject(inspection) | _without_limit(inspection)
    return tuple(name for name in CHECKS if name not in missing and inspection.profile.severities.get(name) != OFF)


def _without_subject(inspection: Inspection) -> set[str]:
    """Checks whose subject was not given."""
    expectation = inspection.expectation
    subjects = (
        (inspection.tally, ("pole_excess",)), (inspection.zones or None, ("poles_in_joint",)),
        (inspection.joint_spacings or None, ("joint_spacing",)), (expectation.components, ("components",)),
        (expectation.boundary_loops, ("boundary_loops",)), (inspection.symmetry, ("asymmetry",)),
        (inspection.deviation, ("faces_against_target", "vertices_off_target", "mean_deviation", "deviation_percentile_99")),
        (inspection.loose_edges, ("loose_edges",)), (inspection.flex, ("poor_bend", "pole_in_crease")),
        (inspection.objects or None, ("object_name", "mirrored_object", "uneven_scale", "unapplied_scale", "unapplied_rotation",
                                      "object_size")),
        (inspection.unwrap, ("uv_overlap", "uv_flipped", "uv_stretch", "texel_density", "uv_margin", "uv_outside")))
    return {name for subject, names in subjects if subject is None for name in names}


def _without_limit(inspection: Inspection) -> set[str]:
    """Checks that the profile sets no limit for."""
    limits = inspection.profile.limits
    bounds = {"open_ends": limits.most_open_ends, "vertices_off_target": limits.vertex_distance, "mean_deviation": limits.mean_deviation,
              "deviation_percentile_99": limits.deviation_percentile_99, "long_quads": limits.largest_aspect_ratio,
              "area_jumps": limits.largest_area_jump, "joint_spacing": limits.largest_joint_spacing,
              "uv_overlap": limits.largest_uv_overlap, "uv_stretch": limits.largest_uv_stretch,
              "texel_density": limits.largest_texel_density, "uv_margin": limits.smallest_uv_margin}
    without = {name for name, bound in bounds.items() if bound is None}
    if limits.smallest_extent is None and limits.largest_extent is None:
        without.add("object_size")
    if limits.most_faces is None and inspection.expectation.quads is None:
        without.add("budget")
    return without
