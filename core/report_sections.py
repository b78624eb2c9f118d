"""The sections of the report page: each a function of an inspection and its pictures that gives markup, empty where there is nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from html import escape

from .checks import checks_made
from .deviation import Deviation, OneWayDeviation
from .findings import CHECKS, Limits
from .flex_report import FLEX_COLUMNS, flex_rows, help_rows
from .inspection import Inspection, Spread
from .inspection_text import bound_source, describe_poles, describe_sizes, verdict
from .picture import draw_scale
from .png import encode_png
from .quality import METRICS
from .report_markup import data_uri, gallery, paragraph, table, terms
from .report_pictures import ReportPictures
from .uv_quality import PIXELS

SEVERITY_SIGNS = {"error": "\u2716", "warning": "\u25b2", "note": "\u25cf"}
STEP_DOWN_LIMIT = 60
"""Step-downs that the page lists; the JSON has all."""
SPREAD_COLUMNS = ("Minimum", "1st percentile", "Median", "Mean", "99th percentile", "Maximum")
SCALE_STEPS = 4
"""Parts into which figures divide the heat scale."""


def opening(inspection: Inspection, title: str, sources: Mapping[str, str], links: Iterable[tuple[str, str]]) -> str:
    """Verdict, key figures, what was inspected, and links to the sections (anchor, words)."""
    mark = "error" if not inspection.passed else "warning" if inspection.count("warning") else "fine"
    sign = SEVERITY_SIGNS.get(mark, "\u2714")
    places = "".join(f'<a href="#{anchor}">{escape(words)}</a>' for anchor, words in links)
    said = f'<p class="verdict {mark}"><span>{sign}</span> <span>{escape(verdict(inspection))}</span></p>'
    named = terms("facts", _key_figures(inspection)) + terms("sources", sources.items())
    return f'<header><h1>{escape(title)}</h1>{said}{named}<nav aria-label="Sections">{places}</nav></header>'


def _key_figures(inspection: Inspection) -> list[tuple[str, str]]:
    counts, poles = inspection.counts, inspection.poles
    figures = [("Faces", f"{counts.faces:,}"), ("Made of", describe_sizes(inspection)), ("Pieces", str(counts.components)),
               ("Open ends", str(len(counts.boundary_loops))), ("Poles over the bound", f"{poles.excess:,}")]
    if "scaled_jacobian" in inspection.quality:
        figures.append(("Smallest scaled Jacobian", f"{inspection.quality['scaled_jacobian'].minimum:.2f}"))
    if inspection.deviation is not None:
        deviation = inspection.deviation
        figures.append(("Mean deviation, of the diagonal", f"{deviation.percent(deviation.cage_to_target.mean):.3f} %"))
    return figures


def views(pictures: ReportPictures) -> str:
    """The cage from four sides."""
    marks = [*_MARKS, *([_NUMBER_MARK] if any(picture.marks for picture in pictures.views) else [])]
    legend = "".join(f'<span><svg viewBox="-10 -10 20 20" aria-hidden="true">{mark}</svg> {words}</span> ' for words, mark in marks)
    return f'{gallery(pictures.views)}<p class="legend">{legend}</p>'


def heat(inspection: Inspection, pictures: ReportPictures, unit: str) -> str:
    """The cage coloured by its deviation, with the scale."""
    if not pictures.heat or inspection.deviation is None:
        return ""
    return gallery(pictures.heat) + _scale(pictures.heat_highest, inspection.deviation, unit)


def places(pictures: ReportPictures) -> str:
    """Places of the findings and the worst faces, enlarged."""
    return gallery(pictures.places, "small")


def findings(inspection: Inspection, unit: str) -> str:
    """All findings, numbered as in the pictures."""
    if not inspection.findings:
        return paragraph("None.")
    rows = [(str(number), f"{SEVERITY_SIGNS[finding.severity]} {finding.severity}", finding.reason, _place(finding.place), finding.mend)
            for number, finding in enumerate(inspection.findings, start=1)]
    heading = ("No.", "Severity", "What", f"Where (x, y, z){_in(unit)}", "Mend")
    return table("Findings", heading, rows, text_columns=5, kind="findings")


def checks(inspection: Inspection) -> str:
    """What was looked at and what was not."""
    made, found = checks_made(inspection), {finding.name for finding in inspection.findings}
    fine, not_made = [name for name in made if name not in found], [name for name in CHECKS if name not in made]
    body = paragraph(f"{len(made)} of {len(CHECKS)} checks were made; {len(made) - len(fine)} of them found something.")
    body += paragraph(f"Judged by the profile: {inspection.profile.about}") if inspection.profile.about else ""
    body += paragraph(f"\u2714 Found nothing: {_words(fine)}.") + paragraph(
        f"\u2013 Not made, for want of a target, plan, object, map, flex test or limit, or turned off: {_words(not_made)}.")
    return body


def poles(inspection: Inspection) -> str:
    """Poles by valence, bound and excess, and those in joints."""
    census = inspection.poles
    inner, boundary = census.inner_by_valence(), census.boundary_by_valence()
    rows = [(str(valence), str(inner.get(valence, 0)), str(boundary.get(valence, 0))) for valence in sorted(set(inner) | set(boundary))]
    body = table("Poles by valence", ("Valence", "Inner poles", "Boundary poles"), rows, text_columns=0) if rows else paragraph(
        f"{describe_poles(inspection)}.")
    body += (f"<p>Weight {census.weight}, lower bound {census.bound} {escape(bound_source(inspection))}, excess "
             f"<strong>{census.excess}</strong>.</p>")
    body += paragraph(f"The sum of 4 \u2212 valence over inner and 3 \u2212 valence over boundary vertices is {census.balance}; it "
                      f"{'equals' if census.balanced else 'differs from'} four times the Euler number, {4 * census.euler_number}.")
    if inspection.zones:
        zones = ", ".join(f"{name}: {len(found)}" for name, found in inspection.poles_in_zones.items()) or "none"
        body += paragraph(f"Joints looked at: {len(inspection.zones)}; poles among their rings: {zones}.")
    return body


def rings(inspection: Inspection, unit: str) -> str:
    """Open ends and step-downs."""
    body = paragraph(f"Ring counts of the open ends: {', '.join(map(str, inspection.counts.boundary_loops)) or 'none'}.")
    shown = inspection.step_downs[:STEP_DOWN_LIMIT]
    body += paragraph(f"Step-downs, quads with a 3-pole and a 5-pole at opposite corners: {len(inspection.step_downs) or 'none'}.")
    if shown:
        rows = [(str(place.face), str(place.three_pole), str(place.five_pole), _place(place.position)) for place in shown]
        heading = ("Quad", "3-pole vertex", "5-pole vertex", f"Where (x, y, z){_in(unit)}")
        body += table("Step-downs", heading, rows, text_columns=0)
    if len(inspection.step_downs) > len(shown):
        body += paragraph(f"{len(inspection.step_downs) - len(shown)} more are in report.json.")
    return body


def evenness(inspection: Inspection) -> str:
    """Sizes of neighbouring faces, rows at the joints, mirror images."""
    body = ""
    if inspection.area_jumps is not None:
        body += table("Sizes of neighbours", ("Two neighbours", *SPREAD_COLUMNS),
                      [("Larger area over smaller", *_spread(inspection.area_jumps))], text_columns=1)
    if inspection.joint_spacings:
        rows = [(joint, str(spacing.rows), f"{spacing.ratio:.2f}") for joint, spacing in inspection.joint_spacings.items()]
        body += table("Rows at joints", ("Joint", "Rows", "Longest over shortest"), rows, text_columns=1)
    if inspection.symmetry is not None:
        symmetry = inspection.symmetry
        body += paragraph(f"Symmetry across {symmetry.plane} = 0: {symmetry.share:.1%} of the vertices have their mirror image within "
                          f"{inspection.profile.limits.symmetry_distance:g} % of the diagonal, {len(symmetry.lone)} have none.")
    elif body:
        body += paragraph("Symmetry: not meant; fewer than nine in ten vertices have a mirror image across x, y or z = 0.")
    return body


def fit(inspection: Inspection, unit: str) -> str:
    """Deviation both ways in figures."""
    deviation = inspection.deviation
    if deviation is None:
        return ""

    def rows_of(words: str, side: OneWayDeviation) -> list[Sequence[str]]:
        figures = (side.mean, side.root_mean_square, side.percentile_95, side.percentile_99, side.maximum)
        return [(f"{words}, %", *(f"{deviation.percent(value):.4f}" for value in figures), _place(side.place)),
                (f"{words}, {unit or 'units'}", *(f"{value:.3g}" for value in figures), "")]

    rows = rows_of("Cage to target", deviation.cage_to_target)
    if deviation.target_to_cage.samples:
        rows += rows_of("Target to cage", deviation.target_to_cage)
    heading = ("Way", "Mean", "RMS", "95th percentile", "99th percentile", "Maximum", "Maximum at (x, y, z)")
    body = table("Deviation both ways", heading, rows, text_columns=1) + paragraph(
        f"Percentages refer to the target's diagonal, {deviation.diagonal:.4g}{f' {unit}' if unit else ''}. Cage vertices lie at most "
        f"{deviation.percent(deviation.vertex_maximum):.2g} % off the target. The cage covers {deviation.covered:.1%} of the target; the "
        "rest lies beyond the cage's open ends and is left out of the way from target to cage.")
    return body


def flex(inspection: Inspection, pictures: ReportPictures) -> str:
    """How every joint bends."""
    if inspection.flex is None:
        return ""
    body = table("Joints", FLEX_COLUMNS, flex_rows(inspection.flex), text_columns=4) + paragraph(
        "Every joint bent through its range by linear blending; the table shows its worst motion. Volume is that of the limb inside the "
        "joint's blend, loop drift is in radii of the limb. The angles try a mesh and are no medical advice.")
    helped = help_rows(inspection.flex)
    if helped:
        body += table("What would help", ("Joint", "What would help"), helped, text_columns=2)
    return body + gallery(pictures.bends, "small")


def shape(inspection: Inspection) -> str:
    """Metrics of the quads beside the ranges that the manual calls acceptable."""
    if not inspection.quality:
        return ""
    rows = [(_title(name), *_spread(spread), f"{METRICS[name].lowest:g} to {METRICS[name].highest:g}", f"{inspection.outside[name]:,}")
            for name, spread in inspection.quality.items()]
    body = table("Shape of the quads", ("Metric", *SPREAD_COLUMNS, "Acceptable", "Quads outside"), rows, text_columns=1) + paragraph(
        "Acceptable: the range in each metric's own table in the VERDICT manual (SAND2007-1751, quadrilateral metrics). It is meant for "
        "simulation; along a limb long quads are meant, so a finding goes by the profile's limits instead.")
    return body


def unwrap(inspection: Inspection, pictures: ReportPictures) -> str:
    """The map's figures and its picture."""
    figures = inspection.unwrap
    if figures is None:
        return ""
    rows = [("Islands", str(figures.islands)), ("L2 stretch of the map (1: none)", f"{figures.stretch:.3f}"),
            ("L2 stretch of the worst face", f"{figures.worst_stretch:.3f}"), ("Covered more than once", f"{figures.overlap:.2%}"),
            ("Faces turned over or flat", str(len(figures.flipped))),
            ("Texel density, largest over smallest island", f"{figures.density_spread:.3f}"),
            (f"Margin between islands, pixels of {PIXELS}", str(figures.margin)), ("Square used", f"{figures.used:.1%}"),
            ("Corners outside the square", f"{figures.outside:.1%}")]
    return table("Unwrap", ("Figure", "Value"), rows, text_columns=1) + gallery(pictures.unwrap, "single")


