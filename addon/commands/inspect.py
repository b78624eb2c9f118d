"""`inspect`: all findings about a mesh, about its fit to a target and about what a limb plan asks of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ...core.build import build_cage
from ...core.expected import expected_of
from ...core.plan import LimbPlan, read_plan
from . import arguments
from .build import asked_of
from .inspecting import Asked, Inspected, inspect_alone, inspect_fit, tell, with_heat


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("inspect", help="all findings: faces, poles, shape, fit; exit code 1 where one is an error")
    arguments.add_source(parser)
    arguments.add_target(parser, required=False)
    parser.add_argument("--plan", metavar="PLAN", type=Path,
                        help="limb plan (TOML); with a target it also gives the pole bound and the joints that poles must keep out of")
    arguments.add_report(parser)
    arguments.add_json(parser)
    parser.set_defaults(run=run_inspect)


def run_inspect(options: argparse.Namespace) -> int:
    """Inspect and tell; returns the exit code."""
    from ..files import parse_source

    sources = [parse_source(text).path for text in (options.mesh, options.target) if text]
    arguments.check_outputs([options.report, options.json], [*sources, options.plan])
    plan = read_plan(arguments.read_text(options.plan)) if options.plan else None
    named = {"Mesh": options.mesh, "Target": options.target, "Limb plan": options.plan}
    words = {word: str(name) for word, name in named.items() if name}
    return tell(_inspect(options, plan), options, title=f"Inspection of {sources[0].name}", unit=plan.unit if plan else "", sources=words)


def _inspect(options: argparse.Namespace, plan: LimbPlan | None) -> Inspected:
    from ..files import read_mesh
    from ..host_surface import HostSurface

    mesh = read_mesh(options.mesh)
    if not options.target:
        return inspect_alone(mesh, Asked(expectation=expected_of(plan)) if plan else Asked())
    target = read_mesh(options.target)
    with HostSurface(target) as surface:
        # what a plan asks depends on the girths in the target, so the plan is built once more
        asked = asked_of(build_cage(plan, surface)) if plan else Asked()
        inspected = inspect_fit(mesh, target, surface, asked)
        return with_heat(inspected, surface) if options.report else inspected
