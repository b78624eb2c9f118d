"""What `inspect` and `build` share over many files: jobs out of files and folders, progress, one table."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ...core.errors import FileError
from . import arguments

if TYPE_CHECKING:  # a run over one file needs none of what a batch does
    from ..batch import Job, Outcome

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


def absolute(source: str) -> str:
    """FILE[:OBJECT] from the root of the file system on: a job may run in another folder, or on another machine."""
    from ..files import parse_source

    path, object_name = parse_source(source)
    return f"{path.absolute()}:{object_name}" if object_name else str(path.absolute())


def file_of(source: str) -> str:
    """The file of FILE[:OBJECT], from the root of the file system on."""
    from ..files import parse_source

    return str(parse_source(source).path.absolute())


def is_batch(sources: Sequence[str], options: argparse.Namespace) -> bool:
    """Whether a command runs over several files.

    Raises FileError where it does and the outputs have no folder or one of a single file, or where it does not and has a scheduler.
    """
    several = len(sources) > 1 or any(Path(source).is_dir() for source in sources)
    if several and options.batch is None:
        raise FileError("Several files or a folder need a folder for their outputs; name one with --batch DIR.")
    if options.batch is None and options.scheduler:
        raise FileError("--scheduler takes the jobs of a batch; name a folder for the outputs with --batch DIR.")
    for word in ("json", "report", "out"):
        if options.batch is not None and getattr(options, word, None) is not None:
            raise FileError(f"--{word} names the output of a single file; in a batch every file has its outputs under {options.batch}.")
    return options.batch is not None


def inspect_jobs(sources: Sequence[str], options: argparse.Namespace) -> list[Job]:
    """One job for every mesh file, those in folders too.

    A target or plan that is a folder holds one for every mesh: the file of the mesh's own name.
    """
    from ..batch import Job

    found = [mesh for source in sources for mesh in (_meshes_in(Path(source)) if Path(source).is_dir() else [source])]
    jobs = []
    for name, mesh in zip(unique_names(found), found, strict=True):
        named = {"target": _own(options.target, mesh, KINDS), "plan": _own(options.plan, mesh, (".toml",))}
        files = {word: absolute(source) for word, source in named.items() if source is not None}
        shared = [part for word, source in files.items() for part in (f"--{word}", source)]
        shared += ["--fit", options.fit, *_profile(options), *(["--flex"] if options.flex else [])]
        outputs = _outputs(options.batch.absolute() / name)
        jobs.append(Job(name, ("inspect", absolute(mesh), *shared, *_arguments(outputs)),
                        (file_of(mesh), *map(file_of, files.values()), *_profile_file(options)), _files(outputs)))
    return jobs


def build_jobs(sources: Sequence[str], options: argparse.Namespace) -> list[Job]:
    """One job for every plan; in folders, for every folder that holds a plan and its target."""
    from ..batch import Job

    pairs: list[tuple[str, str]] = []
    for source in sources:
        pairs += _plans_in(Path(source)) if Path(source).is_dir() else [(source, _target_of(Path(source), options.target))]
    jobs = []
    for name, (plan, target) in zip(unique_names([str(Path(plan).parent) if Path(plan).name == PLAN else plan for plan, _ in pairs]),
                                    pairs, strict=True):
        outputs = {"out": options.batch.absolute() / name / f"cage{options.kind}", **_outputs(options.batch.absolute() / name)}
        shared = ["--fit", options.fit, *_profile(options), *(["--improve"] if options.improve else []),
                  *(["--keep-joints"] if options.keep_joints else [])]
        jobs.append(Job(name, ("build", str(Path(plan).absolute()), "--target", absolute(target), *shared, *_arguments(outputs)),
                        (str(Path(plan).absolute()), file_of(target), *_profile_file(options)), _files(outputs)))
    return jobs


def _outputs(place: Path) -> dict[str, Path]:
    return {"json": place / "inspection.json", "report": place / "report"}


def _arguments(outputs: Mapping[str, Path]) -> list[str]:
    return [part for word, path in outputs.items() for part in (f"--{word}", str(path))]


def _files(outputs: Mapping[str, Path]) -> tuple[str, ...]:
    """Every file that a job writes."""
    from ...core.report import ReportFiles

    single = [path for word, path in outputs.items() if word != "report"]
    return tuple(map(str, [*single, *vars(ReportFiles.within(outputs["report"])).values()]))


def _profile(options: argparse.Namespace) -> list[str]:
    """The profile's argument; a file from the root of the file system on."""
    if not options.profile:
        return []
    return ["--profile", *(_profile_file(options) or [options.profile])]


def _profile_file(options: argparse.Namespace) -> list[str]:
    """The profile's file, where it is a studio's own."""
    own = options.profile and options.profile not in arguments.profile_names()
    return [str(Path(options.profile).absolute())] if own else []


def _own(named: str | Path | None, mesh: str, kinds: Sequence[str]) -> str | None:
    """What a mesh is held against: what was named, or in a folder the file of the mesh's own name, whether it is there or not."""
    if named is None or not Path(named).is_dir():
        return None if named is None else str(named)
    stem = Path(file_of(mesh)).stem
    there = [path for path in (Path(named) / f"{stem}{kind}" for kind in kinds) if path.exists()]
    return str(there[0] if there else Path(named) / f"{stem}{kinds[0]}")


def run_jobs(jobs: Sequence[Job], options: argparse.Namespace) -> int:
    """Run jobs with progress on a terminal, print the table; returns the exit code of the worst."""
    from ..batch import run_batch, summary_table, worst_code

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