def method(inspection: Inspection) -> str:
    """How figures came about, and the limits they were judged by."""
    lines = ["Metrics follow the VERDICT manual (SAND2007-1751); angles are in degrees.",
             "A pole weighs as much as its valence is off; the bound counts four poles a closed tip, four a branch and two a step-down."]
    if inspection.deviation is not None:
        lines.append(f"Deviation: {inspection.deviation.cage_to_target.samples:,} samples a side, evenly spread by area, quads split from "
                     "their first to their third corner; the maximum also looks at vertices and is a lower bound of the true one.")
    if inspection.unwrap is not None:
        lines.append("Stretch: L2 texture stretch (Sander, Snyder, Gortler, Hoppe 2001), scaled by the areas so that 1 is the least.")
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    limits = inspection.profile.limits
    known = [(item.name, getattr(limits, item.name)) for item in fields(Limits)]
    judged = terms("limits", [(_title(name), f"{value:g}") for name, value in known if value is not None])
    return f'<div class="method"><ul>{items}</ul>{paragraph("Limits:")}{judged}</div>'


def _scale(highest: float, deviation: Deviation, unit: str) -> str:
    image = data_uri(encode_png(draw_scale(400, 14)))
    steps = [highest * step / SCALE_STEPS for step in range(SCALE_STEPS + 1)]
    words = [f"{value:.2g}" for value in steps]
    words = [*words[:-1], f"{words[-1]}{f' {unit}' if unit else ''} and more"]
    ticks = "".join(f"<span>{escape(word)}<br>{deviation.percent(step):.2g} %</span>" for word, step in zip(words, steps, strict=True))
    told = f"Scale from light, no deviation, to dark, {words[-1]}"
    return (f'<figure class="scale"><img alt="{escape(told)}" width="400" height="14" src="{image}">'
            f"<figcaption>{ticks}</figcaption></figure>")


