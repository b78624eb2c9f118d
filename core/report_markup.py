"""The report page's building blocks: escaped tables, galleries with numbered marks, the page's frame and its style sheet.

Every text is escaped here, so that no caller has to.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape

from .picture import Picture
from .png import encode_png
from .printable import printable

MARK_RADIUS = 11
"""Of a numbered mark, pixels of the picture."""


def section(anchor: str, heading: str, body: str) -> str:
    """A section with a heading.

    anchor : what links name it by
    body : markup
    """
    return f'<section id="{anchor}"><h2>{escape(heading)}</h2>{body}</section>'


def paragraph(text: str) -> str:
    """A paragraph of plain text."""
    return f"<p>{escape(text)}</p>"


def terms(kind: str, pairs: Iterable[tuple[str, str]]) -> str:
    """Words and their values; nothing without any."""
    items = "".join(f"<div><dt>{escape(word)}</dt><dd>{escape(value)}</dd></div>" for word, value in pairs)
    return f'<dl class="{kind}">{items}</dl>' if items else ""


def table(label: str, heading: Sequence[str], rows: Sequence[Sequence[str]], *, text_columns: int, kind: str = "") -> str:
    """A table that scrolls sideways where it is too wide; columns after the first ``text_columns`` hold figures.

    label : what the table is, for those who hear the page
    kind : further class
    """
    def cell(tag: str, index: int, text: str) -> str:
        figure = "" if index < text_columns else ' class="figure"'
        scope = ' scope="col"' if tag == "th" else ""
        return f"<{tag}{scope}{figure}>{escape(text)}</{tag}>"

    head = "".join(cell("th", index, text) for index, text in enumerate(heading))
    body = "".join("<tr>" + "".join(cell("td", index, text) for index, text in enumerate(row)) + "</tr>" for row in rows)
    return (f'<div class="table {kind}" role="region" aria-label="{escape(label)}" tabindex="0"><table><thead><tr>{head}</tr></thead>'
            f"<tbody>{body}</tbody></table></div>")


def gallery(pictures: Iterable[Picture], kind: str = "wide") -> str:
    """Pictures with their captions, side by side where there is room; nothing without any."""
    figures = "".join(_figure(picture) for picture in pictures)
    return f'<div class="gallery {kind}">{figures}</div>' if figures else ""


def data_uri(png: bytes) -> str:
    """A picture as a link that needs no file."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def page(title: str, parts: Iterable[str]) -> str:
    """The whole page.

    parts : markup, one below the other
    """
    return printable(_PAGE.format(title=escape(title), style=_STYLE, body="\n".join(parts)))


def _figure(picture: Picture) -> str:
    height, width = picture.image.shape[:2]
    number = f'<span class="number">{picture.number}</span> ' if picture.number else ""
    caption, link = escape(picture.caption), data_uri(encode_png(picture.image))
    return (f'<figure id="{escape(picture.name)}"><div class="picture"><img width="{width}" height="{height}" alt="{caption}" src="{link}">'
            f"{_marks(picture, width, height)}</div><figcaption>{number}{caption}</figcaption></figure>")


def _marks(picture: Picture, width: int, height: int) -> str:
    """Numbered rings over a picture, where its findings are."""
    if not picture.marks:
        return ""
    rings = "".join(f'<g transform="translate({mark.x:.1f} {mark.y:.1f})"><g class="mark"><circle r="{MARK_RADIUS}"/>'
                    f'<text y="4.5">{mark.number}</text></g></g>'
                    for mark in picture.marks)
    return f'<svg class="marks" viewBox="0 0 {width} {height}" aria-hidden="true">{rings}</svg>'


