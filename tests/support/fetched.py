"""Folders to fetch into: what is fetched goes to its place whole, whichever of two runs at once (one a host) is first."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def folder_beside(place: Path) -> Iterator[Path]:
    """A new folder in the one that a place lies in, gone afterwards with whatever has not been moved out of it."""
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="unfinished-", dir=place.parent) as folder:
        yield Path(folder)