def _spread(spread: Spread) -> list[str]:
    return [f"{value:.3g}" for value in (spread.minimum, spread.percentile_1, spread.median, spread.mean, spread.percentile_99,
                                         spread.maximum)]


def _place(place: Iterable[float] | None) -> str:
    return "" if place is None else ", ".join(f"{value:.4g}" for value in place)


def _title(name: str) -> str:
    return name.replace("_", " ").capitalize().replace("jacobian", "Jacobian").replace(" uv ", " UV ")


def _words(names: Sequence[str]) -> str:
    said = ", ".join(name.replace("_", " ") for name in names) or "none"
    return said.replace("uv ", "UV ").replace("n gons", "n-gons").replace("non manifold", "non-manifold")


def _in(unit: str) -> str:
    return f", {unit}" if unit else ""


_MARKS = (("triangle: 3-pole", '<polygon points="0,-8 7,5 -7,5" fill="#0073b3"/>'),
          ("pentagon: 5-pole", '<polygon points="0,-8 7.6,-2.5 4.7,6.5 -4.7,6.5 -7.6,-2.5" fill="#d65e00"/>'),
          ("square: other pole", '<rect x="-6" y="-6" width="12" height="12" fill="#000"/>'),
          ("thick line: open end", '<rect x="-9" y="-2" width="18" height="4" fill="#0073b3"/>'))
_NUMBER_MARK = ("number: finding, enlarged below", '<circle r="8" fill="#fff" stroke="#1c1d20" stroke-width="2"/>')
