"""What the host would save now."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import bpy

from .blend_blocks import block_digests


def saved_bytes() -> dict[str, str]:
    """A digest of every datablock in the host, from a copy of the file that is saved and thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "state.blend"
        bpy.ops.wm.save_as_mainfile(filepath=str(path), copy=True, compress=False)
        return block_digests(path)


def until_quiet() -> Iterator[float]:
    """Seconds to wait, one after the other, until what was changed has been worked off and two savings in a row are alike."""
    last: dict[str, str] = {}
    for _ in range(30):
        now = saved_bytes()
        if now == last:
            return
        last = now
        yield 0.5
