"""An inspection as one self-contained HTML page, with its data and its picture beside it.

The page needs no network and no script, prints on white, and says everything in words and shapes
as well as in colour. Every text that comes from outside is escaped.
"""

from __future__ import annotations

import base64
import json
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from .deviation import Deviation, OneWayDeviation
from .errors import FileError
from .flex_report import FLEX_COLUMNS, flex_rows
from .inspection import Inspection
from .inspection_text import bound_source, describe_poles, describe_sizes, to_json, verdict
from .junit import to_junit
from .picture import Picture, draw_scale
from .png import encode_png
from .quality import METRICS
from .report_pictures import ReportPictures

SEVERITY_SIGNS = {"error": "\u2716", "warning": "\u25b2", "note": "\u25cf"}
STEP_DOWN_LIMIT = 60
"""Step-downs that the page lists; the JSON has all."""


@dataclass(frozen=True)
class ReportFiles:
    """Where a report was written."""

    page: Path
    data: Path
    picture: Path
    tests: Path


def write_report(folder: Path, inspection: Inspection, pictures: ReportPictures, *, title: str, unit: str = "",
                 sources: Mapping[str, str] | None = None) -> ReportFiles:
    """Write report.html, report.json and picture.png, all three or none.

    folder : made where it is missing
    title : of the page
    unit : what one coordinate unit is
    sources : what was inspected, such as the cage's and the target's file; word to name
    Raises FileError where the folder or a file cannot be written.
    """
    data = {"title": title, "unit": unit, "sources": dict(sources or {}), **to_json(inspection)}
    files = ReportFiles(folder / "report.html", folder / "report.json", folder / "picture.png", folder / "report.xml")
    page = html_page(inspection, pictures, title=title, unit=unit, sources=sources or {})
    contents = {files.page: page.encode("utf-8"), files.data: json.dumps(data, indent=1, allow_nan=False).encode("utf-8"),
                files.picture: encode_png(pictures.sheet()), files.tests: to_junit(inspection, title).encode("utf-8")}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write_all(folder, contents)
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError(f'The report cannot be written to "{folder}" ({reason}); choose a folder that can be written to.') from error
    return files


def html_page(inspection: Inspection, pictures: ReportPictures, *, title: str, unit: str, sources: Mapping[str, str]) -> str:
    """The whole page as text."""
    sections = [_opening(inspection, title, sources), _views(pictures), _findings(inspection), _places(pictures), _poles(inspection),
                _rings(inspection, unit), _fit(inspection, pictures, unit), _flex(inspection, pictures), _shape(inspection),
                _method(inspection)]
    return _PAGE.format(title=escape(title), style=_STYLE, body="\n".join(section for section in sections if section))


def _write_all(folder: Path, contents: Mapping[Path, bytes]) -> None:
    """Write every file beside its place first, then rename them all; on a fault nothing new stays."""
    waiting: list[tuple[str, Path]] = []
    try:
        for path, content in contents.items():
            handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=folder)
            waiting.append((temporary, path))
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            os.chmod(temporary, 0o644)
        for path in contents:
            if path.is_dir():
                raise IsADirectoryError(21, "a folder has the file's name", str(path))
        while waiting:
            os.replace(*waiting[0])
            waiting.pop(0)
    finally:
        for temporary, _ in waiting:
            Path(temporary).unlink(missing_ok=True)


def _opening(inspection: Inspection, title: str, sources: Mapping[str, str]) -> str:
    mark = "error" if not inspection.passed else "warning" if inspection.count("warning") else "fine"
    sign = SEVERITY_SIGNS.get(mark, "\u2714")
    named = "".join(f"<div><dt>{escape(word)}</dt><dd>{escape(name)}</dd></div>" for word, name in sources.items())
    facts = "".join(f"<div><dt>{escape(word)}</dt><dd>{escape(value)}</dd></div>" for word, value in _key_figures(inspection))
    return (f'<header><h1>{escape(title)}</h1><p class="verdict {mark}"><span class="sign">{sign}</span> {escape(verdict(inspection))}</p>'
            f'<dl class="sources">{named}</dl><dl class="facts">{facts}</dl></header>')


