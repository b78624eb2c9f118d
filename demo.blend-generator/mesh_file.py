"""Writes a triangle mesh as a binary .ply file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt


def write_ply(path: Path, positions: npt.NDArray[np.floating[Any]], triangles: npt.NDArray[np.integer[Any]]) -> None:
    """Write (V, 3) positions as float32 and (T, 3) triangles as little-endian binary PLY."""
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(positions)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(triangles), dtype=[("size", "u1"), ("corners", "<i4", (3,))])
    faces["size"] = 3
    faces["corners"] = triangles
    with path.open("wb") as file:
        file.write(header.encode("ascii"))
        file.write(np.ascontiguousarray(positions, dtype="<f4").tobytes())
        file.write(faces.tobytes())
