"""The interface in other languages: a plain table for each under ``languages/``, handed to the host while the extension is on."""

from __future__ import annotations

import tomllib
from pathlib import Path

import bpy

FOLDER = Path(__file__).resolve().parent.parent / "languages"
CONTEXTS = ("*", "Operator")
"""Where the host looks words up: buttons of operators in the second, all else in the first."""

Table = dict[tuple[str, str], str]


def read_table(path: Path) -> dict[str, str]:
    """One language's words, English to its own."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def tables() -> dict[str, Table]:
    """The words of every language as the host wants them, by the language's code."""
    return {path.stem: {(context, words): own for words, own in read_table(path).items() for context in CONTEXTS}
            for path in sorted(FOLDER.glob("*.toml"))}


def register() -> None:
    """Hand the tables to the host."""
    bpy.app.translations.register(__package__, tables())


def unregister() -> None:
    """Take them back."""
    bpy.app.translations.unregister(__package__)
