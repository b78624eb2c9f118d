"""PNG bytes against an independent decoder written from the format's description."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest

from ringwright.core.png import encode_png


def decode(data: bytes) -> np.ndarray:
    """Read a PNG of eight-bit colour whose rows use filter 0 or 2; every checksum is checked."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    place, body, size = 8, b"", (0, 0)
    while place < len(data):
        length, kind = struct.unpack(">I4s", data[place : place + 8])
        content = data[place + 8 : place + 8 + length]
        assert struct.unpack(">I", data[place + 8 + length : place + 12 + length])[0] == zlib.crc32(kind + content)
        if kind == b"IHDR":
            size = struct.unpack(">II", content[:8])
            assert content[8:] == bytes([8, 2, 0, 0, 0])
        body += content if kind == b"IDAT" else b""
        place += 12 + length
    width, height = size
    raw = np.frombuffer(zlib.decompress(body), dtype=np.uint8).reshape(height, 1 + 3 * width)
    image, above = np.empty((height, 3 * width), dtype=np.uint8), np.zeros(3 * width, dtype=np.uint8)
    for row in range(height):
        assert raw[row, 0] in (0, 2)
        above = raw[row, 1:] + (above if raw[row, 0] == 2 else 0)
        image[row] = above
    return image.reshape(height, width, 3)


@pytest.mark.parametrize("shape", [(1, 1, 3), (5, 9, 3), (64, 33, 3)])
def test_pixels_survive(shape: tuple[int, ...]) -> None:
    image = np.random.default_rng(1).integers(0, 256, size=shape, dtype=np.uint8)
    np.testing.assert_array_equal(decode(encode_png(image)), image)


@pytest.mark.parametrize("image", [np.zeros((0, 4, 3), np.uint8), np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3), np.float64)])
def test_other_arrays_are_refused(image: np.ndarray) -> None:
    with pytest.raises(ValueError, match="uint8"):
        encode_png(image)
