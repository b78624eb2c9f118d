"""`build`: from a limb plan and a target to a finished, inspected cage."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...core.adjacency import build_adjacency
from ...core.build import BuildResult, Progress, build_cage
from ...core.counted import counted
from ...core.errors import FileError
from ...core.expected import expected_of
from ...core.improve_moves import Proposals, all_moves, moves_of_counts
from ...core.outward import FlippedSurface
from ...core.plan import LimbPlan, format_plan, read_plan
from ...core.polymesh import PolyMesh
from ...core.profiles import Profile
from ...core.surface import Surface
from ..progress import TerminalProgress
from . import arguments, batching
from .inspecting import Asked, inspect_fit, tell, with_heat


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("build", help="limb plan and target to a finished cage; exit code 1 where a finding is an error")
    parser.add_argument("plan", metavar="PLAN or DIR", nargs="+", help="limb plan (TOML); with --batch several, and folders that hold "
                        f"folders with a {batching.PLAN} and a mesh file called {batching.TARGET}")
    arguments.add_target(parser, required=False)
    parser.add_argument("--out", metavar="FILE", type=Path, help="mesh file to write; its ending chooses the kind")
    parser.add_argument("--kind", metavar="ENDING", default=".blend", choices=batching.KINDS,
                        help="kind of the mesh files of a batch (default: %(default)s)")
    parser.add_argument("--improve", action="store_true",
                        help="try other rows, joints, joint loops, webs, sides and step-downs within the budget, and keep what bends "
                        "better")
    parser.add_argument("--keep-joints", action="store_true",
                        help="with --improve: change counts alone and leave every joint where the plan has it, as a rig needs it that "
                        "exists already")
    arguments.add_fit(parser)
    arguments.add_profile(parser)
    arguments.add_report(parser)
    arguments.add_json(parser)
    batching.add_batch(parser)
    parser.set_defaults(run=run_build)


def run_build(options: argparse.Namespace) -> int:
    """Build, write, inspect and tell; returns the exit code."""
    from ..files import parse_source, read_mesh, write_mesh
    from ..target_pieces import skin_surface

    profile = arguments.read_profile_named(options.profile)
    if options.keep_joints and not options.improve:
        raise FileError("--keep-joints says how --improve goes to work; give both or neither.")
    if batching.is_batch(options.plan, options):
        return batching.run_jobs(batching.build_jobs(options.plan, options), options)
    options.plan = Path(*options.plan)
    for word in ("target", "out"):
        if getattr(options, word) is None:
            raise FileError(f"A build needs --{word}; see ringwright build --help.")
    source = parse_source(options.target).path
    arguments.check_mesh_output(options.out, source)
    arguments.check_outputs([options.report, options.json], [options.plan, source, options.out])
    text = arguments.read_text(options.plan)
    plan = read_plan(text)
    with TerminalProgress() as progress:
        progress("Reading target", 0.0)
        target = read_mesh(options.target)
        with skin_surface(target) as (target, surface):
            if options.improve:
                built, text = improved(plan, surface, profile, moves_of_counts if options.keep_joints else all_moves, progress)
            else:
                built = build_cage(plan, surface, progress)
            if options.fit == "limit":
                progress("Fitting the subdivided surface", 1.0)
                built = limit_fitted(built, surface)
            progress("Inspecting", 1.0)
            inspected = inspect_fit(built.mesh, target, surface, replace(
                asked_of(built), profile=profile, measured=measured_of(built.mesh, options.fit)))
            if options.report:
                inspected = with_heat(inspected, surface)
        write_mesh(options.out, built.mesh, plan_text=text)
    words = {"Cage": str(options.out), "Target": options.target, "Limb plan": str(options.plan)}
    words |= {"Profile": options.profile} if options.profile else {}
    return tell(inspected, options, title=f"Cage {options.out.name}", unit=plan.unit, sources=words)


def improved(plan: LimbPlan, surface: Surface, profile: Profile, proposals: Proposals, progress: Progress) -> tuple[BuildResult, str]:
    """The cage that bends best within the budget, and its plan's text; tells what was changed."""
    from ...core.improve import improve

    found = improve(plan, surface, ranges=profile.joints, proposals=proposals, progress=progress)
    for change in found.changes:
        print(change)
    trials = counted(found.trials, "trial")
    print(f"bends improved by {counted(len(found.changes), 'change')} in {trials}: {found.gains()}" if found.changes else
          f"no better bends in {trials}")
    return found.result, format_plan(found.plan)


def limit_fitted(built: BuildResult, surface: Surface) -> BuildResult:
    """A built cage pushed outward so that its subdivided surface lies on the target; open ends stay."""
    from ...core.limit_fit import fit_limit

    facing = FlippedSurface(surface) if built.inside_out else surface
    fitted = fit_limit(built.mesh, facing, build_adjacency(built.mesh).boundary_vertex)
    return replace(built, mesh=built.mesh.with_positions(fitted.positions))


def measured_of(mesh: PolyMesh, fit: str) -> PolyMesh | None:
    """What must fit the target in place of the mesh itself; None: the mesh."""
    if fit != "limit":
        return None
    from ...core.limit_fit import limit_mesh

    return limit_mesh(mesh)


def asked_of(built: BuildResult) -> Asked:
    """What a built cage's plan asks of it."""
    return Asked(built.tally, built.zones, expected_of(built.plan), inside_out=built.inside_out)
