"""Time of counting all rings and strips, per face and against a walk through the host's edit mesh in Python.

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
from ringwright.core.ring_report import count_rings
from support.random_meshes import grid_faces
from support.ring_walks import walked_edge_loops, walked_strips

SIZES = (136, 500, 1000)
WALKED = 500


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
    """Processor seconds to find and measure loops and strips in the host's edit mesh."""
    data = bpy.data.meshes.new("bench")
    data.from_pydata(mesh.positions.tolist(), [], mesh.quads().tolist())
    edit = bmesh.new()
    edit.from_mesh(data)
    begin = time.process_time()
    walked_edge_loops(edit)
    walked_strips(edit)
    seconds = time.process_time() - begin
    edit.free()
    return seconds


def main() -> None:
    """Print the figures."""
    per_face = {}
    for side in SIZES:
        mesh = torus(side)
        adjacency = build_adjacency(mesh)
        alone = best(lambda mesh=mesh, adjacency=adjacency: count_rings(mesh, adjacency))
        whole = best(lambda mesh=mesh: count_rings(mesh))
        per_face[side] = whole / side**2
        print(f"{side * side:>9} quads: rings {1e6 * alone / side**2:.2f} us a face, with adjacency {1e6 * whole / side**2:.2f}")
        if side == WALKED:
            seconds = walk(mesh)
            print(f"{'':>9} walked: {1e6 * seconds / side**2:.2f} us a face; core {seconds / whole:.1f} times faster, "
                  f"{seconds / alone:.1f} where the adjacency is at hand")
    print(f"time a face, largest to smallest mesh: {per_face[SIZES[-1]] / per_face[SIZES[0]]:.2f}")


if __name__ == "__main__":
    main()
