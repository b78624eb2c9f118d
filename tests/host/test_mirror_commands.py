"""`symmetry` and `mirror`: halves become images, what a .blend's object carries goes along, refusals in one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from mathutils import Euler

from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh, read_mesh_file, read_plan_text, write_mesh
from ringwright.core.plan import Limb, LimbPlan, format_plan
from ringwright.core.polymesh import FloatArray, PolyMesh
from support.shapes import fork
from support.tubes import tube

PLAN = format_plan(LimbPlan((Limb("stalk", np.array([[0.0, 0, 0], [0, 0, 3], [0, 0, 6]])),)))


def off_image(points: FloatArray) -> float:
    """Farthest that any point's image across x = 0 lies from the next point."""
    return float(np.linalg.norm(points[:, None] - points * [-1, 1, 1], axis=2).min(axis=1).max())


def lopsided(kind: str, folder: Path) -> tuple[Path, PolyMesh]:
    mesh = tube(12, 7, turn=np.pi / 2)
    moved = mesh.with_positions(mesh.positions + 0.05 * np.random.default_rng(1).standard_normal(mesh.positions.shape))
    write_mesh(folder / f"cage{kind}", moved, plan_text=PLAN, uvs=np.random.default_rng(2).random((len(mesh.corner_verts), 2)))
    return folder / f"cage{kind}", read_mesh(folder / f"cage{kind}")


@pytest.mark.parametrize("kind", [".blend", ".obj"])
@pytest.mark.parametrize("keep", ["both", "positive", "negative"])
def test_halves_become_images_and_the_map_stays(kind: str, keep: str, tmp_path: Path, nothing_left_behind: None,
                                                capfd: pytest.CaptureFixture[str]) -> None:
    source, before = lopsided(kind, tmp_path)
    out = tmp_path / f"even{kind}"
    assert main(["symmetry", str(source), "--out", str(out), "--keep", keep]) == 0
    assert "84 vertices matched; the farthest was" in capfd.readouterr().out
    after = read_mesh_file(out)
    assert off_image(after.mesh.positions) < 1e-6 < off_image(before.positions)
    assert np.array_equal(after.mesh.corner_verts, before.corner_verts)
    assert np.array_equal(after.uvs, read_mesh_file(source).uvs)
    side = {"both": np.zeros(84, dtype=bool), "positive": before.positions[:, 0] > 0.2, "negative": before.positions[:, 0] < -0.2}[keep]
    assert np.array_equal(after.mesh.positions[side], before.positions[side])
    assert (read_plan_text(out) == PLAN) == (kind == ".blend")


@pytest.mark.parametrize("keep", ["positive", "negative"])
def test_one_half_is_mirrored_and_the_plan_stays(keep: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    source, before = lopsided(".blend", tmp_path)
    out = tmp_path / "twice.blend"
    assert main(["mirror", str(source), "--out", str(out), "--keep", keep]) == 0
    assert "both halves alike" in capfd.readouterr().out and read_plan_text(out) == PLAN
    after = read_mesh(out)
    kept = before.positions[(before.positions[:, 0] > 0.3) == (keep == "positive")]
    kept = kept[np.abs(kept[:, 0]) > 0.3]
    assert off_image(after.positions) < 1e-6 and (after.face_sizes == 4).all()
    assert np.linalg.norm(kept[:, None] - after.positions, axis=2).min(axis=1).max() < 1e-6


def test_the_targets_own_plane_is_found_and_told(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    shape, turn, shift = fork(40), np.array(Euler((0.3, -0.4, 0.7)).to_matrix()), np.array([3.0, -2.0, 1.0])
    bent = (shape.positions + [0, 0.05, 0] * shape.positions[:, 2:] ** 2) @ turn.T + shift
    write_mesh(tmp_path / "target.ply", PolyMesh.from_faces(bent, shape.triangles.tolist()))
    mesh = tube(12, 7, turn=np.pi / 2)
    noisy = mesh.positions + 0.02 * np.random.default_rng(1).standard_normal(mesh.positions.shape)
    write_mesh(tmp_path / "cage.obj", mesh.with_positions(noisy @ turn.T + shift))
    arguments = ["symmetry", str(tmp_path / "cage.obj"), "--plane", "target", "--out", str(tmp_path / "even.obj")]
    assert main(arguments) == 2
    assert "--plane target finds the plane in a target; name one with --target." in capfd.readouterr().err
    assert main([*arguments, "--target", str(tmp_path / "target.ply")]) == 0
    assert "of the target's image lie on the target" in capfd.readouterr().out
    assert off_image((read_mesh(tmp_path / "even.obj").positions - shift) @ turn) < 0.01


@pytest.mark.parametrize("command", ["symmetry", "mirror"])
def test_what_has_no_halves_is_refused(command: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    mesh, out = tube(12, 7, turn=np.pi / 2), tmp_path / "out.obj"
    write_mesh(tmp_path / "cage.obj", PolyMesh.from_faces(mesh.positions, [face.tolist() for face in mesh.quads()[1:]]))
    if command == "symmetry":
        assert main([command, str(tmp_path / "cage.obj"), "--out", str(out)]) == 2
        assert "The two halves of the cage are not built alike" in capfd.readouterr().err
    else:
        assert main([command, str(tmp_path / "cage.obj"), "--plane", "z", "--out", str(out)]) == 2
        assert "No strip of quads runs along the plane" in capfd.readouterr().err
    assert not out.exists()
