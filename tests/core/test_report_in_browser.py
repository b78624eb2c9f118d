"""The page in a real browser without a network: whole, in order, at a desk, on a phone and on paper.

The photographs and the print stay under build/report for whoever wants to look.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.browser import Browser, PageView, running_browser
from support.report_cases import CASES, HOSTILE, make_case

PHOTOGRAPHS = Path(__file__).resolve().parents[2] / "build" / "report"
DESK, PHONE = 1280, 390
pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with running_browser() as started:
        yield started


def kept(name: str) -> Path:
    PHOTOGRAPHS.mkdir(parents=True, exist_ok=True)
    return PHOTOGRAPHS / name


def assert_clean(seen: PageView, width: int) -> None:
    assert seen.requests == () and seen.complaints == ()
    assert seen.content_width <= seen.inner_width == width and seen.clipped == ()
    assert seen.broken_pictures == 0
    assert struct.unpack(">I", seen.photograph[16:20]) == (width,)


@pytest.mark.parametrize("width", [DESK, PHONE])
@pytest.mark.parametrize("name", [*CASES, "hostile"])
def test_page_fits_the_window_and_asks_for_nothing(browser: Browser, name: str, width: int) -> None:
    page = kept(f"{name}.html")
    page.write_text(make_case("faults").page(HOSTILE, "<m>", HOSTILE) if name == "hostile" else make_case(name).page(), encoding="utf-8")
    seen = browser.view(page, width)
    kept(f"{name}-{width}.png").write_bytes(seen.photograph)
    assert_clean(seen, width)


def test_page_prints(browser: Browser) -> None:
    page = kept("printed.html")
    page.write_text(make_case("everything").page(), encoding="utf-8")
    pdf = browser.print(page)
    kept("printed.pdf").write_bytes(pdf)
    assert pdf.startswith(b"%PDF") and 2 <= pdf.count(b"/Type /Page\n") <= 12


def test_a_page_that_misbehaves_would_be_noticed(browser: Browser, tmp_path: Path) -> None:
    """A picture from elsewhere, a script that complains and a block that is too wide: each is seen."""
    page = tmp_path / "bad.html"
    page.write_text('<!DOCTYPE html><title>bad</title><meta name="viewport" content="width=device-width"><p style="width: 3000px">wide</p>'
                    '<img src="https://example.invalid/x.png" alt="x"><script>console.error("oh")</script>', encoding="utf-8")
    seen = browser.view(page, DESK)
    assert seen.requests == ("https://example.invalid/x.png",) and any("oh" in each for each in seen.complaints)
    assert seen.content_width > DESK and any(each.startswith("P wide") for each in seen.clipped) and seen.broken_pictures == 1


def test_the_pages_own_rules_keep_strangers_out(browser: Browser, tmp_path: Path) -> None:
    """Were an address ever to slip into the page, its content security policy would stop the request."""
    page = tmp_path / "slipped.html"
    page.write_text(make_case("sound").page().replace("</header>", '<img src="https://example.invalid/x.png" alt="x"></header>', 1),
                    encoding="utf-8")
    seen = browser.view(page, DESK)
    assert any("Content Security Policy" in each for each in seen.complaints)
