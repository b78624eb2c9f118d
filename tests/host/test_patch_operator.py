"""Fill Patch and `patch`: every choice is the core's, lives in the redo panel, and a refusal leaves the mesh as it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from ringwright.addon.command_line import main
from ringwright.addon.files import read_mesh, write_mesh
from ringwright.addon.mesh_bridge import read_mesh as read_host_mesh
from ringwright.core.patch import fill_mesh_loop
from ringwright.core.patch_choice import PatchOptions
from ringwright.core.polymesh import FloatArray, PolyMesh
from support.borders import ellipse_border, polygon_border, regular_corners
from support.edited_host import assert_same, edit, put, result
from support.patch_checks import Counts

pytestmark = pytest.mark.usefixtures("extension")

HEXAGON = polygon_border(regular_corners(6), (5, 4, 4, 4, 4, 5))
SQUARE = polygon_border(regular_corners(4), (10, 8, 8, 8))
ROUND = ellipse_border(24)


def rim_faces(count: int) -> list[list[int]]:
    return [[at, count + at, count + (at + 1) % count, (at + 1) % count] for at in range(count)]


def rimmed(border: FloatArray) -> PolyMesh:
    """A border with one row of quads round it: vertices 0 to n - 1 are the border, counter-clockwise seen from above."""
    return PolyMesh.from_faces(np.vstack([border, 1.3 * border]), rim_faces(len(border)))


def put_rimmed(border: FloatArray) -> bpy.types.Object:
    return put(np.vstack([border, 1.3 * border]), rim_faces(len(border)))


CHOICES: dict[str, tuple[FloatArray, dict[str, Any], PatchOptions]] = {
    "plain": (HEXAGON, {}, PatchOptions()),
    "pattern": (HEXAGON, {"pattern": 1}, PatchOptions(pattern=1)),
    "rotate": (HEXAGON, {"rotate": 2}, PatchOptions(rotate=2)),
    "nudge": (SQUARE, {"nudge": 2}, PatchOptions(nudge=2)),
    "nudge across": (SQUARE, {"nudge_across": -1}, PatchOptions(nudge_across=-1)),
    "padding": (HEXAGON, {"padding": 2}, PatchOptions(padding=2)),
    "side padding": (SQUARE, {"side_padding": (0, 0, 6, 0, 0, 0, 0, 0)}, PatchOptions(side_padding=(0, 0, 6))),
    "round padding": (ROUND, {"padding": 3}, PatchOptions(padding=3)),
    "round nudge": (ROUND, {"nudge": 3, "nudge_across": 1}, PatchOptions(nudge=3, nudge_across=1)),
}


@pytest.mark.parametrize("name", CHOICES)
def test_every_choice_is_the_core_call_and_one_undo_step(name: str) -> None:
    border, properties, options = CHOICES[name]
    item = put_rimmed(border)
    mesh = read_host_mesh(item.data)
    expected = fill_mesh_loop(mesh, np.arange(len(border)), options=options).mesh
    edit(item, range(len(border)))
    assert bpy.ops.ringwright.fill_patch(**properties) == {"FINISHED"}
    assert_same(result(item), expected)
    assert "UNDO" in bpy.types.RINGWRIGHT_OT_fill_patch.bl_options


@pytest.mark.parametrize("name", [name for name in CHOICES if name != "plain"])
def test_every_choice_changes_the_patch(name: str) -> None:
    border, _, options = CHOICES[name]
    mesh, loop = rimmed(border), np.arange(len(border))
    plain, chosen = fill_mesh_loop(mesh, loop).mesh, fill_mesh_loop(mesh, loop, options=options).mesh
    assert plain.face_count != chosen.face_count or np.any(plain.corner_verts != chosen.corner_verts)


def test_choices_for_one_border_are_forgotten_for_the_next() -> None:
    """The host keeps an operator's values for its next call, unless they are marked; follow and target are kept, as a way of working."""
    own = bpy.ops.ringwright.fill_patch.get_rna_type().properties
    once = {"corners", "rotate", "pattern", "nudge", "nudge_across", "padding", "side_padding"}
    assert {name for name in once | {"follow", "use_target"} if own[name].is_skip_save} == once


@pytest.mark.parametrize("follow", [False, True])
@pytest.mark.parametrize("border", [ROUND, HEXAGON], ids=["round", "hexagon"])
def test_selected_vertices_choose_the_border_and_are_its_corners(border: FloatArray, follow: bool) -> None:
    corners = (0, 6, 12, 18)
    item = put_rimmed(border)
    expected = fill_mesh_loop(read_host_mesh(item.data), np.arange(len(border)), corners=corners, follow=follow).mesh
    edit(item, corners)
    assert bpy.ops.ringwright.fill_patch(corners="SELECTED", follow=follow) == {"FINISHED"}
    assert_same(result(item), expected)


