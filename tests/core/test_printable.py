"""Text that pages and XML may hold stays; what they may not is told by one sign."""

from __future__ import annotations

import sys
from xml.etree import ElementTree

import html5lib
from hypothesis import given
from hypothesis import strategies as st

from ringwright.core.printable import printable


@given(st.text(alphabet=st.characters(codec=None, categories=None), max_size=40))
def test_xml_and_html_hold_it(text: str) -> None:
    fit = printable(text)
    assert len(fit) == len(text)
    inside = fit.replace("&", "&amp;").replace("<", "&lt;")
    ElementTree.fromstring(f"<a>{inside}</a>".encode())
    html5lib.HTMLParser(strict=True).parse(f"<!DOCTYPE html><title>{inside}</title>")


def test_only_what_is_unfit_changes() -> None:
    kept = "\t\n\r ~\u00a0é\u200f\u05d0\ud7ff\ue000\ufffd\U0001f9b4"
    assert printable(kept) == kept
    for unfit in (*"\x00\x01\x0b\x0c\x7f\x85", "\ud800", "\udcff", "\u202e", "\u2066", "\ufdd0", "\ufffe", "\U0001ffff",
                  chr(sys.maxunicode)):
        assert printable(f"a{unfit}b") == "a\ufffdb"
