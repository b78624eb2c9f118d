"""`patch`: fill holes with quads."""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np

from ...core.adjacency import build_adjacency
from ...core.errors import MeshError
from ...core.holes import find_holes
from ...core.patch import fill_mesh_loop
from ...core.rings import boundary_loops
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("patch", help="fill holes with quads")
    arguments.add_source(parser)
    arguments.add_out(parser)
    parser.add_argument("--loop", metavar="K", type=int, nargs="+", action="extend", dest="loops",
                        help="open rings to fill, numbered as `rings` prints them; without: every hole")
    parser.set_defaults(run=run_patch)


def run_patch(options: argparse.Namespace) -> int:
    """Fill loops and write the mesh; returns the exit code."""
    from ..files import parse_source, read_mesh, write_mesh

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    adjacency = build_adjacency(mesh)
    loops = boundary_loops(mesh, adjacency)
    chosen = options.loops or np.flatnonzero(find_holes(mesh, adjacency, loops)).tolist()
    if not chosen:
        raise MeshError(f"None of the mesh's {len(loops)} open rings is a hole; name the ones to fill with --loop K.")
    if len(set(chosen)) < len(chosen):
        raise MeshError("A ring is named twice; name every ring to fill once.")
    rings = [arguments.open_ring(mesh, adjacency, number) for number in chosen]
    said = []
    for number, ring in zip(chosen, rings, strict=True):
        filled = fill_mesh_loop(mesh, ring)  # old vertices keep their numbers, so the other rings stay what they are
        said.append(f"ring {number}: {len(ring)} edges filled with {filled.face_count - mesh.face_count} quads")
        mesh = filled
    write_mesh(options.out, mesh)
    print("\n".join([*said, f"wrote {options.out}"]))
    return 0
