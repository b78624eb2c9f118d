"""An inspection as plain text for a terminal and as data for JSON."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from .checks import checks_made
from .counted import counted
from .deviation import OneWayDeviation
from .findings import Finding
from .inspection import Inspection
from .quality import METRICS
from .uv_quality import PIXELS, UnwrapFigures

if TYPE_CHECKING:
    from .flex import Flex

SCHEMA = "ringwright-inspection"
SCHEMA_VERSION = 1
"""Raised when a key changes its meaning or goes; new keys alone do not raise it."""

ELEMENT_LIMIT = 1000
"""Elements of one finding that the JSON names; ``count`` has their number."""


def verdict(inspection: Inspection) -> str:
    """The outcome in one line."""
    errors, warnings = inspection.count("error"), inspection.count("warning")
    if errors:
        return f"Not fit for use: {counted(errors, 'error')}, {counted(warnings, 'warning')}."
    if warnings:
        return f"Sound, with {counted(warnings, 'warning')}."
    return "Sound: no error, no warning."


def format_text(inspection: Inspection) -> str:
    """The inspection as lines of plain text."""
    counts, poles = inspection.counts, inspection.poles
    loops = ", ".join(map(str, counts.boundary_loops)) or "none"
    lines = [verdict(inspection),
             f"faces {counts.faces} ({describe_sizes(inspection)}), vertices {counts.vertices}, edges {counts.edges}, "
             f"pieces {counts.components}",
             f"open ends {len(counts.boundary_loops)}, ring counts {loops}",
             f"poles {describe_poles(inspection)}; weight {poles.weight}, bound {poles.bound} {bound_source(inspection)}, "
             f"excess {poles.excess}",
             f"step-downs {len(inspection.step_downs)}"]
    if inspection.zones:
        inside = {name: len(found) for name, found in inspection.poles_in_zones.items()}
        lines.append("poles among joint rings " + (", ".join(f"{name} {number}" for name, number in inside.items()) or "none"))
    if "scaled_jacobian" in inspection.quality:
        jacobian, aspect = inspection.quality["scaled_jacobian"], inspection.quality["aspect_ratio"]
        lines.append(f"scaled Jacobian minimum {jacobian.minimum:.3f}, 1st percentile {jacobian.percentile_1:.3f}, "
                     f"median {jacobian.median:.3f}; aspect ratio median {aspect.median:.2f}, maximum {aspect.maximum:.2f}")
    if inspection.joint_spacings:
        worst = max(inspection.joint_spacings, key=lambda joint: inspection.joint_spacings[joint].ratio)
        lines.append(f"rows at joints longest over shortest at most {inspection.joint_spacings[worst].ratio:.2f} ({worst})")
    if inspection.area_jumps is not None:
        jumps = inspection.area_jumps
        lines.append(f"neighbouring faces' areas median {jumps.median:.2f} to 1, 99th percentile {jumps.percentile_99:.2f}, "
                     f"maximum {jumps.maximum:.2f}")
    if inspection.symmetry is not None:
        symmetry = inspection.symmetry
        lines.append(f"symmetry across {symmetry.plane} = 0: {symmetry.share:.1%} of the vertices have their mirror image")
    if inspection.unwrap is not None:
        lines.append(f"unwrap {describe_unwrap(inspection.unwrap)}")
    lines += _deviation_lines(inspection)
    lines += _flex_lines(inspection.flex) if inspection.flex else []
    lines += [str(finding) for finding in inspection.findings]
    return "\n".join(lines)


def to_json(inspection: Inspection) -> dict[str, Any]:
    """The inspection as a dictionary that ``json`` can write; docs/inspection.schema.json describes its keys and units."""
    counts, poles, deviation = inspection.counts, inspection.poles, inspection.deviation
    return {
        "schema": SCHEMA, "version": SCHEMA_VERSION, "verdict": verdict(inspection), "passed": inspection.passed,
        "findings": [_finding_data(finding) for finding in inspection.findings],
        "counts": {"vertices": counts.vertices, "edges": counts.edges, "faces": counts.faces, "components": counts.components,
                   "face_sizes": {str(size): number for size, number in counts.face_sizes.items()},
                   "quad_share": inspection.quad_share, "boundary_loops": list(counts.boundary_loops)},
        "poles": {"inner": {str(key): value for key, value in poles.inner_by_valence().items()},
                  "boundary": {str(key): value for key, value in poles.boundary_by_valence().items()},
                  "weight": poles.weight, "bound": poles.bound, "bound_from_plan": poles.bound_from_plan, "excess": poles.excess,
                  "balance": poles.balance, "euler_number": poles.euler_number,
                  "in_joints": {name: poles_.tolist() for name, poles_ in inspection.poles_in_zones.items()},
                  "joints_checked": list(inspection.zones)},
        "plan": asdict(inspection.tally) if inspection.tally else None,
        "expectation": asdict(inspection.expectation),
        "step_downs": [{"face": place.face, "three_pole": place.three_pole, "five_pole": place.five_pole,
                        "position": [_finite(value) for value in place.position.tolist()]} for place in inspection.step_downs],
        "quality": {name: {key: _finite(value) for key, value in asdict(spread).items()} for name, spread in inspection.quality.items()},
        "quality_ranges": {name: [_finite(METRICS[name].lowest), _finite(METRICS[name].highest)] for name in inspection.quality},
        "quality_outside": dict(inspection.outside),
        "diagonal": _finite(inspection.diagonal),
        "evenness": {"area_jumps": None if inspection.area_jumps is None else
                     {key: _finite(value) for key, value in asdict(inspection.area_jumps).items()},
                     "joint_rows": {joint: {"rows": spacing.rows, "ratio": spacing.ratio} for joint, spacing in
                                    inspection.joint_spacings.items()}},
        "symmetry": None if inspection.symmetry is None else {"plane": inspection.symmetry.plane, "share": inspection.symmetry.share,
                                                              "lone": len(inspection.symmetry.lone)},
        "deviation": None if deviation is None else {
            "cage_to_target": _side_data(deviation.cage_to_target), "target_to_cage": _side_data(deviation.target_to_cage),
            "diagonal": deviation.diagonal, "vertex_maximum": deviation.vertex_maximum, "covered": deviation.covered},
        "flex": None if inspection.flex is None else _flex_data(inspection.flex),
        "unwrap": None if inspection.unwrap is None else _unwrap_data(inspection.unwrap),
        "checks": list(checks_made(inspection)),
        "profile": {"about": inspection.profile.about, "limits": asdict(inspection.profile.limits),
                    "severity": dict(inspection.profile.severities)},
    }


def describe_sizes(inspection: Inspection) -> str:
    """Face sizes in words: "98.5 % quads, 30 triangles"."""
    share = inspection.quad_share
    if share == 1.0:
        return "all quads"
    names = {3: "triangles", 4: "quads"}
    sizes = inspection.counts.face_sizes.items()
    return ", ".join(f"{number:,} {names.get(size, f'with {size} corners')}" for size, number in sizes) or "none"


def describe_poles(inspection: Inspection) -> str:
    """Poles by valence in words: "3-poles 20, 5-poles 16"."""
    inner, boundary = inspection.poles.inner_by_valence(), inspection.poles.boundary_by_valence()
    words = [f"{valence}-poles {number}" for valence, number in inner.items()]
    words += [f"on the boundary of valence {valence} {number}" for valence, number in boundary.items()]
    return ", ".join(words) or "none"


def describe_unwrap(unwrap: UnwrapFigures) -> str:
    """The figures of a map in words."""
    return (f"{counted(unwrap.islands, 'island')}, stretch {unwrap.stretch:.2f} (worst face {unwrap.worst_stretch:.2f}), overlap "
            f"{unwrap.overlap:.2%}, {counted(len(unwrap.flipped), 'face')} turned over, texel density {unwrap.density_spread:.2f} to 1, "
            f"margin {unwrap.margin} pixels of {PIXELS}, {unwrap.used:.0%} of the square used")


def bound_source(inspection: Inspection) -> str:
    """Where the pole bound comes from, in brackets."""
    tally = inspection.tally
    if tally is None:
        return "(from topology alone)"
    return (f"(4 \u00d7 {counted(tally.tips, 'tip')} + 4 \u00d7 {counted(tally.branches, 'branch', 'branches')} + "
            f"2 \u00d7 {counted(tally.step_downs, 'step-down')})")


def _deviation_lines(inspection: Inspection) -> list[str]:
    deviation = inspection.deviation
    if deviation is None:
        return []
    sides = [("cage to target", deviation.cage_to_target)]
    if deviation.target_to_cage.samples:
        sides.append((f"target to cage, over the {deviation.covered:.1%} of the target that the cage covers", deviation.target_to_cage))
    lines = [f"deviation {words}: mean {deviation.percent(side.mean):.4f} %, RMS {deviation.percent(side.root_mean_square):.4f} %, "
             f"95th percentile {deviation.percent(side.percentile_95):.4f} %, 99th {deviation.percent(side.percentile_99):.4f} %, "
             f"maximum {deviation.percent(side.maximum):.4f} % of the target's diagonal"
             for words, side in sides]
    if not deviation.target_to_cage.samples:
        lines.append("the cage covers no part of the target: all of it lies beyond the cage's open ends")
    return [*lines, f"vertices at most {deviation.percent(deviation.vertex_maximum):.2g} % off the target"]


def _finding_data(finding: Finding) -> dict[str, Any]:
    return {"name": finding.name, "severity": finding.severity, "domain": finding.domain, "count": len(finding.elements),
            "elements": finding.elements[:ELEMENT_LIMIT].tolist(), "place": None if finding.place is None else
            [_finite(value) for value in finding.place.tolist()], "reason": finding.reason, "mend": finding.mend}


def _side_data(side: OneWayDeviation) -> dict[str, Any]:
    figures = {name: _finite(getattr(side, name)) for name in ("mean", "root_mean_square", "percentile_95", "percentile_99", "maximum")}
    return {**figures, "place": [_finite(value) for value in side.place.tolist()], "samples": side.samples}


def _unwrap_data(unwrap: UnwrapFigures) -> dict[str, Any]:
    return {"stretch": _finite(unwrap.stretch), "worst_stretch": _finite(unwrap.worst_stretch), "flipped": len(unwrap.flipped),
            "overlap": unwrap.overlap, "texel_density": _finite(unwrap.density_spread), "islands": unwrap.islands, "margin": unwrap.margin,
            "map_size": PIXELS, "used": unwrap.used, "outside": unwrap.outside}


def _finite(value: float) -> float | None:
    """The value, or None where JSON has no number for it."""
    return value if math.isfinite(value) else None


def _flex_lines(flex: Flex) -> list[str]:
    from .flex_report import flex_lines  # draws, and is in no command's way that does not bend

    return flex_lines(flex)


def _flex_data(flex: Flex) -> dict[str, Any]:
    from .flex_report import flex_data

    return flex_data(flex)
