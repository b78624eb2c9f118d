"""What the host would save now."""

from __future__ import annotations

import tempfile
from pathlib import Path

import bpy

from .blend_blocks import block_digests


def saved_bytes() -> dict[str, str]:
    """A digest of every datablock in the host, from a copy of the file that is saved and thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "state.blend"
        bpy.ops.wm.save_as_mainfile(filepath=str(path), copy=True, compress=False)
        return block_digests(path)
