"""The command line: exit codes, one line for what a user can cause, inputs untouched, no partial output."""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import ringwright
from ringwright.addon import command_line, files
from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh, write_mesh
from ringwright.core.polymesh import PolyMesh
from support.shapes import capsule, cylinder

PROGRAM = [sys.executable, "-c", "import sys; from ringwright.addon.command_line import main; sys.exit(main())"]


def open_tube(sides: int = 8, rows: int = 6, *, radius: float = 1.3) -> PolyMesh:
    """A quad tube along z, open at both ends, wider than the target that it is to settle on."""
    turns = np.arange(sides) * 2 * np.pi / sides
    ring = np.column_stack([radius * np.cos(turns), radius * np.sin(turns), np.zeros(sides)])
    positions = np.concatenate([ring + [0, 0, 0.5 + 3.0 * row / rows] for row in range(rows + 1)])
    lower = np.arange(sides * rows).reshape(rows, sides)
    after = np.roll(lower, -1, axis=1)
    return PolyMesh.from_quads(positions, np.stack([lower, after, after + sides, lower + sides], axis=-1).reshape(-1, 4))


@pytest.fixture
def cage(tmp_path: Path) -> Path:
    path = tmp_path / "cage.obj"
    write_mesh(path, open_tube())
    return path


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "target.ply"
    write_mesh(path, PolyMesh.from_quads(*cylinder(radius=1.0, length=4.0)))
    return path


