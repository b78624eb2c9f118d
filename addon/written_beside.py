"""Outputs appear whole or not at all: written in a hidden folder beside their place, then moved there."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..core.errors import FileError


@contextmanager
def scratch_folder(target: Path) -> Iterator[Path]:
    """A hidden folder beside an output, removed at the end of the block.

    Raises FileError where the output's folder does not exist or cannot be written to.
    """
    try:
        folder = Path(tempfile.mkdtemp(prefix=".ringwright-", dir=target.parent))
    except OSError as error:
        advice = "choose a folder that exists and can be written to"
        raise FileError(f"{target} cannot be written: {system_reason(error)}; {advice}.") from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """Where to write the output; moved into its place, side files first, when the block ends well.

    Raises FileError where that fails; the old file is then still there.
    """
    with scratch_folder(target) as folder:
        part = folder / target.name
        try:
            yield part
            for written in sorted(folder.iterdir(), key=lambda file: file == part):
                os.replace(written, target.parent / written.name)
        except (OSError, RuntimeError) as error:
            raise FileError(f"{target} could not be written: {system_reason(error)}; nothing was changed.") from error


def write_text(target: Path, text: str) -> None:
    """Write a text file, UTF-8, whole or not at all."""
    with written_beside(target) as part:
        part.write_text(text, encoding="utf-8")


def system_reason(error: Exception) -> str:
    """The system's own words for what went wrong, in one line and without a path."""
    words = getattr(error, "strerror", None) or (str(error).strip() or type(error).__name__).splitlines()[-1]
    return words[:1].lower() + words[1:].rstrip(".")
