"""Every table of words covers the whole interface and nothing else, and fills in the same values."""

from __future__ import annotations

import string
from pathlib import Path
from types import SimpleNamespace

import bpy
import pytest

from ringwright.addon import editor, phrases
from ringwright.addon.translation import CONTEXTS, FOLDER, read_table, tables
from support.interface_words import plain_reports, registered_words, written_words

pytestmark = pytest.mark.usefixtures("extension")

TABLES = sorted(FOLDER.glob("*.toml"))


@pytest.mark.parametrize("path", TABLES, ids=lambda path: path.stem)
def test_every_word_of_the_interface_is_in_the_table_and_none_is_stale(path: Path) -> None:
    table, shown = read_table(path), {**written_words(), **registered_words(editor.CLASSES)}
    missing = {words: place for words, place in shown.items() if words not in table}
    assert not missing, f"put these into {path.name}"
    assert not table.keys() - shown.keys(), f"take these out of {path.name}"


@pytest.mark.parametrize("path", TABLES, ids=lambda path: path.stem)
def test_translations_say_something_and_fill_in_the_same_values(path: Path) -> None:
    for words, own in read_table(path).items():
        assert own.strip() == own and own, words
        assert _values(own) == _values(words), words
        assert own.endswith(".") == words.endswith("."), words


def _values(words: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(words) if name}


def test_there_is_a_second_language() -> None:
    assert "de" in tables() and len(tables()["de"]) == len(CONTEXTS) * len(read_table(FOLDER / "de.toml"))


def test_buttons_are_translated_in_their_own_context() -> None:
    """The host looks operators' names up in another context than all else."""
    assert ("Operator", "Build Cage") in tables()["de"] and ("*", "Build Cage") in tables()["de"]


def test_no_operator_reports_in_english_alone() -> None:
    assert not plain_reports(), "put these through told"


def test_what_an_operator_reports_comes_in_the_artists_language(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    """The modules that tests run on are built without languages, so the table stands in for the host's search."""
    table = read_table(FOLDER / "de.toml")
    words = SimpleNamespace(pgettext_rpt=lambda text: table.get(text, text), pgettext_iface=lambda text: table.get(text, text))
    monkeypatch.setattr(phrases, "bpy", SimpleNamespace(app=SimpleNamespace(translations=words)))
    for place in ((0, 0, 0), (0, 0, 1)):
        bpy.ops.ringwright.add_limb(limb_name="arm", joints=[{"name": "", "position": place}, {"name": "", "position": (1, 0, 1)}])
    bpy.ops.ringwright.change_limb(limb="arm", sides=8)
    bpy.ops.ringwright.clear_plan()
    told = [line.removeprefix("Info: ") for line in capfd.readouterr().out.splitlines() if line.startswith("Info: ")]
    assert told == ['Glied "arm" mit 2 Gelenken hinzugefügt', 'Glied "arm.2" mit 2 Gelenken hinzugefügt', 'Glied "arm" geändert',
                    "Der Plan ist leer"]