def digests(folder: Path) -> dict[str, str]:
    """A checksum of every file in a folder, hidden ones too."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.is_file()}


class Refusal:
    """What a refused command must look like."""

    def __init__(self, folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capfd = folder, capfd

    def __call__(self, *arguments: object) -> str:
        before, listing = digests(self.folder), sorted(os.listdir(self.folder))
        self.capfd.readouterr()
        assert main([str(argument) for argument in arguments]) == 2
        said = self.capfd.readouterr()
        assert said.out == ""
        assert said.err.startswith("ringwright: ")
        assert said.err.count("\n") == 1
        assert "Traceback" not in said.err
        assert digests(self.folder) == before
        assert sorted(os.listdir(self.folder)) == listing
        return said.err


@pytest.fixture
def refused(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> Refusal:
    return Refusal(tmp_path, capfd)


def test_rings(cage: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["rings", str(cage), "--json", str(tmp_path / "rings.json")]) == 0
    said = capfd.readouterr()
    assert "open ring 0: 8 edges" in said.out
    assert said.err == ""
    data = json.loads((tmp_path / "rings.json").read_text())
    assert [ring["edges"] for ring in data["open_rings"]] == [8, 8]
    assert len(data["closed_loops"]) == 5


@pytest.mark.parametrize("suffix", [".blend", ".obj", ".ply", ".glb"])
def test_settle(suffix: str, cage: Path, target: Path, tmp_path: Path) -> None:
    before = digests(tmp_path)
    out = tmp_path / f"out{suffix}"
    assert main(["settle", str(cage), "--target", str(target), "--out", str(out)]) == 0
    after = digests(tmp_path)
    after.pop(out.name)
    assert after == before
    settled = read_mesh(out)
    assert settled.vertex_count == open_tube().vertex_count
    radius = np.hypot(settled.positions[:, 0], settled.positions[:, 1])
    if suffix == ".glb":
        radius = np.sort(radius)
    assert np.abs(radius - 1.0).max() < 5e-3


def test_settle_pins_the_boundary(cage: Path, target: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.obj"
    assert main(["settle", str(cage), "--target", str(target), "--out", str(out), "--pin", "boundary"]) == 0
    before, after = read_mesh(cage).positions, read_mesh(out).positions
    ends = np.r_[:8, 48:56]
    np.testing.assert_array_equal(after[ends], before[ends])
    assert np.abs(after - before).max() > 0.2


def test_an_output_may_replace_its_input_when_it_is_named_so(cage: Path, target: Path) -> None:
    assert main(["settle", str(cage), "--target", str(target), "--out", str(cage)]) == 0
    assert np.hypot(*read_mesh(cage).positions[:, :2].T).max() < 1.01


def test_wrong_arguments(refused: Refusal) -> None:
    assert "COMMAND" in refused()
    assert "invalid choice: 'reticulate'" in refused("reticulate")
    assert "required" in refused("rings")
    assert "Unrecognized arguments: --wrong" in refused("rings", "a.obj", "--wrong")
    assert "--pin" in refused("settle", "a.obj", "--target", "b.obj", "--out", "c.obj", "--pin", "everything")


def test_help(capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    assert "rings" in capfd.readouterr().out


def test_bad_inputs(refused: Refusal, cage: Path, target: Path, tmp_path: Path) -> None:
    empty, rubbish, points, broken = (tmp_path / name for name in ("empty.obj", "rubbish.ply", "points.obj", "broken.ply"))
    empty.touch()
    rubbish.write_bytes(bytes(range(256)))
    points.write_text("v 0 0 0\nv 1 0 0\n")
    mesh = open_tube()
    positions = mesh.positions.copy()
    positions[3] = np.nan
    write_mesh(broken, mesh.with_positions(positions))
    out = tmp_path / "out.obj"
    assert "no such file" in refused("rings", tmp_path / "none.obj")
    assert "is empty" in refused("rings", empty)
    assert "broken" in refused("rings", rubbish)
    assert "points.obj" in refused("rings", points)
    assert "not numbers" in refused("settle", cage, "--target", broken, "--out", out)
    assert "no mesh object named 'Arm'" in refused("settle", f"{cage}:Arm", "--target", target, "--out", out)
    assert "ending" in refused("rings", tmp_path / "mesh.xyz")


def test_outputs_are_checked_before_any_work(refused: Refusal, cage: Path, target: Path, tmp_path: Path,
                                             monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise AssertionError("worked before it knew whether it can write")

    monkeypatch.setattr(files, "read_mesh", fail)
    assert "cannot be written" in refused("settle", cage, "--target", target, "--out", tmp_path / "none" / "out.obj")
    assert "ending" in refused("settle", cage, "--target", target, "--out", tmp_path / "out.xyz")
    assert "is a folder" in refused("settle", cage, "--target", target, "--out", _folder(tmp_path / "out.obj"))
    assert "cannot be written" in refused("rings", cage, "--json", tmp_path / "none" / "out.json")
    assert "is an input" in refused("rings", cage, "--json", cage)


def _folder(path: Path) -> Path:
    path.mkdir()
    return path


def test_a_blend_that_may_hold_more_is_not_replaced(refused: Refusal, target: Path, tmp_path: Path) -> None:
    cage = tmp_path / "cage.blend"
    write_mesh(cage, open_tube())
    assert "may hold more" in refused("settle", f"{cage}:cage", "--target", target, "--out", cage)


def test_a_fault_of_our_own_keeps_its_traceback(cage: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(files, "read_mesh", fail)
    with pytest.raises(ZeroDivisionError):
        main(["rings", str(cage)])


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_run_leaves_no_trace(number: int, cage: Path, target: Path, tmp_path: Path) -> None:
    """A process that is interrupted while it writes ends with 130, one line, and the folder as it was."""
    before = digests(tmp_path)
    code = (
        "import sys, time\n"
        "from ringwright.addon import command_line, files\n"
        "def slow(part, *_):\n"
        "    part.write_bytes(b'half'); print('writing', flush=True); time.sleep(60)\n"
        "files.write_obj = slow\n"
        f"sys.exit(command_line.main(['settle', {str(cage)!r}, '--target', {str(target)!r}, '--out', {str(tmp_path / 'out.obj')!r}]))\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert "writing\n" in iter(process.stdout.readline, "")  # the host may greet first
    assert any(path.name.startswith(".ringwright-") for path in tmp_path.iterdir())
    time.sleep(0.1)
    process.send_signal(number)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 130
    assert errors == "ringwright: interrupted; no output was left half written.\n"
    assert digests(tmp_path) == before
    assert not [path for path in tmp_path.iterdir() if path.is_dir()]


def test_signal_handlers_come_back(cage: Path) -> None:
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    main(["rings", str(cage)])
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


def test_as_a_process(cage: Path, tmp_path: Path) -> None:
    fine = subprocess.run([*PROGRAM, "rings", str(cage)], capture_output=True, text=True, check=False)
    assert (fine.returncode, fine.stderr) == (0, "")
    assert "open ring 1: 8 edges" in fine.stdout
    refused = subprocess.run([*PROGRAM, "rings", str(tmp_path / "none.obj")], capture_output=True, text=True, check=False)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert refused.stderr.count("\n") == 1


def test_register_and_unregister(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    """The host gets one command, and after unregister() has none of ours left."""
    import bpy

    held: list[object] = []
    monkeypatch.setattr(bpy.utils, "register_cli_command", lambda name, run: held.append((name, run)) or held[-1])
    monkeypatch.setattr(bpy.utils, "unregister_cli_command", held.remove)
    for _ in range(2):
        ringwright.register()
        assert held == [("ringwright", command_line.main)]
        ringwright.unregister()
        assert held == []


def test_registers_with_the_host_itself() -> None:
    for _ in range(2):
        ringwright.register()
        ringwright.unregister()


def test_capsule_is_no_open_ring(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "capsule.stl"
    write_mesh(path, PolyMesh.from_quads(*capsule()))
    assert main(["rings", str(path)]) == 0
    assert capfd.readouterr().out.startswith("0 open rings")


def two_tubes(lower: int, upper: int) -> PolyMesh:
    """Two quad tubes, one above the other with a gap between."""
    first, second = open_tube(lower, radius=1.0), open_tube(upper, radius=1.0)
    positions = np.concatenate([first.positions, second.positions + [0, 0, 4.0]])
    return PolyMesh.from_quads(positions, np.concatenate([first.quads(), second.quads() + first.vertex_count]))


def test_splice_joins_what_faces_each_other(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    source, out = tmp_path / "two.obj", tmp_path / "one.obj"
    write_mesh(source, two_tubes(10, 16))
    assert main(["splice", str(source), "--out", str(out)]) == 0
    assert "16 to 10 edges" in capfd.readouterr().out
    joined, before = read_mesh(out), read_mesh(source)
    np.testing.assert_array_equal(joined.positions[: before.vertex_count], before.positions)
    assert set(joined.face_sizes.tolist()) == {4}
    assert main(["rings", str(out)]) == 0
    assert capfd.readouterr().out.startswith("2 open rings")
    assert main(["splice", str(source), "--out", str(out), "--pair", "1,2"]) == 0


def test_a_reader_that_leaves_gets_no_traceback(cage: Path) -> None:
    gone, ours = os.pipe()
    os.close(gone)
    ended = subprocess.run([*PROGRAM, "rings", str(cage)], stdout=ours, stderr=subprocess.PIPE, text=True, check=False)
    os.close(ours)
    assert ended.returncode == 141 and not ended.stderr


def test_one_odd_pair_keeps_no_other_open(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    even, odd = two_tubes(10, 16), two_tubes(8, 11)
    both = PolyMesh.from_quads(np.concatenate([even.positions, odd.positions + [8.0, 0, 0]]),
                               np.concatenate([even.quads(), odd.quads() + even.vertex_count]))
    source, out = tmp_path / "four.obj", tmp_path / "three.obj"
    write_mesh(source, both)
    assert main(["splice", str(source), "--out", str(out)]) == 0
    told = capfd.readouterr().out
    assert "16 to 10 edges" in told and "stay open: A ring of 11 edges faces one of 8: an odd difference" in told
    assert main(["rings", str(out)]) == 0
    assert capfd.readouterr().out.startswith("6 open rings")
    write_mesh(source, odd)
    assert main(["splice", str(source), "--out", str(out)]) == 2
    assert "make the smaller one 9 or 7" in capfd.readouterr().err


def test_splice_refusals(refused: Refusal, tmp_path: Path) -> None:
    source, out = tmp_path / "two.obj", tmp_path / "one.obj"
    write_mesh(source, two_tubes(10, 13))
    assert "odd difference" in refused("splice", source, "--out", out)
    assert "no ring 9" in refused("splice", source, "--out", out, "--pair", "1,9")
    assert "two ring numbers" in refused("splice", source, "--out", out, "--pair", "1-2")
    write_mesh(source, open_tube())
    assert "face each other" in refused("splice", source, "--out", out)


def test_stepdown(tmp_path: Path, refused: Refusal, capfd: pytest.CaptureFixture[str]) -> None:
    source, out = tmp_path / "tube.obj", tmp_path / "stepped.obj"
    write_mesh(source, open_tube(16, 8))
    assert "There is no ring 5" in refused("stepdown", source, "--ring", 5, "--to", 12, "--out", out)
    assert "with quads alone" in refused("stepdown", source, "--ring", 1, "--to", 11, "--out", out)
    assert main(["stepdown", str(source), "--ring", "1", "--to", "12", "--out", str(out)]) == 0
    capfd.readouterr()
    assert main(["rings", str(out)]) == 0
    said = capfd.readouterr().out
    assert "open ring 0: 16 edges" in said
    assert "open ring 1: 12 edges" in said


def test_patch_fills_every_hole(tmp_path: Path, refused: Refusal) -> None:
    source, out = tmp_path / "tube.obj", tmp_path / "closed.obj"
    write_mesh(source, open_tube(12, 6))
    assert main(["patch", str(source), "--out", str(out)]) == 0
    closed, before = read_mesh(out), read_mesh(source)
    np.testing.assert_array_equal(closed.positions[: before.vertex_count], before.positions)
    assert set(closed.face_sizes.tolist()) == {4}
    assert main(["patch", str(source), "--out", str(out), "--loop", "1"]) == 0
    assert len(read_mesh(out).face_sizes) < len(closed.face_sizes)
    assert "There is no ring 7" in refused("patch", source, "--out", out, "--loop", 7)
    solid = tmp_path / "solid.ply"
    write_mesh(solid, PolyMesh.from_quads(*capsule()))
    assert "is a hole" in refused("patch", solid, "--out", out)


def test_inspect_tells_text_json_and_report(cage: Path, target: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    settled, folder, figures = tmp_path / "settled.blend", tmp_path / "report", tmp_path / "figures.json"
    assert main(["settle", str(cage), "--target", str(target), "--out", str(settled)]) == 0
    capfd.readouterr()
    assert main(["inspect", str(settled), "--target", str(target), "--report", str(folder), "--json", str(figures)]) == 0
    said = capfd.readouterr()
    assert said.out.startswith("Sound")
    assert said.err == ""
    data = json.loads(figures.read_text())
    assert data["counts"]["face_sizes"] == {"4": 48}
    assert data["counts"]["boundary_loops"] == [8, 8]
    # a regular octagon's edges lie at most 1 - cos(22.5 degrees) off their circle, the target's own corners aside
    assert data["deviation"]["cage_to_target"]["maximum"] == pytest.approx(1 - np.cos(np.pi / 8), abs=2e-3)
    assert data["deviation"]["vertex_maximum"] < 1e-5
    assert json.loads((folder / "report.json").read_text())["findings"] == data["findings"]
    assert (folder / "report.html").read_text().startswith("<!")
    assert (folder / "picture.png").read_bytes().startswith(b"\x89PNG")


def test_inspect_does_not_mind_a_target_turned_inside_out(cage: Path, target: Path, tmp_path: Path) -> None:
    settled, turned = tmp_path / "settled.obj", tmp_path / "turned.ply"
    shape = cylinder(radius=1.0, length=4.0)
    write_mesh(turned, PolyMesh.from_quads(shape.positions, shape.triangles[:, ::-1]))
    assert main(["settle", str(cage), "--target", str(turned), "--out", str(settled)]) == 0
    assert main(["inspect", str(settled), "--target", str(turned)]) == 0


def test_inspect_finds_a_cage_turned_inside_out(cage: Path, target: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    settled, turned = tmp_path / "settled.obj", tmp_path / "turned.obj"
    assert main(["settle", str(cage), "--target", str(target), "--out", str(settled)]) == 0
    mesh = read_mesh(settled)
    write_mesh(turned, PolyMesh.from_quads(mesh.positions, mesh.quads()[:, ::-1]))
    capfd.readouterr()
    assert main(["inspect", str(turned), "--target", str(target)]) == 1
    assert "error" in capfd.readouterr().out


def test_inspect_exits_with_one_where_a_finding_is_an_error(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "triangles.stl"
    write_mesh(path, PolyMesh.from_quads(*capsule()))
    assert main(["inspect", str(path)]) == 1
    said = capfd.readouterr()
    assert "triangles" in said.out
    assert said.err == ""


def test_inspect_refuses_a_report_that_cannot_be_written(refused: Refusal, cage: Path, tmp_path: Path) -> None:
    assert "cannot be written" in refused("inspect", cage, "--report", tmp_path / "none" / "report")
    assert "is an input" in refused("inspect", cage, "--json", cage)
    (tmp_path / "file").write_text("a file where the folder should be")
    assert "file" in refused("inspect", cage, "--report", tmp_path / "file")


def test_settle_fits_the_subdivided_surface(cage: Path, target: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The cage itself stands off the round target then, as far as its subdivided surface would shrink."""
    plain, limit = tmp_path / "plain.obj", tmp_path / "limit.obj"
    assert main(["settle", str(cage), "--target", str(target), "--out", str(plain)]) == 0
    assert main(["settle", str(cage), "--target", str(target), "--out", str(limit), "--fit", "limit"]) == 0
    assert "subdivided surface off the target" in capfd.readouterr().out
    middle = slice(16, 40)
    radii = [np.hypot(*read_mesh(path).positions[middle, :2].T).mean() for path in (plain, limit)]
    # a regular ring of eight: the limit of (4 + 2 cos 45 degrees) / 6 of its radius
    assert radii[0] == pytest.approx(1.0, abs=5e-3)
    assert radii[1] == pytest.approx(6.0 / (4.0 + 2.0 * np.cos(np.pi / 4)), rel=0.03)


