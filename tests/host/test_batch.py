"""Batches: every file is worked on whatever becomes of the others, a second run goes on, the worst decides the exit code."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from ringwright.addon import batch
from ringwright.addon.batch import Job, run_batch, worst_code
from ringwright.addon.command_line import main, make_parser
from ringwright.addon.commands.batching import build_jobs, inspect_jobs, unique_names
from ringwright.addon.files import read_mesh, write_mesh
from ringwright.core.polymesh import PolyMesh
from support.shapes import capsule
from support.tubes import tube


@pytest.fixture
def meshes(tmp_path: Path) -> Path:
    """A sound tube, the same in a folder below, one with triangles, one that is no mesh, and a file of another kind."""
    folder = tmp_path / "meshes"
    (folder / "more").mkdir(parents=True)
    write_mesh(folder / "sound.obj", tube(8, 5, spacing=0.7))
    write_mesh(folder / "more" / "sound.obj", tube(12, 5, spacing=0.7))
    write_mesh(folder / "triangles.ply", PolyMesh.from_quads(tube(8, 5, spacing=0.7).positions, tube(8, 5, spacing=0.7).triangles()))
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
    cases = {case.get("name"): case for case in ElementTree.parse(out / "summary.xml").iter("testcase")}
    assert {name for name, case in cases.items() if case.find("error") is not None} == {"broken.stl"}
    assert {name for name, case in cases.items() if case.find("failure") is not None} == {"triangles.ply"} and set(cases) == set(codes)

    before = {name: (out / name / "inspection.json").stat().st_mtime_ns for name in codes if codes[name] < 2}
    write_mesh(meshes / "sound.obj", tube(10, 5, spacing=0.7))
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
                             ([str(meshes), "--batch", str(tmp_path / "out"), "--json", str(tmp_path / "a.json")], "--json names"),
                             ([str(meshes), "--batch", str(tmp_path / "out"), "--report", str(tmp_path / "a")], "--report names"),
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


def limb_folder(folder: Path, scale: float = 1.0) -> None:
    """A folder with the plan of a tail and its target."""
    folder.mkdir(parents=True)
    joints = [[0.0, 0.0, height * scale] for height in (0.3, 3.0, 6.0)]
    (folder / "plan.toml").write_text(f'schema = 1\n[[limb]]\nname = "tail"\njoints = {joints}\nsides = 8\ntip = "closed"\n')
    shape = capsule(radius=1.0, length=6.0, around=48, along=60)
    write_mesh(folder / "target.ply", PolyMesh.from_quads(shape.positions * scale, shape.triangles))


@pytest.fixture
def limbs(tmp_path: Path) -> Path:
    """Two plans with targets, in folders of different depth, one plan that cannot be built, one without a target."""
    folder = tmp_path / "limbs"
    limb_folder(folder / "tail")
    limb_folder(folder / "sea" / "fin", 0.5)
    limb_folder(folder / "odd")
    (folder / "odd" / "plan.toml").write_text((folder / "odd" / "plan.toml").read_text().replace("sides = 8", "sides = 7"))
    limb_folder(folder / "lost")
    (folder / "lost" / "target.ply").unlink()
    return folder


def ended(out: Path) -> dict[str, tuple[int, bool]]:
    """Job name to exit code and whether it was taken over."""
    return {job["name"]: (job["code"], job["resumed"]) for job in json.loads((out / "summary.json").read_text())["jobs"]}


def test_build_a_folder(limbs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two cages come out whole whatever the others do; mended plans are built by the next run, and nothing is built twice."""
    out = tmp_path / "cages"
    command = ["build", str(limbs), "--batch", str(out), "--jobs", "2", "--kind", ".obj", "--profile", "game"]
    assert main(command) == 2
    said = capsys.readouterr().out
    assert "4 jobs: 2 fine, 0 findings, 2 refused" in said and "sides" in said and "Traceback" not in said
    assert ended(out) == {"tail": (0, False), "fin": (0, False), "odd": (2, False), "lost": (2, False)}
    for name, scale in (("tail", 1.0), ("fin", 0.5)):
        cage = read_mesh(out / name / "cage.obj")
        assert (cage.face_sizes == 4).all() and np.ptp(cage.positions[:, 0]) == pytest.approx(2.0 * scale, rel=0.02)
        data = json.loads((out / name / "inspection.json").read_text())
        assert data["passed"] and data["profile"]["about"].startswith("A mesh for real-time") and data["deviation"]
        assert (out / name / "report" / "report.html").exists()
    for name in ("odd", "lost"):
        assert {path.name for path in (out / name).iterdir()} == {"output.txt", "result.json"}

    limb_plan = limbs / "odd" / "plan.toml"
    limb_plan.write_text(limb_plan.read_text().replace("sides = 7", "sides = 6"))
    (limbs / "lost" / "plan.toml").unlink()
    (out / "fin" / "cage.obj").unlink()
    assert main(command) == 0
    assert ended(out) == {"tail": (0, True), "fin": (0, False), "odd": (0, False)}
    assert (out / "fin" / "cage.obj").exists()


