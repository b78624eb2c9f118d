"""Every table of words covers the whole interface and nothing else, and fills in the same values."""

from __future__ import annotations

import string
from pathlib import Path

import pytest

from ringwright.addon import editor
from ringwright.addon.translation import CONTEXTS, FOLDER, read_table, tables
from support.interface_words import registered_words, written_words

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
