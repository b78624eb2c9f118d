"""Find coordinates that are not numbers in a file itself.

The host's importers for .ply and .glb move such a vertex to the origin without a word, so it has to
be found before they run. Only what is needed to find the positions is read: anything out of the
ordinary is left to the importer.
"""

from __future__ import annotations

import base64
import json
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

_PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_GLTF_FLOAT = 5126
_GLB_MAGIC = b"glTF"


def count_broken_positions(path: Path) -> int:
    """Number of vertices in a .ply, .glb or .gltf file with a coordinate that is not a finite number; 0 for other kinds."""
    readers = {".ply": _ply_positions, ".glb": _gltf_positions, ".gltf": _gltf_positions}
    reader = readers.get(path.suffix.lower())
    if reader is None:
        return 0
    return sum(int(np.count_nonzero(~np.isfinite(positions).all(axis=1))) for positions in reader(path))


def _ply_positions(path: Path) -> Iterator[npt.NDArray[Any]]:
    with path.open("rb") as file:
        lines: list[str] = []
        while not lines or lines[-1] != "end_header":
            line = file.readline(1024)
            if not line:
                return
            lines.append(line.decode("ascii", errors="replace").strip())
        words = [line.split() for line in lines if line]
        order = next((word[1] for word in words if word[0] == "format"), "")
        count, layout = _ply_vertex_layout(words, ">" if order == "binary_big_endian" else "<")
        if not layout or not {"x", "y", "z"} <= {name for name, _ in layout}:
            return
        if order == "ascii":
            columns = [[name for name, _ in layout].index(axis) for axis in "xyz"]
            yield np.loadtxt(file, max_rows=count, usecols=columns, ndmin=2)
        else:
            block = np.fromfile(file, dtype=np.dtype(layout), count=count)
            yield np.column_stack([block["x"], block["y"], block["z"]])


def _ply_vertex_layout(words: list[list[str]], order: str) -> tuple[int, list[tuple[str, str]]]:
    """Vertex count and the fields of a vertex; no fields where the vertices do not come first or hold lists."""
    elements = [index for index, word in enumerate(words) if word[0] == "element"]
    if not elements or words[elements[0]][1] != "vertex":
        return 0, []
    ends = [*elements[1:], len(words)]
    properties = [word for word in words[elements[0] : ends[0]] if word[0] == "property"]
    if any(word[1] not in _PLY_TYPES for word in properties):
        return 0, []
    return int(words[elements[0]][2]), [(word[2], order + _PLY_TYPES[word[1]]) for word in properties]


def _gltf_positions(path: Path) -> Iterator[npt.NDArray[Any]]:
    document, inner = _gltf_document(path)
    primitives = [primitive["attributes"] for mesh in document.get("meshes", []) for primitive in mesh["primitives"]]
    indices = {attributes["POSITION"] for attributes in primitives if "POSITION" in attributes}
    for accessor in (document["accessors"][index] for index in sorted(indices)):
        if accessor["componentType"] == _GLTF_FLOAT and "bufferView" in accessor:
            view = document["bufferViews"][accessor["bufferView"]]
            data = _gltf_buffer(document["buffers"][view["buffer"]], path, inner)
            start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
            yield np.ndarray((accessor["count"], 3), "<f4", data, start, (view.get("byteStride", 12), 4))


def _gltf_document(path: Path) -> tuple[dict[str, Any], bytes]:
    """The JSON part and, in a .glb file, the binary part."""
    content = path.read_bytes()
    if content[:4] != _GLB_MAGIC:
        return json.loads(content), b""
    (length,) = struct.unpack_from("<I", content, 12)
    return json.loads(content[20 : 20 + length]), content[20 + length + 8 :]


def _gltf_buffer(buffer: dict[str, Any], path: Path, inner: bytes) -> bytes:
    address = buffer.get("uri")
    if address is None:
        return inner
    if address.startswith("data:"):
        return base64.b64decode(address.partition(",")[2])
    return (path.parent / address).read_bytes()
