"""Pixels to a PNG file's bytes, with nothing but zlib (W3C, Portable Network Graphics, third edition)."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt


def encode_png(image: npt.NDArray[np.uint8]) -> bytes:
    """Encode a picture.

    image : (h, w, 3) uint8, red green blue, first row on top
    Every row is stored as its difference from the row above, which suits shaded pictures.
    """
    if image.dtype != np.uint8 or image.ndim != 3 or image.shape[2] != 3 or 0 in image.shape:
        raise ValueError(f"image must be (h, w, 3) uint8 with at least one pixel, got {image.shape} {image.dtype}")
    height, width = image.shape[:2]
    rows = image.reshape(height, width * 3)
    above = np.vstack([np.zeros((1, width * 3), dtype=np.uint8), rows[:-1]])
    filtered = np.hstack([np.full((height, 1), 2, dtype=np.uint8), rows - above])
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + _chunk(b"IDAT", zlib.compress(filtered.tobytes(), 7)) + _chunk(b"IEND", b"")


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
