"""An inspection as one self-contained HTML page, with its data and its picture beside it.

The page needs no network and no script, prints on white, and says everything in words and shapes
as well as in colour. Every text that comes from outside is escaped.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from . import report_sections as sections
from .errors import FileError
from .inspection import Inspection
from .inspection_text import to_json
from .junit import to_junit
from .png import encode_png
from .report_markup import page, section
from .report_pictures import ReportPictures


@dataclass(frozen=True)
class ReportFiles:
    """Where a report was written."""

    page: Path
    data: Path
    picture: Path
    tests: Path

    @classmethod
    def within(cls, folder: Path) -> ReportFiles:
        """The files of a report in a folder."""
        return cls(folder / "report.html", folder / "report.json", folder / "picture.png", folder / "report.xml")


def write_report(folder: Path, inspection: Inspection, pictures: ReportPictures, *, title: str, unit: str = "",
                 sources: Mapping[str, str] | None = None) -> ReportFiles:
    """Write report.html, report.json, report.xml and picture.png, all of them or none.

    folder : made where it is missing
    title : of the page
    unit : what one coordinate unit is
    sources : what was inspected, such as the cage's and the target's file; word to name
    Raises FileError where the folder or a file cannot be written.
    """
    data = {"title": title, "unit": unit, "sources": dict(sources or {}), **to_json(inspection)}
    files = ReportFiles.within(folder)
    text = html_page(inspection, pictures, title=title, unit=unit, sources=sources or {})
    contents = {files.page: text.encode("utf-8"), files.data: json.dumps(data, indent=1, allow_nan=False).encode("utf-8"),
                files.picture: encode_png(pictures.sheet()), files.tests: to_junit(inspection, title).encode("utf-8")}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write_all(folder, contents)
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError(f'The report cannot be written to "{folder}" ({reason}); choose a folder that can be written to.') from error
    return files


def html_page(inspection: Inspection, pictures: ReportPictures, *, title: str, unit: str, sources: Mapping[str, str]) -> str:
    """The whole page as text: verdict and pictures first, then tables."""
    parts = (
        ("views", "Pictures", "Cage" if inspection.deviation is None else "Cage over target", sections.views(pictures)),
        ("heat", "Heat map", "Deviation from the target", sections.heat(inspection, pictures, unit)),
        ("places", "Enlarged", "Findings and worst faces, enlarged", sections.places(pictures)),
        ("findings", "Findings", "Findings", sections.findings(inspection, unit)),
        ("checks", "Checks", "Checks", sections.checks(inspection)),
        ("poles", "Poles", "Poles", sections.poles(inspection)),
        ("rings", "Rings", "Rings and step-downs", sections.rings(inspection, unit)),
        ("evenness", "Evenness", "Evenness and symmetry", sections.evenness(inspection)),
        ("fit", "Deviation", "Deviation in figures", sections.fit(inspection, unit)),
        ("flex", "Bends", "Bends", sections.flex(inspection, pictures)),
        ("shape", "Shape", "Shape of the quads", sections.shape(inspection)),
        ("unwrap", "Unwrap", "Unwrap", sections.unwrap(inspection, pictures)),
        ("method", "Method", "How it was measured and judged", sections.method(inspection)))
    shown = [part for part in parts if part[3]]
    opening = sections.opening(inspection, title, sources, [(anchor, words) for anchor, words, _, _ in shown])
    return page(title, [opening, *(section(anchor, heading, body) for anchor, _, heading, body in shown)])


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
