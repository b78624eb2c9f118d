"""Every command of docs/batch.md runs as it stands there and leaves what the page says."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import ringwright
from ringwright.addon.commands.arguments import profile_names
from ringwright.addon.files import write_mesh
from ringwright.core.findings import CHECKS, Limits
from ringwright.core.polymesh import PolyMesh
from support.shapes import capsule
from support.tubes import tube

GUIDE = (Path(ringwright.__path__[0]) / "docs" / "batch.md").read_text(encoding="utf-8")
BLOCKS: list[tuple[str, str]] = re.findall(r"```([a-z -]*)\n(.*?)```", GUIDE, flags=re.DOTALL)


def blocks(kind: str) -> list[str]:
    return [text for name, text in BLOCKS if name == kind]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The guide's folders."""
    folder = tmp_path_factory.mktemp("studio")
    shape = capsule(radius=1.0, length=6.0, around=48, along=60)
    plan = '[[limb]]\nname = "tail"\njoints = [[0, 0, 0.3], [0, 0, 3], [0, 0, 6]]\nsides = 8\ntip = "closed"\n'
    for name in ("arm", "tail"):
        (folder / "limbs" / name).mkdir(parents=True)
        (folder / "limbs" / name / "plan.toml").write_text("schema = 1\n" + plan)
        write_mesh(folder / "limbs" / name / "target.ply", PolyMesh.from_quads(*shape))
    (folder / "meshes").mkdir()
    (folder / "sculpts").mkdir()
    sound = tube(12, 7)
    first, *others = sound.quads().tolist()
    write_mesh(folder / "meshes" / "arm.obj", PolyMesh.from_faces(sound.positions, [*others, first[:3], [first[0], first[2], first[3]]]))
    write_mesh(folder / "meshes" / "tail.obj", sound)
    for name in ("arm", "tail"):
        write_mesh(folder / "sculpts" / f"{name}.ply", tube(96, 7, spacing=float(sound.positions[12, 2])))
    (profile,) = blocks("toml")
    (folder / "studio.toml").write_text(profile)
    return folder


def run(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A block of the guide in a shell, where ``ringwright`` and ``python`` are those of the tests."""
    paths = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    return subprocess.run(["bash", "-c", script], cwd=folder, env={**os.environ, "PATH": paths}, capture_output=True, text=True,
                          check=False)


@pytest.mark.slow
def test_every_command_runs(place: Path) -> None:
    done = [(script, run(script, place)) for script in blocks("sh")]
    for script, ended in done:
        assert ended.returncode in (0, 1) and not re.search("Traceback|ringwright:", ended.stderr), (script, ended)
    codes = [ended.returncode for _, ended in done]
    assert codes == [1, 0, 1, 1, 0, 0]  # a quad of arm.obj is cut into triangles
    assert {path.name for path in (place / "report").iterdir()} == {"report.html", "report.json", "report.xml", "picture.png"}
    assert {path.name for path in (place / "cages").iterdir()} == {"arm", "tail", "summary.json", "summary.xml"}
    assert (place / "cages" / "tail" / "cage.obj").exists()
    for name in ("inspection.json", "output.txt", "report"):
        assert (place / "out" / "arm.obj" / name).exists()
    fit = json.loads((place / "fit" / "tail.obj" / "inspection.json").read_text())
    assert fit["deviation"] is not None and fit["passed"]
    assert "2 jobs: 1 fine, 1 findings, 0 refused" in done[3][1].stdout
    assert "earlier" in done[4][1].stdout  # the same batch once more
    assert [line.split()[:2] for line in done[5][1].stdout.splitlines()] == [["arm.obj", "False"], ["tail.obj", "True"]]


@pytest.fixture
def scheduler(place: Path) -> Iterator[None]:
    """The guide's scheduler and workers."""
    pytest.importorskip("distributed")
    (script,) = blocks("sh dask")
    commands = [[sys.executable, "-m", *shlex.split(line)] for line in script.splitlines()]
    begun = [subprocess.Popen(command, cwd=place, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for command in commands]
    try:
        yield
    finally:
        for process in reversed(begun):
            process.terminate()
        for process in begun:
            process.wait(timeout=30)


@pytest.mark.slow
def test_the_scheduler_takes_the_jobs(place: Path, scheduler: None) -> None:
    (script,) = blocks("sh needs-scheduler")
    limit = time.monotonic() + 120
    while "No Dask scheduler answers" in (ended := run(script, place)).stderr and time.monotonic() < limit:
        time.sleep(1)
    assert ended.returncode == 1 and "2 jobs: 1 fine, 1 findings, 0 refused" in ended.stdout, ended


def test_the_guide_names_every_limit_and_profile() -> None:
    assert all(f"`{name}`" in GUIDE for name in (*Limits.__dataclass_fields__, *profile_names()))
    in_brackets = set(re.findall(r"\(`([a-z_]+)`\)", GUIDE))
    assert in_brackets <= set(CHECKS)


def test_the_guide_says_the_defaults() -> None:
    limits = Limits()
    for row in re.findall(r"^\| (`[a-z_0-9`, ]+`) \|.*\| ([^|]+) \|$", GUIDE, flags=re.MULTILINE):
        names, said = re.findall(r"`([a-z_0-9]+)`", row[0]), row[1].split(", ")
        if all(name in Limits.__dataclass_fields__ for name in names):
            values = [getattr(limits, name) for name in names]
            assert said == (["not judged"] if values == [None] * len(values) else said)
            assert said == ["not judged"] or [float(word) for word in said] == values, names
