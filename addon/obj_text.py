"""Write .obj files with every digit: the host's own exporter keeps six decimals, which would move a small mesh."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from ..core.polymesh import FloatArray, PolyMesh


def write_obj(part: Path, mesh: PolyMesh, name: str, uvs: FloatArray | None = None) -> None:
    """Write a mesh; nine digits hold the host's single precision exactly.

    uvs : (C, 2) float64, map coordinates of every corner
    """
    with part.open("w", encoding="utf-8", newline="\n") as file:
        file.write(f"o {name}\n")
        file.writelines(f"v {x:.9g} {y:.9g} {z:.9g}\n" for x, y, z in mesh.positions.tolist())
        corners = [str(corner) for corner in (mesh.corner_verts + 1).tolist()]
        if uvs is not None:
            file.writelines(f"vt {u:.9g} {v:.9g}\n" for u, v in uvs.tolist())
            corners = [f"{corner}/{index + 1}" for index, corner in enumerate(corners)]
        file.writelines(f"f {' '.join(corners[start:end])}\n" for start, end in pairwise(mesh.face_offsets.tolist()))
