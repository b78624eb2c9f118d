"""`build`: from a limb plan and a target to a finished, inspected cage."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ...core.build import BuildResult, build_cage
from ...core.expected import expected_of
from ...core.plan import read_plan
from ..progress import TerminalProgress
from . import arguments
from .inspecting import Asked, inspect_fit, tell, with_heat


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("build", help="limb plan and target to a finished cage; exit code 1 where a finding is an error")
    parser.add_argument("plan", metavar="PLAN", type=Path, help="limb plan (TOML)")
    arguments.add_target(parser, required=True)
    arguments.add_out(parser)
    arguments.add_report(parser)
    arguments.add_json(parser)
    parser.set_defaults(run=run_build)


def run_build(options: argparse.Namespace) -> int:
    """Build, write, inspect and tell; returns the exit code."""
    from ..files import parse_source, read_mesh, write_mesh
    from ..host_surface import HostSurface

    source = parse_source(options.target).path
    arguments.check_mesh_output(options.out, source)
    arguments.check_outputs([options.report, options.json], [options.plan, source, options.out])
    text = arguments.read_text(options.plan)
    plan = read_plan(text)
    with TerminalProgress() as progress:
        progress("Reading target", 0.0)
        target = read_mesh(options.target)
        with HostSurface(target) as surface:
            built = build_cage(plan, surface, progress)
            progress("Inspecting", 1.0)
            inspected = inspect_fit(built.mesh, target, surface, asked_of(built))
            if options.report:
                inspected = with_heat(inspected, surface)
        write_mesh(options.out, built.mesh, plan_text=text)
    words = {"Cage": str(options.out), "Target": options.target, "Limb plan": str(options.plan)}
    return tell(inspected, options, title=f"Cage {options.out.name}", unit=plan.unit, sources=words)


def asked_of(built: BuildResult) -> Asked:
    """What a built cage's plan asks of it."""
    return Asked(built.tally, built.zones, expected_of(built.plan))
