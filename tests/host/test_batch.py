"""Batches: every file is worked on whatever becomes of the others, a second run goes on, the worst decides the exit code."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from ringwright.addon import batch
from ringwright.addon.batch import Job, run_batch, worst_code
from ringwright.addon.command_line import main
from ringwright.addon.commands.batching import unique_names
from ringwright.addon.files import write_mesh
from ringwright.core.polymesh import PolyMesh


def tube(sides: int = 8, rings: int = 5) -> PolyMesh:
    angle = 2 * np.pi * np.arange(sides) / sides
    positions = np.column_stack([np.tile(np.cos(angle), rings), np.tile(np.sin(angle), rings), np.repeat(0.7 * np.arange(rings), sides)])
    ring, side = np.divmod(np.arange((rings - 1) * sides), sides)
    after = (side + 1) % sides
    return PolyMesh.from_quads(positions, np.column_stack(
        [ring * sides + side, ring * sides + after, (ring + 1) * sides + after, (ring + 1) * sides + side]))


@pytest.fixture
def meshes(tmp_path: Path) -> Path:
    """A sound tube, the same in a folder below, one with triangles, one that is no mesh, and a file of another kind."""
    folder = tmp_path / "meshes"
    (folder / "more").mkdir(parents=True)
    write_mesh(folder / "sound.obj", tube())
    write_mesh(folder / "more" / "sound.obj", tube(12))
    write_mesh(folder / "triangles.ply", PolyMesh.from_quads(tube().positions, tube().triangles()))
    (folder / "broken.stl").write_bytes(b"solid nothing to see")
    (folder / "notes.txt").write_text("not a mesh")
    return folder


def test_inspect_a_folder(meshes: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    command = ["inspect", str(meshes), "--batch", str(out), "--jobs", "2"]
    assert main(command) == 2
    table = capsys.readouterr().out
    assert "4 jobs: 2 fine, 1 findings, 1 refused" in table and "Traceback" not in table
    summary = json.loads((out / "summary.json").read_text())
    codes = {job["name"]: job["code"] for job in summary["jobs"]}
    assert codes == {"broken.stl": 2, "meshes-sound.obj": 0, "more-sound.obj": 0, "triangles.ply": 1}
    for name in ("meshes-sound.obj", "more-sound.obj", "triangles.ply"):
        assert json.loads((out / name / "inspection.json").read_text())["passed"] is (codes[name] == 0)
        assert {path.name for path in (out / name / "report").iterdir()} == {"report.html", "report.json", "report.xml", "picture.png"}

    before = {name: (out / name / "inspection.json").stat().st_mtime_ns for name in codes if codes[name] < 2}
    write_mesh(meshes / "sound.obj", tube(10))
    (meshes / "broken.stl").unlink()
    assert main(command) == 1
    assert "3 jobs: 2 fine, 1 findings, 0 refused" in capsys.readouterr().out
    after = {name: (out / name / "inspection.json").stat().st_mtime_ns for name in before}
    changed = {name for name in before if before[name] != after[name]}
    assert changed <= {"meshes-sound.obj", "sound.obj"} and "more-sound.obj" not in changed


def test_what_makes_no_batch_is_refused(meshes: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    for arguments, words in (([str(meshes)], "--batch DIR"), ([str(meshes / "sound.obj")] * 2, "--batch DIR"),
                             ([str(empty), "--batch", str(tmp_path / "out")], "no file to work on"),
                             ([str(meshes / "sound.obj"), "--scheduler", "tcp://127.0.0.1:1"], "--batch DIR"),
                             ([str(meshes), "--batch", str(meshes / "notes.txt")], "cannot be written"),
                             ([str(meshes / "sound.obj"), "--profile", "cinema"], "no profile 'cinema'")):
        assert main(["inspect", *arguments]) == 2
        said = capsys.readouterr().err
        assert words in said and said.count("\n") == 1


def test_profile_changes_the_exit_code(meshes: Path, tmp_path: Path) -> None:
    mesh = str(meshes / "triangles.ply")
    assert main(["inspect", mesh]) == 1
    assert main(["inspect", mesh, "--profile", "game"]) == 0
    own = tmp_path / "own.toml"
    own.write_text('schema = 1\n[limits]\nmost_open_ends = 0\n[severity]\ntriangles = "off"\n')
    assert main(["inspect", mesh, "--profile", str(own)]) == 1


def test_a_crash_is_one_lost_job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    script = "import os, sys; os.abort() if 'b' in sys.argv else print('ok')"
    monkeypatch.setattr(batch, "host_command", lambda: [sys.executable, "-c", script])
    jobs = [Job(name, (name,), ()) for name in "abc"]
    outcomes = run_batch(jobs, tmp_path, workers=2)
    assert [outcome.code for outcome in outcomes] == [0, 2, 0] and worst_code(outcomes) == 2
    again = run_batch(jobs, tmp_path, workers=2)
    assert [outcome.resumed for outcome in again] == [True, False, True]


def test_names_are_unique() -> None:
    assert unique_names(["/a/x.obj", "/b/x.obj", "/b/y z.obj"]) == ["a-x.obj", "b-x.obj", "y_z.obj"]
    assert len(set(unique_names(["x.obj", "x.obj", "./x.obj"]))) == 3


@pytest.mark.slow
def test_a_scheduler_loses_nothing_when_a_worker_dies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Six jobs on two worker processes of a local cluster; one worker is killed while it is at work."""
    distributed = pytest.importorskip("distributed")
    folder, sign = tmp_path / "out", tmp_path / "begun"
    sign.mkdir()
    files = [str(tmp_path / f"{number}.obj") for number in range(6)]
    jobs = [Job(f"mesh-{number}", ("inspect", file, "--json", str(folder / f"mesh-{number}" / "inspection.json")), (file,))
            for number, file in enumerate(files)]
    for number in range(6):
        write_mesh(tmp_path / f"{number}.obj", tube(6 + 2 * number))
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        victim = next(iter(cluster.workers.values())).process.pid

        def kill() -> None:
            while not list(folder.glob("*")):
                time.sleep(0.05)
            time.sleep(0.5)
            os.kill(victim, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        outcomes = run_batch(jobs, folder, workers=1, scheduler=cluster.scheduler_address)
        killer.join()
    assert [outcome.name for outcome in outcomes] == [job.name for job in jobs]
    assert [outcome.code for outcome in outcomes] == [0] * 6
    for job in jobs:
        assert json.loads((folder / job.name / "inspection.json").read_text())["passed"] is True


def test_missing_scheduler_is_refused(tmp_path: Path, meshes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("distributed")
    command = ["inspect", str(meshes), "--batch", str(tmp_path / "out"), "--scheduler", "tcp://127.0.0.1:9"]
    assert main(command) == 2
    assert "No Dask scheduler answers" in capsys.readouterr().err
