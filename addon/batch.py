"""Many jobs of the command line at once: each in a process of its own, resumable, none stops the others.

A job is the command line of one file. What it printed and how it ended is kept beside its outputs; a
second run takes that over where neither the job nor its files have changed.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path

from ..core.errors import RingwrightError
from ..core.junit import FileOutcome, batch_to_junit
from .written_beside import write_text

RESULT = "result.json"
SUMMARY = "summary.json"
SUMMARY_TESTS = "summary.xml"
REFUSED = 2
"""A job that crashed counts as refused: it has no output."""
PATIENCE = 10
"""Seconds in which a scheduler must answer."""
_START = "import sys; from {package}.command_line import main; sys.exit(main(sys.argv[1:]))"


class BatchError(RingwrightError):
    """A batch that cannot be run."""


@dataclass(frozen=True)
class Job:
    """One command.

    name : of its folder of outputs, unique in the batch
    arguments : of the command line, the command's name first
    inputs : files that it reads; where one changes, the job runs anew
    outputs : files that it writes; where one is gone, the job runs anew, and before it runs what is there of them goes
    """

    name: str
    arguments: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...] = ()


Stamp = Sequence[int | str]
"""Size, time stamp in nanoseconds and digest of a file."""


@dataclass(frozen=True)
class Outcome:
    """How a job ended.

    code : exit code; 0 fine, 1 findings of severity error, 2 refused or crashed
    said : first line of what it printed, or its error
    seconds : how long it took
    key : the program's version and the job's arguments
    files : input's name to its size, time stamp and digest when the job began; None where it was missing
    resumed : whether this was taken over from an earlier run
    """

    name: str
    code: int
    said: str
    seconds: float
    key: str
    files: Mapping[str, Stamp | None] = field(default_factory=dict)
    resumed: bool = False


Report = Callable[[Outcome], None]


def run_batch(jobs: Sequence[Job], folder: Path, *, workers: int, scheduler: str | None = None,
              report: Report = lambda outcome: None) -> list[Outcome]:
    """Run all jobs that have not ended well before, and write the summary.

    folder : of the outputs; job ``name`` writes to folder/name
    workers : processes at a time on this machine
    scheduler : address of a Dask scheduler that takes the jobs instead; its machines must see the same files
    report : told of every outcome as it comes
    Returns the outcomes in the order of the jobs.
    """
    folder.mkdir(parents=True, exist_ok=True)
    found: dict[str, Outcome] = {}
    waiting = []
    for job in jobs:
        earlier = read_outcome(folder / job.name)
        if earlier is not None and still_holds(earlier, job):
            found[job.name] = Outcome(**{**asdict(earlier), "resumed": True})
            report(found[job.name])
        else:
            waiting.append(job)
    run = run_on_scheduler(waiting, folder, scheduler) if scheduler else run_here(waiting, folder, workers)
    for outcome in run:
        found[outcome.name] = outcome
        report(outcome)
        _write_summary(folder, [found[job.name] for job in jobs if job.name in found])
    outcomes = [found[job.name] for job in jobs]
    _write_summary(folder, outcomes)
    return outcomes


def run_here(jobs: Sequence[Job], folder: Path, workers: int) -> Iterator[Outcome]:
    """Run jobs in processes on this machine, outcomes as they come; whoever stops early ends the processes too."""
    running: set[subprocess.Popen[str]] = set()
    with ThreadPoolExecutor(max_workers=max(1, workers)) as pool:
        tasks = [pool.submit(run_job, job, str(folder), host_command(), running) for job in jobs]
        try:
            for task in as_completed(tasks):
                yield task.result()
        finally:
            for task in tasks:
                task.cancel()
            for process in list(running):
                process.terminate()


def run_on_scheduler(jobs: Sequence[Job], folder: Path, address: str) -> Iterator[Outcome]:
    """Run jobs on the workers of a Dask scheduler; one whose worker dies goes to another.

    Raises BatchError where Dask is missing or the scheduler does not answer.
    """
    try:
        from distributed import Client
        from distributed import as_completed as completed
    except ImportError as error:
        raise BatchError("--scheduler needs Dask; install it with: pip install 'ringwright[dask]'.") from error
    try:
        client = Client(address, timeout=PATIENCE)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise BatchError(f"No Dask scheduler answers at {address}; check the address.") from error
    with client:
        tasks = {client.submit(run_job, job, str(folder.resolve()), pure=False, retries=2): job for job in jobs}
        for task in completed(tasks):  # type: ignore[no-untyped-call]
            if task.status == "finished":
                yield task.result()
            else:
                yield Outcome(tasks[task].name, REFUSED, f"lost on the scheduler: {task.exception()!r}", 0.0, "")


def run_job(job: Job, folder: str, command: Sequence[str] | None = None, running: set[subprocess.Popen[str]] | None = None) -> Outcome:
    """Run one job in a process and keep its outcome; never raises for what the job does.

    command : how the command line is started; None: by this Python
    running : holds the process while it runs
    """
    place = Path(folder) / job.name
    place.mkdir(parents=True, exist_ok=True)
    for name in job.outputs:  # what an earlier run left is of other inputs
        Path(name).unlink(missing_ok=True)
    stamps, begin = {name: _stamp(name) for name in job.inputs}, time.monotonic()
    code, said, wrong = _run([*(command or python_command()), *job.arguments], set() if running is None else running)
    if code not in (0, 1, REFUSED):
        wrong = wrong.strip() or f"crashed with exit code {code}"
        code = REFUSED
    words = (wrong if code == REFUSED else said).strip().splitlines() or ["nothing was said"]
    outcome = Outcome(job.name, code, words[-1 if code == REFUSED else 0].removeprefix("ringwright: "), time.monotonic() - begin,
                      key_of(job), stamps)
    write_text(place / "output.txt", said + wrong)
    write_text(place / RESULT, json.dumps(asdict(outcome), indent=1) + "\n")
    return outcome


def _run(command: Sequence[str], running: set[subprocess.Popen[str]]) -> tuple[int, str, str]:
    """Exit code and both texts of a command."""
    try:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, errors="replace")
    except OSError as error:
        return REFUSED, "", str(error)
    running.add(process)
    try:
        said, wrong = process.communicate()
    finally:
        running.discard(process)
    return process.returncode, said, wrong


def host_command() -> list[str]:
    """How this command line is started once more: by the same editor where it runs in one, else by this Python."""
    host = sys.modules.get("bpy")
    binary = str(host.app.binary_path) if host is not None else ""
    return [binary, "--background", "--command", "ringwright"] if binary else python_command()


def python_command() -> list[str]:
    """How the command line is started by this Python."""
    return [sys.executable, "-c", _START.format(package=__package__)]


def key_of(job: Job) -> str:
    """A text that changes where the job or the program does."""
    return "\n".join([program_version(), *job.arguments])


def still_holds(earlier: Outcome, job: Job) -> bool:
    """Whether an earlier outcome may stand for the job: it ended well, nothing has changed, nothing is gone."""
    return (earlier.code < REFUSED and earlier.key == key_of(job) and all(os.path.exists(name) for name in job.outputs)
            and all(_unchanged(name, earlier.files.get(name)) for name in job.inputs))


def _unchanged(name: str, stamp: Stamp | None) -> bool:
    """Whether a file is what it was; a fresh copy of it, as a checkout makes one, is."""
    try:
        status = os.stat(name)
        return stamp is not None and status.st_size == stamp[0] and (status.st_mtime_ns == stamp[1] or _digest(name) == stamp[2])
    except OSError:
        return False


def _stamp(name: str) -> Stamp | None:
    try:
        status = os.stat(name)
        return [status.st_size, status.st_mtime_ns, _digest(name)]
    except OSError:
        return None


def _digest(name: str) -> str:
    with open(name, "rb") as file:
        return hashlib.file_digest(file, "blake2b").hexdigest()


@cache
def program_version() -> str:
    """The version of this program."""
    manifest = Path(__file__).resolve().parents[1] / "blender_manifest.toml"
    return str(tomllib.loads(manifest.read_text(encoding="utf-8"))["version"])


def read_outcome(place: Path) -> Outcome | None:
    """The outcome that an earlier run kept, or None."""
    try:
        data = json.loads((place / RESULT).read_text(encoding="utf-8"))
        return Outcome(**data) if (place / "output.txt").exists() else None
    except (OSError, ValueError, TypeError):
        return None


def worst_code(outcomes: Sequence[Outcome]) -> int:
    """The exit code of the whole batch."""
    return max((outcome.code for outcome in outcomes), default=0)


def summary_table(outcomes: Sequence[Outcome]) -> str:
    """One line a job: how it ended, how long it took, what it said."""
    words = {0: "fine", 1: "findings", REFUSED: "refused"}
    width = max([len(outcome.name) for outcome in outcomes] + [4])
    lines = [f"{'name':<{width}}  {'ended':<8}  {'seconds':>7}  said"]
    for outcome in outcomes:
        took = "earlier" if outcome.resumed else f"{outcome.seconds:.1f}"
        lines.append(f"{outcome.name:<{width}}  {words[outcome.code]:<8}  {took:>7}  {outcome.said}")
    counts = ", ".join(f"{sum(outcome.code == code for outcome in outcomes)} {word}" for code, word in words.items())
    return "\n".join([*lines, f"{len(outcomes)} jobs: {counts}"])


def _write_summary(folder: Path, outcomes: Sequence[Outcome]) -> None:
    data = {"schema": "ringwright-batch", "version": 1, "jobs": [
        {key: value for key, value in asdict(outcome).items() if key not in ("key", "files")} for outcome in outcomes]}
    write_text(folder / SUMMARY, json.dumps(data, indent=1) + "\n")
    write_text(folder / SUMMARY_TESTS, batch_to_junit(folder.resolve().name, [
        FileOutcome(outcome.name, outcome.code, outcome.said, outcome.seconds) for outcome in outcomes]))