@pytest.mark.parametrize("region", [False, True])
def test_a_vertex_group_marks_corners_of_holes_and_regions(region: bool) -> None:
    item = put_rimmed(ROUND)
    corners = (1, 7, 13, 19)
    if region:
        edit(item, range(24))
        bpy.ops.mesh.edge_face_add()
        bpy.ops.object.mode_set(mode="OBJECT")
    group = item.vertex_groups.new(name="Corners")
    group.add([*corners, 30], 1.0, "REPLACE")
    expected = fill_mesh_loop(rimmed(ROUND), np.arange(24), corners=corners).mesh
    edit(item, range(24), [24] if region else [])
    assert bpy.ops.ringwright.fill_patch(corners="GROUP") == {"FINISHED"}
    filled = result(item)
    assert filled.face_count == expected.face_count == 24 + 36
    assert set(filled.face_sizes.tolist()) == {4}


def test_no_corners_makes_the_patch_of_a_round_border() -> None:
    item = put_rimmed(SQUARE)
    edit(item, range(34))
    assert bpy.ops.ringwright.fill_patch(corners="NONE") == {"FINISHED"}
    assert_same(result(item), fill_mesh_loop(rimmed(SQUARE), np.arange(34), corners=()).mesh)


def test_flow_follows_the_faces_outside() -> None:
    """A hole in a grid becomes the grid again, though its border is told to have no turn sharp enough."""
    bpy.ops.mesh.primitive_grid_add(x_subdivisions=10, y_subdivisions=8, size=2)
    item = bpy.context.object
    before = read_host_mesh(item.data)
    edit(item, faces=[at for at in range(80) if 3 <= at % 10 < 7 and 3 <= at // 10 < 5])
    bpy.ops.mesh.delete(type="FACE")
    bpy.ops.object.mode_set(mode="OBJECT")
    edit(item, [vertex.index for vertex in item.data.vertices if max(abs(vertex.co.x), abs(vertex.co.y)) < 0.99
                and sum(vertex.index in face.vertices for face in item.data.polygons) in (2, 3)])
    assert bpy.ops.ringwright.fill_patch(follow=True) == {"FINISHED"}
    filled = result(item)
    assert filled.face_count == before.face_count and filled.vertex_count == before.vertex_count
    apart = np.linalg.norm(filled.positions[:, None] - before.positions[None], axis=2).min(axis=1)
    assert apart.max() < 0.01


def refused(item: bpy.types.Object, words: str, **properties: Any) -> None:
    """The operator says these words, and the mesh is as it was to the last bit."""
    bpy.ops.object.mode_set(mode="OBJECT")
    before = read_host_mesh(item.data)
    bpy.ops.object.mode_set(mode="EDIT")
    with pytest.raises(RuntimeError, match=words):
        bpy.ops.ringwright.fill_patch(**properties)
    bpy.ops.object.mode_set(mode="OBJECT")
    after = read_host_mesh(item.data)
    np.testing.assert_array_equal(after.positions, before.positions)
    np.testing.assert_array_equal(after.corner_verts, before.corner_verts)
    np.testing.assert_array_equal(after.face_offsets, before.face_offsets)


def bad_border(name: str) -> FloatArray:
    border = ROUND.copy()
    if name == "crossing":
        border[[5, 6]] = border[[6, 5]]
    elif name == "repeated":
        border[7] = border[3]
    elif name == "not finite":
        border[4, 2] = np.nan
    return border


@pytest.mark.parametrize(("name", "words"), [("crossing", "crosses itself"), ("repeated", "3 and 7 lie at the same place"),
                                             ("not finite", "finite")])
def test_bad_borders_are_refused_and_the_mesh_untouched(name: str, words: str) -> None:
    item = put(np.vstack([bad_border(name), 1.3 * ROUND]), rim_faces(24))
    edit(item, range(24))
    refused(item, words)


@pytest.mark.parametrize("edges", [3, 5, 9])
def test_odd_borders_are_refused_and_the_mesh_untouched(edges: int) -> None:
    item = put_rimmed(ellipse_border(edges))
    edit(item, range(edges))
    refused(item, f"{edges} edges")


def test_a_border_of_two_edges_is_refused_and_the_mesh_untouched() -> None:
    """Two triangles on the same two corners, folded like a pocket: its opening has two edges."""
    item = put([(0, 0, 0), (1, 0, 0), (0.5, 0.5, 0.5), (0.5, 0.2, 0.5)], [[0, 1, 2], [0, 2, 3], [1, 3, 2]])
    edit(item, (0, 1, 3))
    refused(item, "3 edges")
    pocket = put([(0, 0, 0), (1, 0, 0), (0.5, 0.5, 0.5), (0.5, 0.2, -0.5)], [[0, 1, 2], [1, 0, 3], [0, 2, 3]])
    edit(pocket, (1, 2, 3))
    refused(pocket, "3 edges")


@pytest.mark.parametrize("region", [False, True])
def test_a_non_manifold_neighbour_is_refused_and_the_mesh_untouched(region: bool) -> None:
    """A third face on an edge that runs into the border, and one on an edge of a region."""
    fin = np.array([(1.3, 0, 1), (1, 0, 1.0)])
    faces = [*rim_faces(24), [0, 24, 48, 49]] + ([list(range(24)), [0, 1, 49, 48]] if region else [])
    item = put(np.vstack([ROUND, 1.3 * ROUND, fin]), faces)
    edit(item, range(24), [25] if region else [])
    refused(item, "more than two faces" if region else "from vertex 0 to 24, which has 3 faces")


def test_marks_that_say_nothing_are_refused() -> None:
    item = put_rimmed(ROUND)
    edit(item, range(24))
    refused(item, "All 24 vertices of an open ring", corners="SELECTED")
    refused(item, "no vertex group", corners="GROUP")
    refused(item, "has 1 side, and padding is asked for at side 2", side_padding=(0, 1, 0, 0, 0, 0, 0, 0))
    solid = put([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0.5, 0.5, 1)], [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    edit(solid, (0, 4))
    refused(solid, "on no open ring", corners="SELECTED")


def command(tmp_path: Path, border: FloatArray, *words: object) -> tuple[int, PolyMesh | None]:
    source, out = tmp_path / "rim.obj", tmp_path / "out.obj"
    write_mesh(source, rimmed(border))
    code = main(["patch", str(source), "--out", str(out), *(str(word) for word in words)])
    return code, read_mesh(str(out)) if out.exists() else None


@pytest.mark.parametrize("name", CHOICES)
def test_the_command_takes_every_choice(name: str, tmp_path: Path) -> None:
    border, properties, options = CHOICES[name]
    words = [str(word) for key, value in properties.items()
             for word in (f"--{key.replace('_', '-')}", *(options.side_padding if key == "side_padding" else (value,)))]
    code, made = command(tmp_path, border, *words)
    expected = fill_mesh_loop(rimmed(border), np.arange(len(border)), options=options).mesh
    assert code == 0 and made is not None
    assert made.face_count == expected.face_count
    np.testing.assert_allclose(made.positions, expected.positions, atol=1e-4)


def test_the_command_refuses_a_border_with_a_non_manifold_neighbour(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    source, out = tmp_path / "fin.obj", tmp_path / "out.obj"
    write_mesh(source, PolyMesh.from_faces(np.vstack([ROUND, 1.3 * ROUND, [(1.3, 0, 1), (1, 0, 1.0)]]), [*rim_faces(24), [0, 24, 48, 49]]))
    assert main(["patch", str(source), "--out", str(out)]) == 2 and not out.exists()
    assert "which has 3 faces" in capfd.readouterr().err


def test_the_command_takes_corners_flow_and_a_target(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    code, made = command(tmp_path, ROUND, "--corner", 0, 6, 12, 18)
    assert code == 0 and made is not None and made.face_count == 24 + 36
    assert "ring 0: 24 edges filled with 36 quads, 0 poles, pattern 0 of 1" in capfd.readouterr().out
    code, made = command(tmp_path, SQUARE, "--round", "--follow")
    assert code == 0 and made is not None
    bowl = tmp_path / "bowl.obj"
    angle, ring = np.meshgrid(2 * np.pi * np.arange(48) / 48, np.linspace(0.02, 1.4, 30))
    positions = np.stack([ring * np.cos(angle), ring * np.sin(angle), 0.4 * (ring**2 - 1)], axis=-1).reshape(-1, 3)
    quads = [[48 * r + a, 48 * r + 48 + a, 48 * r + 48 + (a + 1) % 48, 48 * r + (a + 1) % 48] for r in range(29) for a in range(48)]
    write_mesh(bowl, PolyMesh.from_faces(positions, quads))
    code, made = command(tmp_path, ROUND, "--target", bowl)
    assert code == 0 and made is not None
    inner = made.positions[48:]
    np.testing.assert_allclose(inner[:, 2], 0.4 * ((inner[:, :2] ** 2).sum(axis=1) - 1), atol=0.01)


@pytest.mark.parametrize(("words", "said"), [
    (("--corner", 99), "There is no vertex 99"),
    (("--corner", 0, "--round"), "leave out --round or --corner"),
    (("--corner", 0, 8, 16, "--padding", 50), "ask for fewer rows"),
    (("--padding", -1), "none below zero"),
    (("--side-padding", 0, 1), "has 1 side"),
])
def test_the_command_refuses_in_one_line_and_writes_nothing(words: Counts, said: str, tmp_path: Path,
                                                            capfd: pytest.CaptureFixture[str]) -> None:
    code, made = command(tmp_path, ROUND, *words)
    assert code == 2 and made is None
    lines = capfd.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and said in lines[0]
