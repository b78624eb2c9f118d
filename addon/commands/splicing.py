"""`splice` and `stepdown`: join open rings, or bring one to another count."""

from __future__ import annotations

import argparse
from typing import Any

from ...core.adjacency import build_adjacency
from ...core.errors import MeshError
from ...core.mismatches import pair_rings
from ...core.ring_reduction import step_ring
from ...core.ring_splice import splice_rings
from ...core.rings import boundary_rings
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    splice = commands.add_parser("splice", help="join facing open rings with quads, with step-downs where counts differ")
    arguments.add_source(splice)
    arguments.add_out(splice)
    splice.add_argument("--pair", metavar="A,B", type=_pair, nargs="+", action="extend", dest="pairs",
                        help="open rings to join, numbered as `rings` prints them; without: all that face each other")
    splice.set_defaults(run=run_splice)
    stepdown = commands.add_parser("stepdown", help="bring one open ring to another edge count in the quads beside it")
    arguments.add_source(stepdown)
    stepdown.add_argument("--ring", metavar="K", type=int, required=True, help="open ring, numbered as `rings` prints it")
    stepdown.add_argument("--to", metavar="N", type=int, required=True, help="edges that it shall have")
    arguments.add_out(stepdown)
    stepdown.set_defaults(run=run_stepdown)


def run_splice(options: argparse.Namespace) -> int:
    """Join rings and write the mesh; returns the exit code."""
    from ..files import parse_source, read_mesh, write_mesh

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    adjacency = build_adjacency(mesh)
    rings = boundary_rings(mesh, adjacency)
    pairs = options.pairs or [(pair.fuller, pair.sparser) for pair in pair_rings(mesh, rings).pairs]
    if not pairs:
        raise MeshError(f"No two of the mesh's {rings.count} open rings face each other; name the rings to join with --pair A,B.")
    splice = splice_rings(mesh, adjacency, rings, pairs)
    write_mesh(options.out, splice.edit.mesh)
    for (first, second), join in zip(pairs, splice.joins, strict=True):
        sizes = f"{len(join.fuller)} to {len(join.sparser)} edges"
        print(f"rings {first} and {second}: {sizes}, {join.rows} rows, {len(join.three_poles)} step-downs")
    print(f"wrote {options.out}")
    return 0


def run_stepdown(options: argparse.Namespace) -> int:
    """Change one ring's count and write the mesh; returns the exit code."""
    from ..files import parse_source, read_mesh, write_mesh

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    adjacency = build_adjacency(mesh)
    loop = arguments.open_ring(mesh, adjacency, options.ring)
    change = step_ring(mesh, adjacency, loop, options.to)
    write_mesh(options.out, change.edit.mesh)
    print(f"ring {options.ring}: {len(loop)} to {len(change.ring)} edges in {change.rows} rows; wrote {options.out}")
    return 0


def _pair(text: str) -> tuple[int, int]:
    first, comma, second = text.partition(",")
    if not (comma and first.strip().isdigit() and second.strip().isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} is not two ring numbers with a comma between, such as 0,1")
    return int(first), int(second)
