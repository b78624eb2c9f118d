"""`inspect`: all findings about a mesh and about its fit to a target."""

from __future__ import annotations

import argparse
from typing import Any

from . import arguments
from .inspecting import Asked, Inspected, inspect_alone, inspect_fit, tell


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("inspect", help="all findings: faces, poles, shape, fit; exit code 1 where one is an error")
    arguments.add_source(parser)
    arguments.add_target(parser, required=False)
    arguments.add_report(parser)
    arguments.add_json(parser)
    parser.set_defaults(run=run_inspect)


def run_inspect(options: argparse.Namespace) -> int:
    """Inspect and tell; returns the exit code."""
    from ..files import parse_source

    sources = [parse_source(text) for text in (options.mesh, options.target) if text]
    arguments.check_outputs([options.report, options.json], [source.path for source in sources])
    words = {"Mesh": options.mesh, **({"Target": options.target} if options.target else {})}
    return tell(_inspect(options), options, title=f"Inspection of {sources[0].path.name}", unit="", sources=words)


def _inspect(options: argparse.Namespace) -> Inspected:
    from ..files import read_mesh
    from ..host_surface import HostSurface

    mesh = read_mesh(options.mesh)
    if not options.target:
        return inspect_alone(mesh, Asked())
    target = read_mesh(options.target)
    with HostSurface(target) as surface:
        return inspect_fit(mesh, target, surface, Asked())
