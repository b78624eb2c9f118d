"""`inspect`: all findings about a mesh, about its fit to a target and about what a limb plan asks of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from . import arguments
from .inspecting import Inspected, finish_inspection, inspect_with_host


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("inspect", help="all findings: faces, poles, shape, fit; exit code 1 where one is an error")
    arguments.add_source(parser)
    arguments.add_target(parser, required=False)
    parser.add_argument("--plan", metavar="PLAN", type=Path, help="limb plan (TOML); without it the plan stored with the mesh in a .blend")
    arguments.add_report(parser)
    arguments.add_json(parser)
    parser.set_defaults(run=run_inspect)
