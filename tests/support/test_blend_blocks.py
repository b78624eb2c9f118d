"""Digests of saved datablocks do not change with the addresses that the host draws, but with what they point at."""

from __future__ import annotations

import struct
from pathlib import Path

from support.blend_blocks import block_digests


def _file(path: Path, *, base: int, first: int = 0, values: bytes = b"12345678", unsaved: int = 2) -> Path:
    """A mesh block with a pointer to one of two arrays and one to something that is not saved, addresses counted from a base."""
    pointers = struct.pack("<QQ", base + 16 * first, base + 16 * unsaved)
    blocks = [(b"ME", 1 << 60, b"MESkin".ljust(16, b"\0") + pointers), (b"DATA", base, values), (b"DATA", base + 16, b"abcdefgh")]
    heads = (struct.pack("<4sIQqq", code, 0, address, len(content), 1) + content for code, address, content in blocks)
    path.write_bytes(b"BLENDER17-01v0502" + b"".join(heads))
    return path


def test_addresses_do_not_count_but_what_they_mean_does(tmp_path: Path) -> None:
    before = block_digests(_file(tmp_path / "a.blend", base=0x48E02B3658B3B2D0))
    assert set(before) == {"ME Skin"}
    assert block_digests(_file(tmp_path / "b.blend", base=0x627C83516F88D340)) == before
    assert block_digests(_file(tmp_path / "c.blend", base=0x48E02B3658B3B2D0, unsaved=7)) == before
    assert block_digests(_file(tmp_path / "d.blend", base=0x48E02B3658B3B2D0, first=1)) != before
    assert block_digests(_file(tmp_path / "e.blend", base=0x48E02B3658B3B2D0, values=b"12345679")) != before
