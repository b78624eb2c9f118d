"""What the host would save, as bytes: to prove that nothing has changed, or to tell what has."""

from __future__ import annotations

import hashlib
import struct
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

WINDOW_CODES = {"WM", "SN", "WS", "GLOB", "REND", "DNA1", "ENDB", "TEST"}
"""Windows, screens and workspaces, which hold where the pointer is and how wide a panel stands; and the file's own head and tail."""


NEAR = np.uint64(4096)
"""A word so near to a block's address is an address, too: the host numbers what it does not save along with what it saves."""
NOWHERE = np.uint64(1)


@dataclass(frozen=True)
class Block:
    """One block of a saved file: whose data it is, the address that pointers to it bear, and its bytes."""

    owner: str
    address: int
    content: bytes


def block_digests(path: Path) -> dict[str, str]:
    """A digest of every datablock in a saved, uncompressed .blend file, by its code and name, with all data that belong to it.

    The file's layout: a short header, then blocks of code, length, address, type, count and bytes; a datablock comes first
    and its data follow as blocks of the code DATA (the host's developer documentation of the file format). Addresses only tell
    which block a pointer means, and the host draws them anew now and then, so a pointer counts as the place of its block among
    those of its datablock.
    """
    blocks = _blocks(path)
    owned: dict[str, list[Block]] = {}
    for block in blocks:
        owned.setdefault(block.owner, []).append(block)
    heads = [own[0] for own in owned.values()]
    found = {}
    for owner, own in owned.items():
        places = _places([*own, *heads])  # pointers mean the datablock's own data or other datablocks
        digest = hashlib.sha256()
        for block in own:
            digest.update(_without_addresses(block.content, places))
        found[owner] = digest.hexdigest()
    return {owner: digest for owner, digest in found.items() if owner}


def _blocks(path: Path) -> list[Block]:
    data = path.read_bytes()
    if data[:7] != b"BLENDER":
        raise ValueError(f"{path} is no uncompressed .blend file")
    old = data[7:8] in b"_-"
    place = 12 if old else int(data[7:9])
    blocks, owner = [], ""
    while place < len(data):
        code, length, address, place = _old_head(data, place) if old else _new_head(data, place)
        content = data[place : place + length]
        if code != "DATA":
            owner = "" if code in WINDOW_CODES else f"{code} {_name(content, code)}"
        blocks.append(Block(owner, address, content))
        place += length
    return blocks


def _places(blocks: list[Block]) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64]]:
    """Addresses in rising order and what stands for each: a number made of its block's owner and the block's place among the owner's."""
    counts: Counter[str] = Counter()
    stands: dict[int, int] = {}
    for block in blocks:
        place = f"{block.owner} {counts[block.owner]}"
        counts[block.owner] += 1
        stands.setdefault(block.address, int.from_bytes(hashlib.sha256(place.encode()).digest()[:8], "little"))
    addresses = np.array(sorted(stands), dtype=np.uint64)
    return addresses, np.array([stands[int(address)] for address in addresses], dtype=np.uint64)


def _without_addresses(content: bytes, places: tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64]]) -> bytes:
    """A block's bytes with what stands for the addresses in it, and one number for all that mean no block of the file."""
    addresses, stands = places
    words = np.frombuffer(content[: len(content) // 8 * 8], dtype=np.uint64).copy()
    after = np.clip(np.searchsorted(addresses, words), 1, len(addresses) - 1)
    gaps = np.minimum(_apart(words, addresses[after - 1]), _apart(words, addresses[after]))
    words[(gaps > 0) & (gaps < NEAR)] = NOWHERE
    known = gaps == 0
    words[known] = stands[np.searchsorted(addresses, words[known])]
    return words.tobytes() + content[len(words) * 8 :]


def _apart(words: npt.NDArray[np.uint64], others: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    return np.maximum(words, others) - np.minimum(words, others)


def _old_head(data: bytes, place: int) -> tuple[str, int, int, int]:
    """Code, length, address and place of a block's bytes, as files up to 4.5 have them."""
    code, length, address = struct.unpack_from("<4siQ", data, place)
    return code.rstrip(b"\0").decode(), length, address, place + 24


def _new_head(data: bytes, place: int) -> tuple[str, int, int, int]:
    """The same as files from 5.0 on have them."""
    code, _, address, length = struct.unpack_from("<4sIQq", data, place)
    return code.rstrip(b"\0").decode(), length, address, place + 32


def _name(block: bytes, code: str) -> str:
    """A datablock's name: in its first bytes, behind its own two-letter code."""
    start = block.find(code.encode())
    return block[start + 2 : block.find(b"\0", start)].decode(errors="replace")