def _key_figures(inspection: Inspection) -> list[tuple[str, str]]:
    counts, poles = inspection.counts, inspection.poles
    figures = [("Faces", f"{counts.faces:,} ({describe_sizes(inspection)})"), ("Pieces", str(counts.components)),
               ("Open ends", str(len(counts.boundary_loops))), ("Poles over the bound", str(poles.excess))]
    if "scaled_jacobian" in inspection.quality:
        figures.append(("Smallest scaled Jacobian", f"{inspection.quality['scaled_jacobian'].minimum:.2f}"))
    if inspection.deviation is not None:
        deviation = inspection.deviation
        figures.append(("Mean deviation", f"{deviation.percent(deviation.cage_to_target.mean):.3f} % of the diagonal"))
    return figures


def _views(pictures: ReportPictures) -> str:
    legend = "".join(f'<span><svg viewBox="-10 -10 20 20">{mark}</svg> {words}</span> ' for words, mark in _MARKS)
    return f"<section><h2>Cage over target</h2>{_gallery(pictures.views)}<p class='legend'>{legend}</p></section>"


def _findings(inspection: Inspection) -> str:
    if not inspection.findings:
        return "<section><h2>Findings</h2><p>None.</p></section>"
    rows = [(f"{SEVERITY_SIGNS[finding.severity]} {finding.severity}", finding.reason, _place(finding.place), finding.mend)
            for finding in inspection.findings]
    table = _table(("Severity", "What", "Where (x, y, z)", "Mend"), rows, text_columns=4)
    return f'<section class="findings"><h2>Findings</h2>{table}</section>'


def _places(pictures: ReportPictures) -> str:
    if not pictures.places:
        return ""
    return f'<section><h2>Places of the findings, enlarged</h2>{_gallery(pictures.places, "small")}</section>'


def _poles(inspection: Inspection) -> str:
    poles = inspection.poles
    inner, boundary = poles.inner_by_valence(), poles.boundary_by_valence()
    rows = [(str(valence), str(inner.get(valence, 0)), str(boundary.get(valence, 0))) for valence in sorted(set(inner) | set(boundary))]
    table = _table(("Valence", "Inner poles", "Boundary poles"), rows, text_columns=0) if rows else f"<p>{describe_poles(inspection)}.</p>"
    balance = "equals" if poles.balanced else "differs from"
    zones = ", ".join(f"{name}: {len(found)}" for name, found in inspection.poles_in_zones.items()) or "none"
    joints = f"<p>Joints looked at: {len(inspection.zones)}; poles among their rings: {escape(zones)}.</p>" if inspection.zones else ""
    return (f"<section><h2>Poles</h2>{table}<p>Weight {poles.weight}, lower bound {poles.bound} {escape(bound_source(inspection))}, "
            f"excess <strong>{poles.excess}</strong>.</p>"
            f"<p>The sum of 4 \u2212 valence over inner and 3 \u2212 valence over boundary vertices is {poles.balance}; it {balance} "
            f"four times the Euler number, {4 * poles.euler_number}.</p>{joints}</section>")


def _rings(inspection: Inspection, unit: str) -> str:
    loops = ", ".join(map(str, inspection.counts.boundary_loops)) or "none"
    text = f"<p>Ring counts of the open ends: {loops}.</p>"
    places = inspection.step_downs[:STEP_DOWN_LIMIT]
    if not places:
        return f"<section><h2>Rings and step-downs</h2>{text}<p>Step-downs: none.</p></section>"
    rows = [(str(place.face), str(place.three_pole), str(place.five_pole), _place(place.position)) for place in places]
    more = len(inspection.step_downs) - len(places)
    rest = f"<p>{more} more are in report.json.</p>" if more else ""
    heading = ("Quad", "3-pole vertex", "5-pole vertex", f"Where (x, y, z){f', {unit}' if unit else ''}")
    return (f"<section><h2>Rings and step-downs</h2>{text}<p>Step-downs, quads with a 3-pole and a 5-pole at opposite corners: "
            f"{len(inspection.step_downs)}.</p>{_table(heading, rows, text_columns=0)}{rest}</section>")


