"""Time of finding and measuring all rings and strips, per face and against a walk through the host's edit mesh in Python.

What is timed is ``find_rings``, the part of ``count_rings`` that the walk does as well; pairing the open rings that face
each other comes after it and has no counterpart in the walk. What the core tells besides, the walk's module names.
Run it alone on a quiet machine; every figure is the best of some runs, in processor seconds.
"""

from __future__ import annotations

import time
from collections.abc import Callable

# The host's module brings the others along, so it comes first.
# isort: off
import bpy
import bmesh
# isort: on
import numpy as np

from ringwright.core.adjacency import build_adjacency
from ringwright.core.polymesh import PolyMesh
from ringwright.core.ring_report import find_rings
from support.open_data import OpenDataMissing, load_whole_mesh
from support.random_meshes import grid_faces
from support.ring_walks import walked_boundaries, walked_edge_loops, walked_strips

SIZES = (136, 500, 1000)


def torus(side: int) -> PolyMesh:
    """A torus of side * side quads."""
    around, across = np.meshgrid(np.arange(side), np.arange(side), indexing="ij")
    first, second = 2 * np.pi * around / side, 2 * np.pi * across / side
    ring = 3.0 + np.cos(second)
    positions = np.stack([ring * np.cos(first), ring * np.sin(first), np.sin(second)], axis=-1).reshape(-1, 3)
    return PolyMesh.from_quads(positions, np.array(grid_faces(side, side, wrap_rows=True, wrap_columns=True)))


def best(work: Callable[[], object], runs: int = 3) -> float:
    """Least processor time of some runs, seconds."""
    times = []
    for _ in range(runs):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def walk(mesh: PolyMesh) -> float:
    """Processor seconds to find and measure boundary loops, edge loops and strips in the host's edit mesh."""
    data = bpy.data.meshes.new("bench")
    data.from_pydata(mesh.positions.tolist(), [], mesh.quads().tolist())
    edit = bmesh.new()
    edit.from_mesh(data)

    def walk_all() -> None:
        walked_boundaries(edit)
        walked_edge_loops(edit)
        walked_strips(edit)

    seconds = best(walk_all, 9 if mesh.face_count < 100_000 else 3)
    edit.free()
    return seconds


def compare(name: str, mesh: PolyMesh) -> None:
    """Print how much faster the core finds and measures a mesh's rings and strips than a walk does."""
    adjacency = build_adjacency(mesh)
    runs = 99 if mesh.face_count < 100_000 else 9
    alone, whole, walked = best(lambda: find_rings(mesh, adjacency), runs), best(lambda: find_rings(mesh), runs), walk(mesh)
    print(f"{name}, {mesh.face_count} quads: walked {1e3 * walked:.0f} ms, core {1e3 * whole:.1f} ms, {walked / whole:.1f} times faster, "
          f"{walked / alone:.1f} where the adjacency is at hand")


def main() -> None:
    """Print the figures."""
    try:
        compare("base mesh", load_whole_mesh())
    except OpenDataMissing as missing:
        print(f"base mesh left out: {missing}")
    compare("torus", torus(SIZES[-1]))
    per_face = {}
    for side in SIZES:
        mesh = torus(side)
        seconds = best(lambda mesh=mesh: find_rings(mesh), 99 if side == SIZES[0] else 9)
        per_face[side] = seconds / side**2
        print(f"{side * side:>9} quads: {1e6 * per_face[side]:.2f} us a face")
    print(f"time a face, largest to smallest mesh: {per_face[SIZES[-1]] / per_face[SIZES[0]]:.2f}")


if __name__ == "__main__":
    main()
