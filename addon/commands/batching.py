"""What `inspect` and `build` share over many files: jobs out of files and folders, progress, one table."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from ...core.errors import FileError
from ..batch import Job, Outcome, run_batch, summary_table, worst_code

KINDS = (".blend", ".obj", ".ply", ".stl", ".glb", ".gltf", ".fbx")
"""Files that count as meshes in a folder."""
PLAN = "plan.toml"
TARGET = "target"
"""A folder with a plan of this name and a mesh file of this name is a job for `build`."""


def add_batch(parser: argparse.ArgumentParser) -> None:
    """Arguments of a run over many files."""
    parser.add_argument("--batch", metavar="DIR", type=Path, help="folder for the outputs of a run over several files or folders; "
                        "begun anew, it goes on where it was stopped")
    parser.add_argument("--jobs", metavar="N", type=int, default=max(1, os.cpu_count() or 1),
                        help="processes at a time (default: %(default)s)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="Dask scheduler that takes the jobs of a batch, such as tcp://host:8786")


def is_batch(sources: Sequence[str], options: argparse.Namespace) -> bool:
    """Whether a command runs over several files.

    Raises FileError where it does and the outputs have no folder, or where it does not and they have.
    """
    several = len(sources) > 1 or any(Path(source).is_dir() for source in sources)
    if several and options.batch is None:
        raise FileError("Several files or a folder need a folder for their outputs; name one with --batch DIR.")
    if options.batch is None and options.scheduler:
        raise FileError("--scheduler takes the jobs of a batch; name a folder for the outputs with --batch DIR.")
    return options.batch is not None


def inspect_jobs(sources: Sequence[str], options: argparse.Namespace) -> list[Job]:
    """One job for every mesh file, those in folders too."""
    shared: list[str] = []
    for word in ("target", "plan", "profile"):
        value = getattr(options, word, None)
        shared += [f"--{word}", str(value)] if value else []
    found = [mesh for source in sources for mesh in (_meshes_in(Path(source)) if Path(source).is_dir() else [source])]
    jobs = []
    for name, mesh in zip(unique_names(found), found, strict=True):
        place = options.batch / name
        outputs = ["--json", str(place / "inspection.json"), "--report", str(place / "report")]
        inputs = [mesh, *(str(value) for value in (options.target, options.plan) if value)]
        jobs.append(Job(name, ("inspect", mesh, *shared, *outputs), tuple(inputs)))
    return jobs


def build_jobs(sources: Sequence[str], options: argparse.Namespace) -> list[Job]:
    """One job for every plan; in folders, for every folder that holds a plan and its target."""
    pairs: list[tuple[str, str]] = []
    for source in sources:
        pairs += _plans_in(Path(source)) if Path(source).is_dir() else [(source, _target_of(Path(source), options.target))]
    jobs = []
    for name, (plan, target) in zip(unique_names([str(Path(plan).parent) if Path(plan).name == PLAN else plan for plan, _ in pairs]),
                                    pairs, strict=True):
        place = options.batch / name
        outputs = ["--out", str(place / f"cage{options.kind}"), "--json", str(place / "inspection.json"), "--report", str(place / "report")]
        shared = ["--fit", options.fit, *(["--profile", options.profile] if options.profile else [])]
        jobs.append(Job(name, ("build", plan, "--target", target, *shared, *outputs), (plan, target)))
    return jobs


def run_jobs(jobs: Sequence[Job], options: argparse.Namespace) -> int:
    """Run jobs with progress on a terminal, print the table; returns the exit code of the worst."""
    if not jobs:
        raise FileError("There is no file to work on in what was named; name mesh files, plans or folders that hold some.")
    done: list[Outcome] = []

    def told(outcome: Outcome) -> None:
        done.append(outcome)
        if sys.stderr.isatty():
            print(f"\r\033[K{len(done)}/{len(jobs)} {outcome.name}", end="", file=sys.stderr, flush=True)

    try:
        outcomes = run_batch(jobs, options.batch, workers=options.jobs, scheduler=options.scheduler, report=told)
    except OSError as error:
        raise FileError(f"{options.batch} cannot be written to ({error.strerror}); choose another folder.") from error
    finally:
        if sys.stderr.isatty():
            print("\r\033[K", end="", file=sys.stderr, flush=True)
    print(summary_table(outcomes))
    return worst_code(outcomes)


def unique_names(sources: Iterable[str]) -> list[str]:
    """A folder name for every source: its own name, with its folders' names before it where two are alike."""
    parts = [[_plain(part) for part in Path(source).parts if part not in ("/", ".", "..")] for source in sources]
    depth = [1] * len(parts)
    while True:
        names = ["-".join(part[-number:]) or "mesh" for part, number in zip(parts, depth, strict=True)]
        twice = [index for index, name in enumerate(names) if names.count(name) > 1 and depth[index] < len(parts[index])]
        if not twice:
            break
        for index in twice:
            depth[index] += 1
    return [name if names.index(name) == index else f"{name}-{index + 1}" for index, name in enumerate(names)]


def _plain(part: str) -> str:
    return re.sub(r"[^\w.+-]+", "_", part)


def _meshes_in(folder: Path) -> list[str]:
    return [str(path) for path in sorted(folder.rglob("*")) if path.suffix.lower() in KINDS and path.is_file()]


def _plans_in(folder: Path) -> list[tuple[str, str]]:
    plans = sorted(folder.rglob(PLAN))
    return [(str(plan), _target_of(plan, None)) for plan in plans]


def _target_of(plan: Path, named: str | None) -> str:
    """The target of a plan: the named one, else the mesh file called target beside the plan, whether it is there or not."""
    if named:
        return named
    there = [plan.with_name(TARGET + kind) for kind in KINDS if plan.with_name(TARGET + kind).exists()]
    return str(there[0] if there else plan.with_name(f"{TARGET}.obj"))
