"""The report is one page that needs nothing else, says everything, escapes names, and is written whole or not at all."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from ringwright.core import report
from ringwright.core.deviation import map_deviation
from ringwright.core.errors import FileError
from ringwright.core.inspection import Inspection, Target, inspect_mesh
from ringwright.core.inspection_text import to_json
from ringwright.core.picture import Dense
from ringwright.core.poles import JointZone, PlanTally
from ringwright.core.polymesh import PolyMesh
from ringwright.core.report import html_page, write_report
from ringwright.core.report_pictures import ReportPictures, picture_inspection
from support.reference_surface import ReferenceSurface
from support.report_cases import make_case
from support.tubes import tube

VOID = {"meta", "img", "br", "link", "polygon", "rect", "circle"}


class Page(HTMLParser):
    """Reads a page, checks that its elements nest, and keeps its text and the places it points to."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.names: list[str] = []
        self.feed(page)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.names += [value or "" for name, value in attrs if name == "id"]
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "action", "data", "poster")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def case() -> tuple[Inspection, ReportPictures]:
    """A tube in a cylinder with a vertex pulled out, so that there is a finding with a place."""
    cage, dense = tube(10, 7, spacing=0.8), tube(120, 7, spacing=0.8)
    pulled = cage.with_positions(np.where(np.arange(70)[:, None] == 33, cage.positions * [1.1, 1.1, 1.0], cage.positions))
    surface = ReferenceSurface.from_mesh(dense)
    zone = JointZone("elbow", np.array([0, 0, 2.4]), np.array([0, 0, 1.0]), 0.5, 3.0)
    inspection = inspect_mesh(pulled, target=Target(dense, surface, ReferenceSurface.from_mesh(pulled)), tally=PlanTally(0, 0, 0),
                              joint_zones=[zone])
    return inspection, picture_inspection(pulled, inspection, target=Dense(dense.positions, dense.triangles()),
                                          heat=map_deviation(pulled, surface), width=240)


def test_page_is_whole_and_points_nowhere(case: tuple[Inspection, ReportPictures]) -> None:
    page = html_page(*case, title="Tube", unit="cm", sources={"Cage": "tube.obj"})
    read = Page(page)
    within, outside = ([link for link in read.links if link.startswith("#") is inner] for inner in (True, False))
    assert outside and all(link.startswith("data:image/png;base64,") for link in outside)
    assert within and {link[1:] for link in within} <= set(read.names)
    assert "script" not in read.tags and not re.search(r"https?:|url\(|@import", page)
    assert read.tags.count("img") == 4 + 4 + len(case[1].places) + 1
    assert page.startswith("<!DOCTYPE html>")


def test_page_opens_with_the_verdict_then_pictures_then_tables(case: tuple[Inspection, ReportPictures]) -> None:
    page = html_page(*case, title="Tube", unit="cm", sources={"Cage": "tube.obj"})
    order = [page.index(part) for part in ('class="verdict', 'id="side_1"', 'id="heat_1"', 'class="scale"', 'id="place_1"', "<table")]
    assert order == sorted(order)


def test_a_finding_has_one_number_everywhere(case: tuple[Inspection, ReportPictures]) -> None:
    """In the table, at its enlarged place, and at its place in the views from which it is seen."""
    inspection, pictures = case
    (finding,) = [finding for finding in inspection.findings if finding.name == "vertices_off_target"]
    number = inspection.findings.index(finding) + 1
    assert [picture.number for picture in pictures.places].count(number) == 1
    marks = [mark for picture in pictures.views for mark in picture.marks]
    assert 1 <= sum(mark.number == number for mark in marks) < len(pictures.views)
    assert {mark.number for mark in marks} <= set(range(1, len(inspection.findings) + 1))
    for picture in pictures.views:
        height, width = picture.image.shape[:2]
        assert all(0 <= mark.x < width and 0 <= mark.y < height for mark in picture.marks)


def test_the_worst_faces_are_enlarged_though_they_are_no_fault() -> None:
    captions = [picture.caption for picture in make_case("sound").pictures.places]
    assert [caption.partition(":")[0] for caption in captions] == ["Smallest scaled Jacobian", "Largest aspect ratio"]


def test_page_tells_what_was_not_looked_at() -> None:
    text = Page(make_case("sound").page()).text
    not_made = text[text.index("Not made"):]
    made = text[text.index("Found nothing"):text.index("Not made")]
    for words in ("vertices off target", "poor bend", "UV overlap", "object name"):
        assert words in not_made and words not in made
    for words in ("triangles", "flipped faces", "budget"):
        assert words in made


