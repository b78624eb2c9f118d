"""`settle`: relax a mesh along the target and project it."""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np

from ...core.adjacency import build_adjacency
from ...core.limit_fit import fit_limit
from ...core.mirror_plane import world_plane
from ...core.settle import check_settled
from ...core.settle_region import facing, settle_region
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("settle", help="relax a quad mesh along the target and project it")
    arguments.add_source(parser)
    arguments.add_target(parser, required=True)
    arguments.add_out(parser)
    parser.add_argument("--pin", choices=["boundary"], help="what stays where it is")
    parser.add_argument("--spacing", choices=["kept", "even"], default="kept",
                        help="rows keep the proportions that they were laid with, or come to lie evenly (default: %(default)s)")
    parser.add_argument("--plane", choices=["x", "y", "z"], help="vertices in this plane through the origin stay in it")
    arguments.add_fit(parser)
    parser.set_defaults(run=run_settle)


def run_settle(options: argparse.Namespace) -> int:
    """Settle and write the mesh; returns the exit code."""
    from ..edited_blend import write_moved
    from ..files import parse_source, read_mesh
    from ..target_pieces import skin_surface

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh, target = read_mesh(options.mesh), read_mesh(options.target)
    before = mesh
    plane = world_plane(options.plane) if options.plane else None
    even = np.ones(mesh.vertex_count) if options.spacing == "even" else None
    with skin_surface(target) as (_, surface):
        everywhere = np.ones(mesh.vertex_count, dtype=np.bool_)
        settled = settle_region(mesh, surface, everywhere, pin_boundary=bool(options.pin), plane=plane, freedom=even)
        check_settled(settled)
        mesh = mesh.with_positions(settled.positions)
        if options.fit == "limit":
            fitted = fit_limit(mesh, facing(surface, mesh), build_adjacency(mesh).boundary_vertex)
            mesh = mesh.with_positions(fitted.positions)
    bare = write_moved(options.out, options.mesh, before, mesh.positions)
    bridged = f", {len(settled.over_holes)} vertices over holes of the target" if len(settled.over_holes) else ""
    if options.fit == "limit":
        print(f"subdivided surface off the target by {fitted.before:.3g} before and {fitted.after:.3g} after the fit, on average")
    said = arguments.BARE if bare else ""
    print(f"settled in {settled.steps} steps, still by {settled.movement:.2%} of an edge{bridged}; wrote {options.out}{said}")
    return 0