_STYLE = """
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.5rem clamp(1rem, 4vw, 3rem) 3rem; max-width: 84rem; background: #fff; color: #1c1d20;
  font: 1rem/1.5 system-ui, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif; overflow-wrap: break-word; }
h1 { font-size: 1.15rem; font-weight: 600; line-height: 1.3; margin: 0 0 .6rem; color: #44464b; overflow-wrap: anywhere; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 .7rem; padding-bottom: .2rem; border-bottom: 1px solid #c9cacd; }
p { margin: .5rem 0; max-width: 60rem; } a { color: #00548a; }
.facts div, .sources div { min-width: 0; }
.verdict { display: flex; align-items: center; gap: .8rem; font-size: 1.6rem; font-weight: 700; line-height: 1.25; margin: 0 0 1rem;
  padding: .7rem 1rem; max-width: none; background: #f2f4f3; border-left: .5rem solid #2b6b4f; }
.verdict.error { border-color: #a8201a; background: #faf1f0; } .verdict.warning { border-color: #b26a00; background: #faf5ec; }
dl { margin: 0 0 1rem; } dt { font-size: .85rem; color: #55585e; } dd { margin: 0; font-weight: 600; overflow-wrap: anywhere; }
.facts { display: grid; grid-template-columns: repeat(auto-fit, minmax(9rem, 1fr)); gap: .6rem 1.2rem; }
.facts dd { font-size: 1.15rem; line-height: 1.3; }
.sources, .limits { display: flex; flex-wrap: wrap; gap: .4rem 2rem; font-size: .9rem; } .limits dd { font-weight: 400; }
nav { display: flex; flex-wrap: wrap; gap: .2rem 1.2rem; padding: .5rem 0; border-top: 1px solid #c9cacd; font-size: .95rem; }
.gallery { display: grid; gap: 1rem; } .gallery.wide { grid-template-columns: repeat(2, minmax(0, 1fr)); align-items: end; }
.gallery.single { grid-template-columns: minmax(0, 37.5rem); } .gallery.single img { border: 1px solid #c9cacd; }
.gallery.small { grid-template-columns: repeat(auto-fill, minmax(min(15rem, 100%), 1fr)); }
figure { margin: 0; min-width: 0; break-inside: avoid; } .picture { position: relative; }
figure img { display: block; width: 100%; height: auto; } .gallery.small img { border: 1px solid #c9cacd; }
.marks { position: absolute; top: 0; left: 0; width: 100%; height: 100%; overflow: visible; }
.marks circle { fill: #fff; stroke: #1c1d20; stroke-width: 1.6; }
.marks text { font: 700 13px system-ui, "DejaVu Sans", sans-serif; text-anchor: middle; fill: #1c1d20; }
figcaption { font-size: .88rem; line-height: 1.4; color: #44464b; margin-top: .3rem; }
.number { display: inline-block; min-width: 1.5em; padding: 0 .3em; border: 1.5px solid #1c1d20; border-radius: 1em; background: #fff;
  color: #1c1d20; font-size: .85em; font-weight: 700; line-height: 1.45; text-align: center; }
.legend { display: flex; flex-wrap: wrap; gap: .2rem 1.4rem; font-size: .9rem; margin-top: .8rem; max-width: none; }
.legend svg { width: 1.1em; height: 1.1em; vertical-align: -.2em; }
.scale { max-width: 40rem; margin-top: 1rem; } .scale img { border: 1px solid #6a6c71; height: 1.1rem; }
.scale figcaption { display: flex; justify-content: space-between; gap: .5rem; } .scale span { text-align: center; }
.scale span:first-child { text-align: left; } .scale span:last-child { text-align: right; }
.table { overflow-x: auto; margin: .6rem 0; /* a shadow on the right while there is more to scroll to */
  background: linear-gradient(to left, #fff 2rem, transparent) right / 3rem 100% no-repeat local,
    linear-gradient(to left, #b9bbc0, transparent) right / .8rem 100% no-repeat scroll; }
table { border-collapse: collapse; font-size: .92rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem 1.1rem .3rem 0; border-bottom: 1px solid #e3e4e6; }
th { border-bottom: 2px solid #6a6c71; font-weight: 600; vertical-align: bottom; }
td { white-space: nowrap; } .figure { text-align: right; font-variant-numeric: tabular-nums; }
th:first-child, td:first-child:not(.figure) { position: sticky; left: 0; background: #fff; }
tr { break-inside: avoid; } thead { display: table-header-group; }
.findings table { width: 100%; } .findings td:nth-child(3) { width: 45%; white-space: normal; }
.findings td:nth-child(5) { width: 30%; white-space: normal; }
.method { color: #44464b; font-size: .92rem; }
@media screen and (max-width: 46rem) {
  h2 { margin-top: 1.8rem; } .verdict { font-size: 1.25rem; } .facts { grid-template-columns: 1fr 1fr; } .facts dd { font-size: 1rem; }
  .gallery.wide { grid-template-columns: 1fr; } .gallery.small { grid-template-columns: repeat(2, minmax(0, 1fr)); }
  table { font-size: .85rem; } th, td { padding-right: .7rem; } td:not(.figure) { white-space: normal; }
  td:first-child:not(.figure) { min-width: 6.5rem; }
  .mark { transform: scale(1.9); } .scale span:nth-child(even) { display: none; }
  .findings table { font-size: .92rem; } .findings thead { display: none; }
  .findings tr { display: block; border-bottom: 1px solid #8b8d92; padding: .5rem 0; }
  .findings td, .findings td:nth-child(n) { display: block; width: auto; white-space: normal; border: 0; padding: .1rem 0; }
  .findings td:first-child:not(.figure) { display: inline-block; min-width: 0; margin-right: .5rem; }
  .findings td:nth-child(2) { display: inline-block; font-weight: 600; }
  .findings td:nth-child(4):not(:empty)::before { content: "At "; } .findings td:nth-child(5)::before { content: "Mend: "; } }
@media print { body { padding: 0; max-width: none; font-size: 9.5pt; } nav { display: none; } h2 { break-after: avoid; margin-top: 1.4rem; }
  .table { overflow: visible; } table { font-size: .85em; } th, td { padding-right: .7rem; }
  th:first-child, td:first-child { position: static; }
  .gallery.small { grid-template-columns: repeat(3, minmax(0, 1fr)); } a { color: inherit; text-decoration: none; } }
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