def test_every_command_is_listed_with_its_module() -> None:
    """One command's parser knows its command, and the help of all names every one and no other."""
    listed = re.findall(r"^    (\w+)  ", command_line.make_parser().format_help(), re.MULTILINE)
    assert listed == list(command_line.COMMANDS)
    for command in command_line.COMMANDS:
        with pytest.raises(SystemExit) as left:
            command_line.make_parser(command).parse_args([command, "--help"])
        assert left.value.code == 0


def test_settle_spaces_rows_evenly_where_asked(target: Path, tmp_path: Path) -> None:
    """Rows gathered at one end stay gathered, or come to lie more evenly."""
    tube = open_tube()
    bunched = tmp_path / "bunched.obj"
    heights = 0.5 + 3.0 * ((tube.positions[:, 2] - 0.5) / 3.0) ** 2
    write_mesh(bunched, tube.with_positions(np.column_stack([tube.positions[:, :2], heights])))
    spread = {}
    for spacing in ("kept", "even"):
        out = tmp_path / f"{spacing}.obj"
        assert main(["settle", str(bunched), "--target", str(target), "--out", str(out), "--pin", "boundary", "--spacing", spacing]) == 0
        rows = np.diff(read_mesh(out).positions[:, 2].reshape(-1, 8).mean(axis=1))
        spread[spacing] = rows.max() / rows.min()
    assert spread["kept"] > 5.0 and spread["even"] < 0.6 * spread["kept"]