def test_page_carries_evenness_symmetry_bends_and_map() -> None:
    case = make_case("everything")
    text = Page(case.page()).text
    inspection = case.inspection
    assert inspection.unwrap is not None and inspection.symmetry is not None and inspection.area_jumps is not None
    ratio, stretch = inspection.joint_spacings["stalk, rings 7 to 9"].ratio, inspection.unwrap.stretch
    for words in ("Evenness and symmetry", f"{ratio:.2f}", "Symmetry across x = 0: 100.0%", "Bends", "Unwrap", f"{stretch:.3f}",
                  "Texel density", "Covered more than once", "Margin between islands", "Acceptable", "0.3 to 1", "SAND2007-1751"):
        assert words in text, words
    assert case.pictures.unwrap[0].image.std() > 5


def test_page_says_in_words_what_was_found(case: tuple[Inspection, ReportPictures]) -> None:
    text = Page(html_page(*case, title="Tube", unit="cm", sources={"Cage": "tube.obj"})).text
    inspection = case[0]
    assert inspection.deviation is not None
    for words in ("Sound, with 1 warning.", "tube.obj", "Faces 60 Made of all quads", "excess 0", "Ring counts of the open ends: 10, 10.",
                  "Vertices farther from the target than 0.01 % of its diagonal: 1.", "\u25b2 warning", "Joints looked at: 1",
                  f"{inspection.deviation.percent(inspection.deviation.cage_to_target.mean):.4f}", "Scaled Jacobian", "cm"):
        assert words in text, words


def test_names_from_outside_are_escaped(case: tuple[Inspection, ReportPictures]) -> None:
    evil = '<script>alert("x")</script>&\'</dd>'
    page = html_page(*case, title=evil, unit="<m>", sources={evil: evil})
    assert "<script" not in page and "<m>" not in page
    assert Page(page).words.count(evil) >= 3


def test_all_files_are_written(case: tuple[Inspection, ReportPictures], tmp_path: Path) -> None:
    files = write_report(tmp_path / "new" / "report", *case, title="Tube", unit="cm", sources={"Cage": "tube.obj"})
    assert sorted(path.name for path in files.page.parent.iterdir()) == ["picture.png", "report.html", "report.json", "report.xml"]
    data = json.loads(files.data.read_text(encoding="utf-8"))
    assert data["sources"] == {"Cage": "tube.obj"} and data["findings"] == to_json(case[0])["findings"]
    assert files.picture.read_bytes().startswith(b"\x89PNG")
    again = write_report(tmp_path / "new" / "report", *case, title="Other")
    assert "Other" in again.page.read_text(encoding="utf-8")


def test_interrupted_write_leaves_the_old_report(case: tuple[Inspection, ReportPictures], tmp_path: Path,
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    write_report(tmp_path, *case, title="Before")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    written = []

    def broken_pen(handle: int, mode: str) -> object:
        written.append(handle)
        if len(written) == 3:
            raise OSError(28, "No space left on device")
        return real_pen(handle, mode)

    real_pen = report.os.fdopen
    monkeypatch.setattr(report.os, "fdopen", broken_pen)
    with pytest.raises(FileError, match="No space left"):
        write_report(tmp_path, *case, title="After")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("blocked", ["report.html", "report.json", "picture.png"])
def test_folder_in_the_way_is_refused_and_nothing_written(case: tuple[Inspection, ReportPictures], tmp_path: Path, blocked: str) -> None:
    (tmp_path / blocked).mkdir()
    with pytest.raises(FileError, match="cannot be written"):
        write_report(tmp_path, *case, title="Tube")
    assert [path.name for path in tmp_path.iterdir()] == [blocked]


def test_file_in_place_of_the_folder_is_refused(case: tuple[Inspection, ReportPictures], tmp_path: Path) -> None:
    (tmp_path / "report").write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="cannot be written"):
        write_report(tmp_path / "report", *case, title="Tube")
    assert (tmp_path / "report").read_text(encoding="utf-8") == "mine"


def test_mesh_without_anything_still_gets_its_page(tmp_path: Path) -> None:
    empty = PolyMesh.from_faces(np.empty((0, 3)), [])
    inspection = inspect_mesh(empty)
    files = write_report(tmp_path, inspection, picture_inspection(empty, inspection, width=100), title="Nothing")
    assert "Findings" in Page(files.page.read_text(encoding="utf-8")).text