def _fit(inspection: Inspection, pictures: ReportPictures, unit: str) -> str:
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
    text = (f"<p>Percentages refer to the target's diagonal, {deviation.diagonal:.4g}{_unit(unit)}. Cage vertices lie at most "
            f"{deviation.percent(deviation.vertex_maximum):.2g} % off the target. The cage covers {deviation.covered:.1%} of the "
            "target; the rest lies beyond the cage's open ends and is left out of the way from target to cage.</p>")
    heat = f"{_gallery(pictures.heat)}{_scale(pictures.heat_highest, deviation, unit)}" if pictures.heat else ""
    return f"<section><h2>Deviation</h2>{_table(heading, rows, text_columns=1)}{text}{heat}</section>"


def _flex(inspection: Inspection, pictures: ReportPictures) -> str:
    if inspection.flex is None:
        return ""
    table = _table(FLEX_COLUMNS, flex_rows(inspection.flex), text_columns=4)
    text = ("<p>Every joint bent through its range by linear blending; the table shows its worst motion. Volume is that of the limb inside "
            "the joint's blend, loop drift is in radii of the limb. The angles try a mesh and are no medical advice.</p>")
    return f"<section><h2>Bends</h2>{table}{text}{_gallery(pictures.bends, 'small')}</section>"


def _scale(highest: float, deviation: Deviation, unit: str) -> str:
    end = f"{highest:.3g}{_unit(unit)}"
    image = _data_uri(encode_png(draw_scale(400, 14)))
    return (f'<figure class="scale"><img alt="Scale from light, no deviation, to dark, {end} or more" src="{image}">'
            f"<figcaption><span>0</span><span>{highest / 2:.3g}</span>"
            f"<span>{end} and more ({deviation.percent(highest):.3g} %)</span></figcaption></figure>")


def _shape(inspection: Inspection) -> str:
    if not inspection.quality:
        return ""
    rows = [(_title(name), *(f"{value:.3g}" for value in (
        spread.minimum, spread.percentile_1, spread.median, spread.mean, spread.percentile_99, spread.maximum)),
        f"{METRICS[name].lowest:g} to {METRICS[name].highest:g}") for name, spread in inspection.quality.items()]
    heading = ("Metric", "Minimum", "1st percentile", "Median", "Mean", "99th percentile", "Maximum", "Acceptable")
    return f"<section><h2>Shape of the quads</h2>{_table(heading, rows, text_columns=1)}</section>"


def _method(inspection: Inspection) -> str:
    lines = ["Metrics and their acceptable ranges follow the VERDICT manual (SAND2007-1751); angles are in degrees.",
             "A pole weighs as much as its valence is off; the bound counts four poles a closed tip, four a branch and two a step-down."]
    if inspection.deviation is not None:
        lines.append(f"Deviation: {inspection.deviation.cage_to_target.samples:,} samples a side, evenly spread by area, quads split from "
                     "their first to their third corner; the maximum also looks at vertices and is a lower bound of the true one.")
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<section class="method"><h2>How it was measured</h2><ul>{items}</ul></section>'


def _gallery(pictures: Iterable[Picture], kind: str = "wide") -> str:
    figures = "".join(f'<figure id="{escape(picture.name)}"><img width="{picture.image.shape[1]}" height="{picture.image.shape[0]}" '
                      f'alt="{escape(picture.caption)}" src="{_data_uri(encode_png(picture.image))}">'
                      f"<figcaption>{escape(picture.caption)}</figcaption></figure>" for picture in pictures)
    return f'<div class="gallery {kind}">{figures}</div>'