def test_limit_fit_is_inspected_by_the_subdivided_surface(cage: Path, target: Path, tmp_path: Path) -> None:
    """Settled either way: fitted by its limit, the subdivided surface lies at least twice as near, as `inspect --fit limit` says."""
    means = {}
    for fit in ("cage", "limit"):
        out, figures = tmp_path / f"{fit}.obj", tmp_path / f"{fit}.json"
        assert main(["settle", str(cage), "--target", str(target), "--out", str(out), "--fit", fit]) == 0
        main(["inspect", str(out), "--target", str(target), "--fit", "limit", "--json", str(figures)])
        means[fit] = json.loads(figures.read_text())["deviation"]["cage_to_target"]["mean"]
    assert means["limit"] < 0.5 * means["cage"]


def test_settle_holds_a_plane(target: Path, tmp_path: Path) -> None:
    tube = open_tube()
    leaning, out = tmp_path / "leaning.obj", tmp_path / "out.obj"
    write_mesh(leaning, tube.with_positions(tube.positions + np.random.default_rng(2).normal(0, 0.03, tube.positions.shape) * [1, 0, 1]))
    on_plane = np.abs(tube.positions[:, 1]) < 1e-6
    assert on_plane.any()
    assert main(["settle", str(leaning), "--target", str(target), "--out", str(out), "--plane", "y"]) == 0
    assert np.abs(read_mesh(out).positions[on_plane, 1]).max() < 1e-6
