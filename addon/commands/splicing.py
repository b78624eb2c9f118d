"""`splice` and `stepdown`: join open rings, or bring one to another count."""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np

from ...core.adjacency import build_adjacency
from ...core.counted import counted
from ...core.errors import MeshError
from ...core.mismatches import RingPair, pair_rings
from ...core.placement_costs import MOST_POLE_DISTANCE, POLE_DISTANCE, WAYS, bending_costs, joint_bending
from ...core.plan import ROWS_RANGE
from ...core.polymesh import FloatArray, PolyMesh
from ...core.ring_reduction import step_ring
from ...core.ring_splice import splice_rings
from ...core.rings import Rings, boundary_rings
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    splice = commands.add_parser("splice", help="join facing open rings with quads, with step-downs where counts differ")
    arguments.add_source(splice)
    arguments.add_out(splice)
    splice.add_argument("--pair", metavar="A,B", type=_pair, nargs="+", action="extend", dest="pairs",
                        help="open rings to join, numbered as `rings` prints them; without: all that face each other")
    _add_step_down_options(splice)
    splice.set_defaults(run=run_splice)
    stepdown = commands.add_parser("stepdown", help="bring one open ring to another edge count in the quads beside it")
    arguments.add_source(stepdown)
    stepdown.add_argument("--ring", metavar="K", type=int, required=True, help="open ring, numbered as `rings` prints it")
    stepdown.add_argument("--to", metavar="N", type=int, required=True, help="edges that it shall have")
    arguments.add_out(stepdown)
    _add_step_down_options(stepdown)
    stepdown.set_defaults(run=run_stepdown)


def _add_step_down_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rows", metavar="N", type=int, help=f"rows of quads for step-downs, 1 to {ROWS_RANGE[1]}; without: chosen")
    parser.add_argument("--hidden", metavar="SIDE", type=_way,
                        help=f"side on which step-downs show least: {', '.join(WAYS)}, or a direction such as 0,-1,0")
    parser.add_argument("--keep-clear", metavar="GROUP", dest="keep_clear",
                        help="vertex group (.blend) or number per vertex, 0 to 1, of an area that bends; rings that a plan gathered round "
                             "joints are kept clear anyway")
    parser.add_argument("--pole-distance", metavar="EDGES", type=int, default=POLE_DISTANCE, dest="pole_distance",
                        help="edges to keep from existing poles where there is room (default: %(default)s)")


def _check_step_down_options(options: argparse.Namespace) -> None:
    if options.rows is not None and not 1 <= options.rows <= ROWS_RANGE[1]:
        raise MeshError(f"--rows must be 1 to {ROWS_RANGE[1]}, not {options.rows}.")
    if not 0 <= options.pole_distance <= MOST_POLE_DISTANCE:
        raise MeshError(f"--pole-distance must be 0 to {MOST_POLE_DISTANCE} edges, not {options.pole_distance}.")


def _bending(options: argparse.Namespace, mesh: PolyMesh) -> FloatArray:
    """Cost of step-downs at every vertex where the place bends, (V,)."""
    from ..files import read_weights

    bending = joint_bending(mesh)
    if options.keep_clear:
        own = mesh.attributes.get(f"vertex.{options.keep_clear}")
        named = read_weights(options.mesh, options.keep_clear) if own is None else np.asarray(own, dtype=np.float64)
        if named.shape != bending.shape:
            raise MeshError(f'"{options.keep_clear}" is not one number for every vertex; name a vertex group or such an attribute.')
        bending = np.maximum(bending, np.clip(named, 0.0, 1.0))
    return bending_costs(bending)


def run_splice(options: argparse.Namespace) -> int:
    """Join rings and write the mesh; returns the exit code."""
    from ..edited_blend import write_edited
    from ..files import parse_source, read_mesh

    _check_step_down_options(options)
    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    adjacency = build_adjacency(mesh)
    rings = boundary_rings(mesh, adjacency)
    pairs, left = (options.pairs, ()) if options.pairs else _facing_pairs(mesh, rings)
    splice = splice_rings(mesh, adjacency, rings, pairs, rows=options.rows, hidden=options.hidden, vertex_cost=_bending(options, mesh),
                          pole_distance=options.pole_distance)
    bare = write_edited(options.out, options.mesh, mesh, splice.edit)
    for (first, second), join in zip(pairs, splice.joins, strict=True):
        sizes = f"{len(join.fuller)} to {len(join.sparser)} edges"
        steps = counted(len(join.three_poles), "step-down")
        print(f"rings {first} and {second}: {sizes}, {counted(join.rows, 'row')}, {steps}")
    for pair in left:
        print(f"rings {pair.fuller} and {pair.sparser} stay open: {pair.sentence()}")
    print(f"wrote {options.out}{arguments.BARE if bare else ''}")
    return 0


def _facing_pairs(mesh: PolyMesh, rings: Rings) -> tuple[list[tuple[int, int]], tuple[RingPair, ...]]:
    """The rings to join where none are named, and the pairs that no splice can join."""
    found = pair_rings(mesh, rings)
    if not found.pairs:
        raise MeshError(f"No two of the mesh's open rings ({rings.count}) face each other; name the rings to join with --pair A,B.")
    if not found.joinable:
        raise MeshError(f"Rings {found.odd[0].fuller} and {found.odd[0].sparser}: {found.odd[0].sentence()}")
    return [(pair.fuller, pair.sparser) for pair in found.joinable], found.odd


def run_stepdown(options: argparse.Namespace) -> int:
    """Change one ring's count and write the mesh; returns the exit code."""
    from ..edited_blend import write_edited
    from ..files import parse_source, read_mesh

    _check_step_down_options(options)
    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    adjacency = build_adjacency(mesh)
    loop = arguments.open_ring(mesh, adjacency, options.ring)
    change = step_ring(mesh, adjacency, loop, options.to, rows=options.rows, hidden=options.hidden, bending_cost=_bending(options, mesh),
                       pole_distance=options.pole_distance)
    bare = write_edited(options.out, options.mesh, mesh, change.edit)
    print(f"ring {options.ring}: {len(loop)} to {len(change.ring)} edges in {counted(change.rows, 'row')}")
    print(f"wrote {options.out}{arguments.BARE if bare else ''}")
    return 0


def _way(text: str) -> tuple[float, ...]:
    if text.lower() in WAYS:
        return WAYS[text.lower()]
    try:
        way = tuple(float(word) for word in text.split(","))
    except ValueError:
        way = ()
    if len(way) != 3 or not np.isfinite(way).all() or not any(way):
        raise argparse.ArgumentTypeError(f"{text!r} is no side: write {', '.join(WAYS)}, or three numbers such as 0,-1,0")
    return way


def _pair(text: str) -> tuple[int, int]:
    first, comma, second = text.partition(",")
    if not (comma and first.strip().isdigit() and second.strip().isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} is not two ring numbers with a comma between, such as 0,1")
    return int(first), int(second)
