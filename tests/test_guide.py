"""The artists' guide is true: the words that it quotes are the program's, its labels are on buttons, its photographs are there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
GUIDE = (ROOT / "docs" / "first-cage.md").read_text(encoding="utf-8")
HOLE = "\0"


def _said() -> list[str]:
    """All words in the code, with a hole where a value is filled in."""
    found = []
    for path in (*(ROOT / "core").rglob("*.py"), *(ROOT / "addon").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.append(node.value)
            elif isinstance(node, ast.JoinedStr):
                parts = (part.value if isinstance(part, ast.Constant) else HOLE for part in node.values)
                found.append("".join(str(part) for part in parts))
    return found


SAID = _said()
TROUBLES = [row.split("|")[1].strip() for row in GUIDE.partition("## Troubles")[2].splitlines() if row.startswith("| ")][1:]


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_trouble_reads_as_the_program_says_it(trouble: str) -> None:
    pattern = ".*".join(re.escape(part.strip()) for part in trouble.split("…"))
    assert any(re.search(pattern, words, re.DOTALL) for words in SAID)


@pytest.mark.parametrize("label", sorted(set(re.findall(r"\*\*([^*]+)\*\*", GUIDE)) - {"Ringwright"}))
def test_a_label_is_one_of_the_programs(label: str) -> None:
    assert label in SAID or label.replace("Edit ", "Edit {count} ") in SAID


def test_every_photograph_is_there() -> None:
    pictures = re.findall(r"\]\((pictures/[^)]+)\)", GUIDE)
    assert len(pictures) >= 6
    assert not [picture for picture in pictures if not (ROOT / "docs" / picture).exists()]


def test_every_step_has_a_photograph() -> None:
    steps = re.split(r"^## \d", GUIDE, flags=re.MULTILINE)[1:]
    assert all("](pictures/" in step for step in steps)