def test_what_no_longer_holds_does_not_stay(meshes: Path, tmp_path: Path) -> None:
    """A file that was fine and is broken now has no report that says it is fine."""
    out, mesh = tmp_path / "out", meshes / "sound.obj"
    command = ["inspect", str(mesh), "--batch", str(out)]
    assert main(command) == 0 and (out / "sound.obj" / "report" / "report.xml").exists()
    mesh.write_text("not a mesh any more")
    assert main(command) == 2
    assert not (out / "sound.obj" / "report" / "report.xml").exists() and not (out / "sound.obj" / "inspection.json").exists()


def jobs_of(*words: str | Path) -> list[Job]:
    options = make_parser().parse_args([str(word) for word in words])
    return inspect_jobs(options.mesh, options) if words[0] == "inspect" else build_jobs(options.plan, options)


def test_every_option_reaches_the_jobs(limbs: Path, meshes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths from the root on: a job may run in another folder or on another machine."""
    own = tmp_path / "own.toml"
    own.write_text("schema = 1\n")
    monkeypatch.chdir(tmp_path)
    built = jobs_of("build", "limbs/tail", "--batch", "out", "--fit", "limit", "--improve", "--keep-joints",
                    "--profile", "own.toml")[0]
    assert built.arguments == ("build", str(limbs / "tail" / "plan.toml"), "--target", str(limbs / "tail" / "target.ply"), "--fit", "limit",
                               "--profile", str(own), "--improve", "--keep-joints", "--out", str(tmp_path / "out/tail/cage.blend"),
                               "--json", str(tmp_path / "out/tail/inspection.json"), "--report", str(tmp_path / "out/tail/report"))
    assert set(built.inputs) == {str(limbs / "tail" / "plan.toml"), str(limbs / "tail" / "target.ply"), str(own)}
    inspected = jobs_of("inspect", "meshes/sound.obj", "--batch", "out", "--flex", "--profile", "film", "--fit", "limit", "--target",
                        "limbs/tail/target.ply:tail", "--plan", "limbs/tail/plan.toml")[0]
    assert inspected.arguments[:11] == ("inspect", str(meshes / "sound.obj"), "--target", str(limbs / "tail" / "target.ply") + ":tail",
                                       "--plan", str(limbs / "tail" / "plan.toml"), "--fit", "limit", "--profile", "film", "--flex")
    assert set(inspected.inputs) == {str(meshes / "sound.obj"), str(limbs / "tail" / "target.ply"), str(limbs / "tail" / "plan.toml")}
    for job in (built, inspected):
        make_parser().parse_args(job.arguments)


@pytest.mark.slow
def test_each_mesh_has_its_own_target_and_plan(tmp_path: Path) -> None:
    """Folders in place of one target and one plan: the file of the mesh's own name; one that is missing is that job's own fault."""
    for name in ("arm", "leg"):
        (tmp_path / "cages").mkdir(exist_ok=True)
        (tmp_path / "sculpts").mkdir(exist_ok=True)
        write_mesh(tmp_path / "cages" / f"{name}.obj", tube(8, 5, spacing=0.7))
    write_mesh(tmp_path / "sculpts" / "arm.ply", tube(64, 5, spacing=0.7))
    arm, leg = jobs_of("inspect", tmp_path / "cages", "--batch", tmp_path / "out", "--target", tmp_path / "sculpts")
    assert str(tmp_path / "sculpts" / "arm.ply") in arm.arguments and str(tmp_path / "sculpts" / "leg.blend") in leg.arguments
    assert main(["inspect", str(tmp_path / "cages"), "--batch", str(tmp_path / "out"), "--target", str(tmp_path / "sculpts")]) == 2
    assert {name: code for name, (code, _) in ended(tmp_path / "out").items()} == {"arm.obj": 0, "leg.obj": 2}
    assert json.loads((tmp_path / "out" / "arm.obj" / "inspection.json").read_text())["deviation"] is not None


@pytest.mark.parametrize("change", ["input", "profile", "arguments", "program", "output"])
def test_a_job_runs_anew_where_anything_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str) -> None:
    monkeypatch.setattr(batch, "host_command", lambda: [sys.executable, "-c", "import sys; open(sys.argv[1], 'w').write('made')"])
    out, mesh, profile = tmp_path / "out", tmp_path / "mesh", tmp_path / "profile"
    mesh.write_text("mesh")
    profile.write_text("profile")
    made = out / "job" / "made"
    job = Job("job", (str(made),), (str(mesh), str(profile)), (str(made),))
    assert [outcome.resumed for _ in range(2) for outcome in run_batch([job], out, workers=1)] == [False, True]
    if change in ("input", "profile"):
        {"input": mesh, "profile": profile}[change].write_text("changed")
    if change == "arguments":
        job = Job("job", (str(made), "more"), job.inputs, job.outputs)
    if change == "program":
        monkeypatch.setattr(batch, "program_version", lambda: "another")
    if change == "output":
        made.unlink()
    assert [outcome.resumed for _ in range(2) for outcome in run_batch([job], out, workers=1)] == [False, True]


def test_a_fresh_copy_of_the_same_file_is_no_change(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A checkout writes every file anew; what is in it counts. The same size with other content is a change."""
    monkeypatch.setattr(batch, "host_command", lambda: [sys.executable, "-c", "print('fine')"])
    mesh, out = tmp_path / "mesh", tmp_path / "out"
    job = Job("job", ("inspect",), (str(mesh),))
    resumed = []
    for content, time_stamp in (("mesh", 1), ("mesh", 2), ("hsem", 3), ("hsem", 3)):
        mesh.write_text(content)
        os.utime(mesh, (time_stamp, time_stamp))
        resumed += [outcome.resumed for outcome in run_batch([job], out, workers=1)]
    assert resumed == [False, True, False, True]


@pytest.mark.slow
def test_an_interrupted_batch_ends_its_processes_and_goes_on_later(tmp_path: Path) -> None:
    """Half of the jobs are quick and done, the others hang: told to end, the batch ends them and keeps what is done."""
    script = ("import sys; from pathlib import Path; from ringwright.addon import batch\n"
              "from ringwright.addon.batch import Job, run_batch\n"
              "from ringwright.addon.command_line import _stoppable\n"
              "job = 'import os, sys, time, pathlib; place = pathlib.Path(sys.argv[1]); place.write_text(str(os.getpid())); '\n"
              "job += 'time.sleep(600 if \"hang\" in place.name else 0)'\n"
              "batch.host_command = lambda: [sys.executable, '-c', job]\n"
              "jobs = [Job(name, (str(Path(sys.argv[1]) / name),), ()) for name in ('a', 'b', 'hang-c', 'hang-d', 'e')]\n"
              "with _stoppable():\n"
              "    run_batch(jobs, Path(sys.argv[1]) / 'out', workers=2)\n")
    begun = subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stderr=subprocess.DEVNULL)
    hanging = [tmp_path / "hang-c", tmp_path / "hang-d"]
    limit = time.monotonic() + 60
    while not all(path.exists() and path.read_text() for path in hanging):
        assert time.monotonic() < limit and begun.poll() is None
        time.sleep(0.05)
    begun.send_signal(signal.SIGTERM)
    begun.wait(timeout=60)
    for path in hanging:
        with pytest.raises(ProcessLookupError):
            os.kill(int(path.read_text()), 0)
    assert set(ended(tmp_path / "out")) == {"a", "b"}
    assert not (tmp_path / "e").exists()


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
    distributed, psutil = pytest.importorskip("distributed"), pytest.importorskip("psutil")
    folder = tmp_path / "out"
    files = [str(tmp_path / f"{number}.obj") for number in range(6)]
    jobs = [Job(f"mesh-{number}", ("inspect", file, "--json", str(folder / f"mesh-{number}" / "inspection.json")), (file,))
            for number, file in enumerate(files)]
    for number in range(6):
        write_mesh(tmp_path / f"{number}.obj", tube(6 + 2 * number, 5, spacing=0.7))
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        victim = psutil.Process(next(iter(cluster.workers.values())).process.pid)
        killed_at_work = []

        def kill() -> None:
            while not victim.children():
                time.sleep(0.02)
            killed_at_work.extend(victim.children())
            os.kill(victim.pid, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        outcomes = run_batch(jobs, folder, workers=1, scheduler=cluster.scheduler_address)
        killer.join()
        assert killed_at_work and not victim.is_running()
    assert [outcome.name for outcome in outcomes] == [job.name for job in jobs]
    assert [outcome.code for outcome in outcomes] == [0] * 6
    for job in jobs:
        assert json.loads((folder / job.name / "inspection.json").read_text())["passed"] is True


def test_missing_scheduler_is_refused(tmp_path: Path, meshes: Path, capsys: pytest.CaptureFixture[str],
                                      monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(batch, "PATIENCE", 0.5)
    command = ["inspect", str(meshes), "--batch", str(tmp_path / "out"), "--scheduler", "tcp://127.0.0.1:9"]
    assert main(command) == 2
    assert "No Dask scheduler answers" in capsys.readouterr().err
