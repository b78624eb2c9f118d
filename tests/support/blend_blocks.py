"""What the host would save, as bytes: to prove that nothing has changed, or to tell what has."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

WINDOW_CODES = {"WM", "SN", "WS", "GLOB", "REND", "DNA1", "ENDB", "TEST"}
"""Windows, screens and workspaces, which hold where the pointer is and how wide a panel stands; and the file's own head and tail."""


def block_digests(path: Path) -> dict[str, str]:
    """A digest of every datablock in a saved, uncompressed .blend file, by its code and name, with all data that belong to it.

    The file's layout: a short header, then blocks of code, length, address, type, count and bytes; a datablock comes first
    and its data follow as blocks of the code DATA (the host's developer documentation of the file format).
    """
    data = path.read_bytes()
    if data[:7] != b"BLENDER":
        raise ValueError(f"{path} is no uncompressed .blend file")
    old = data[7:8] in b"_-"
    place = 12 if old else int(data[7:9])
    found: dict[str, hashlib._Hash] = {}
    owner = ""
    while place < len(data):
        code, length, place = _old_head(data, place) if old else _new_head(data, place)
        block = data[place : place + length]
        if code != "DATA":
            owner = "" if code in WINDOW_CODES else f"{code} {_name(block, code)}"
        if owner:
            found.setdefault(owner, hashlib.sha256()).update(block)
        place += length
    return {name: digest.hexdigest() for name, digest in found.items()}


def _old_head(data: bytes, place: int) -> tuple[str, int, int]:
    """Code, length and place of a block's bytes, as files up to 4.5 have them."""
    code, length = struct.unpack_from("<4si", data, place)
    return code.rstrip(b"\0").decode(), length, place + 24


def _new_head(data: bytes, place: int) -> tuple[str, int, int]:
    """The same as files from 5.0 on have them."""
    code, _, _, length = struct.unpack_from("<4sIQq", data, place)
    return code.rstrip(b"\0").decode(), length, place + 32


def _name(block: bytes, code: str) -> str:
    """A datablock's name: in its first bytes, behind its own two-letter code."""
    start = block.find(code.encode())
    return block[start + 2 : block.find(b"\0", start)].decode(errors="replace")
