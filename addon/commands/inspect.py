"""`inspect`: all findings about a mesh, about its fit to a target and about what a limb plan asks of it."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...core.build import build_cage
from ...core.errors import PlanError
from ...core.expected import expected_of
from ...core.findings import Expectation
from ...core.plan import LimbPlan, read_plan
from ...core.profiles import Profile
from . import arguments, batching
from .build import asked_of, measured_of
from .flexing import with_flex_test
from .inspecting import Asked, Inspected, inspect_alone, inspect_fit, tell, with_heat


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("inspect", help="all findings: faces, poles, shape, fit; exit code 1 where one is an error")
    parser.add_argument("mesh", metavar=f"{arguments.SOURCE} or DIR", nargs="+",
                        help="mesh file, or one object in it; with --batch several, and folders of them")
    arguments.add_target(parser, required=False)
    parser.add_argument("--plan", metavar="PLAN", type=Path,
                        help="limb plan (TOML); with a target it also gives the pole bound and the joints that poles must keep out of; "
                        "with --batch both may be folders that hold a file of each mesh's own name")
    parser.add_argument("--flex", action="store_true", help="bend every joint of the plan through its range and judge the bends; without "
                        "--plan that of the cage, which a .blend file keeps")
    arguments.add_fit(parser)
    arguments.add_profile(parser)
    arguments.add_report(parser)
    arguments.add_json(parser)
    batching.add_batch(parser)
    parser.set_defaults(run=run_inspect)


def run_inspect(options: argparse.Namespace) -> int:
    """Inspect and tell; returns the exit code."""
    from ..files import parse_source

    profile = arguments.read_profile_named(options.profile)
    if batching.is_batch(options.mesh, options):
        return batching.run_jobs(batching.inspect_jobs(options.mesh, options), options)
    (options.mesh,) = options.mesh
    sources = [parse_source(text).path for text in (options.mesh, options.target) if text]
    arguments.check_outputs([options.report, options.json], [*sources, options.plan])
    plan = _plan_of(options)
    named = {"Mesh": options.mesh, "Target": options.target, "Limb plan": options.plan}
    words = {word: str(name) for word, name in named.items() if name} | ({"Profile": options.profile} if options.profile else {})
    inspected = _inspect(options, plan, profile)
    if options.flex and plan is not None:
        inspected = with_flex_test(inspected, plan, profile)
    return tell(inspected, options, title=f"Inspection of {sources[0].name}", unit=plan.unit if plan else "", sources=words)


def _plan_of(options: argparse.Namespace) -> LimbPlan | None:
    """The plan that is named, or, where joints are to be bent, the one that a .blend file keeps with the cage."""
    from ..files import read_plan_text

    text = arguments.read_text(options.plan) if options.plan else read_plan_text(options.mesh) if options.flex else None
    if options.flex and text is None:
        raise PlanError(f"--flex bends the joints of a limb plan, and {options.mesh} keeps none; name one with --plan.")
    return None if text is None else read_plan(text)


def _inspect(options: argparse.Namespace, plan: LimbPlan | None, profile: Profile) -> Inspected:
    from ..files import read_mesh, read_mesh_file
    from ..target_pieces import skin_surface

    file = read_mesh_file(options.mesh)
    asked = Asked(expectation=expected_of(plan) if plan else Expectation(), profile=profile, objects=file.objects, uvs=file.uvs,
                  measured=measured_of(file.mesh, options.fit), loose_edges=file.loose_edges)
    if not options.target:
        return inspect_alone(file.mesh, asked)
    target = read_mesh(options.target)
    with skin_surface(target) as (target, surface):
        # what a plan asks depends on the girths in the target, so the plan is built once more
        of_plan = asked_of(build_cage(plan, surface)) if plan else asked
        inspected = inspect_fit(file.mesh, target, surface, replace(asked, tally=of_plan.tally, joint_zones=of_plan.joint_zones,
                                                                    expectation=of_plan.expectation, inside_out=of_plan.inside_out))
        return with_heat(inspected, surface) if options.report else inspected