def _table(heading: Sequence[str], rows: Sequence[Sequence[str]], *, text_columns: int) -> str:
    """A table of escaped texts; columns after the first ``text_columns`` hold figures and stand to the right."""
    def cell(tag: str, index: int, text: str) -> str:
        kind = "" if index < text_columns else ' class="figure"'
        return f"<{tag}{kind}>{escape(text)}</{tag}>"

    head = "".join(cell("th", index, text) for index, text in enumerate(heading))
    body = "".join("<tr>" + "".join(cell("td", index, text) for index, text in enumerate(row)) + "</tr>" for row in rows)
    return f'<div class="table"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _place(place: Iterable[float] | None) -> str:
    return "" if place is None else ", ".join(f"{value:.4g}" for value in place)


def _title(metric: str) -> str:
    return metric.replace("_", " ").capitalize().replace("jacobian", "Jacobian")


def _unit(unit: str) -> str:
    return f" {escape(unit)}" if unit else ""


def _data_uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


_MARKS = (("triangle: 3-pole", '<polygon points="0,-8 7,5 -7,5" fill="#0073b3"/>'),
          ("pentagon: 5-pole", '<polygon points="0,-8 7.6,-2.5 4.7,6.5 -4.7,6.5 -7.6,-2.5" fill="#d65e00"/>'),
          ("square: other pole", '<rect x="-6" y="-6" width="12" height="12" fill="#000"/>'),
          ("thick line: open end", '<rect x="-9" y="-2" width="18" height="4" fill="#0073b3"/>'))

_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.5rem clamp(1rem, 4vw, 3rem); max-width: 84rem; background: #fff; color: #1c1d20;
  font: 1rem/1.5 system-ui, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0 0 .5rem; overflow-wrap: anywhere; }
h2 { font-size: 1.15rem; margin: 2rem 0 .6rem; padding-bottom: .2rem; border-bottom: 1px solid #c9cacd; }
.verdict { font-size: 1.2rem; font-weight: 600; margin: 0 0 1rem; padding: .5rem .8rem; background: #f4f5f5;
  border-left: .4rem solid #2b6b4f; }
.verdict.error { border-color: #a8201a; } .verdict.warning { border-color: #b26a00; }
dl { display: flex; flex-wrap: wrap; gap: .5rem 2rem; margin: 0 0 .8rem; }
dt { font-size: .85rem; color: #55585e; } dd { margin: 0; font-weight: 600; overflow-wrap: anywhere; }
.gallery { display: grid; gap: .8rem; } .gallery.wide { grid-template-columns: repeat(2, minmax(0, 1fr)); }
.gallery.small { grid-template-columns: repeat(auto-fill, minmax(15rem, 1fr)); }
figure { margin: 0; break-inside: avoid; } figure img { display: block; width: 100%; height: auto; }
.gallery.small img { border: 1px solid #dcdde0; max-width: 300px; }
figcaption { font-size: .85rem; color: #55585e; }
.legend svg { width: 1.1em; height: 1.1em; vertical-align: -.2em; }
.legend span { white-space: nowrap; margin-right: 1rem; } .legend { font-size: .9rem; }
.scale { max-width: 30rem; margin-top: 1rem; } .scale img { border: 1px solid #888; height: 1rem; }
.scale figcaption { display: flex; justify-content: space-between; }
.table { overflow-x: auto; } table { border-collapse: collapse; font-size: .92rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem 1.6rem .3rem 0; border-bottom: 1px solid #e3e4e6; }
th { border-bottom: 2px solid #8b8d92; font-weight: 600; }
.figure { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td:first-child { white-space: nowrap; } td:not(.figure):not(:first-child) { min-width: 9rem; }
tr { break-inside: avoid; } .method { color: #44464b; font-size: .9rem; }
@media (max-width: 46rem) { .gallery.wide { grid-template-columns: 1fr; } .findings thead { display: none; }
  .findings tr, .findings td { display: block; } .findings tr { border-bottom: 1px solid #8b8d92; padding: .4rem 0; }
  .findings td { border: 0; padding: .1rem 0; } .findings td:first-child { font-weight: 600; } }
@media print { body { padding: 0; max-width: none; font-size: 10pt; } h2 { break-after: avoid; } .table { overflow: visible; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; } }
"""

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{title}</title>
<style>{style}</style>
</head>
<body>
{body}
</body>
</html>
"""
