"""Outputs appear whole or not at all: written in a hidden folder beside their place, then moved there."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from ..core.errors import FileError

FULL = 5_000_000
"""Where a disk has fewer bytes left, this is taken for the reason why a file could not be written."""


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
            raise FileError(f"{target} could not be written: {failure_reason(error, folder)}; nothing was changed.") from error


@contextmanager
def made_folder(folder: Path) -> Iterator[None]:
    """A folder, made with those above it where they are missing; what was made goes again where the block fails.

    Raises FileError where it cannot be made.
    """
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    try:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise FileError(f"{folder} cannot be made: {system_reason(error)}; choose another folder.") from error
        yield
    except BaseException:
        for each in missing:
            if each.is_dir() and not any(each.iterdir()):
                each.rmdir()
        raise


def move_together(scratch: Path, files: Sequence[Path]) -> None:
    """Move files of a scratch folder beside it into their places, all of them or none.

    Raises FileError where one cannot be moved; files that stood there before are then there again.
    """
    kept = scratch / "before"
    moved: list[Path] = []
    try:
        kept.mkdir()
        for file in files:
            if file.exists():
                shutil.copy2(file, kept / file.name)
        for file in files:
            os.replace(scratch / file.name, file)
            moved.append(file)
    except OSError as error:
        for file in moved:
            if (kept / file.name).exists():
                os.replace(kept / file.name, file)
            else:
                file.unlink()
        raise FileError(f"{files[len(moved)]} cannot be written: {system_reason(error)}; no file was changed.") from error


def check_free(files: Sequence[Path]) -> None:
    """Check that no folder stands where a file shall be.

    Raises FileError where one does.
    """
    for file in files:
        if file.is_dir():
            raise FileError(f"{file} is a folder; give the files another name or folder.")


def failure_reason(error: Exception, folder: Path) -> str:
    """Why a host's writer failed: a full disk by its free space, since hosts tell it in words that mislead, else the error's own words."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return system_reason(error)
    return f"the disk has only {free / 1e6:.1f} MB left" if free < FULL else system_reason(error)


def write_text(target: Path, text: str) -> None:
    """Write a text file, UTF-8, whole or not at all."""
    with written_beside(target) as part:
        part.write_text(text, encoding="utf-8")


def system_reason(error: Exception) -> str:
    """The system's own words for what went wrong, in one line and without a path."""
    words = getattr(error, "strerror", None) or (str(error).strip() or type(error).__name__).splitlines()[-1]
    return words[:1].lower() + words[1:].rstrip(".")
