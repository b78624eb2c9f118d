"""Figures of unwraps against closed forms and an independent rasteriser."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.uv_quality import MOST_MARGIN, corner_triangles, face_islands, measure_unwrap
from support.random_meshes import grid_faces
from support.tubes import tube


def sheet(rows: int = 4, columns: int = 5, size: float = 2.0) -> tuple[PolyMesh, FloatArray]:
    """A flat grid in the plane z = 0 and its map: the same points, fitted to the unit square."""
    x, y = np.meshgrid(np.arange(columns + 1.0), np.arange(rows + 1.0))
    points = size * np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    mesh = PolyMesh.from_quads(points, np.array(grid_faces(rows, columns)))
    flat = points[:, :2] / (size * max(rows, columns))
    return mesh, flat[mesh.corner_verts]


def test_a_map_that_is_a_scaled_copy_is_perfect() -> None:
    mesh, uvs = sheet()
    found = measure_unwrap(mesh, uvs, 256)
    assert found.stretch == pytest.approx(1) and found.worst_stretch == pytest.approx(1)
    assert (found.islands, len(found.flipped), found.overlap, found.density_spread, found.outside) == (1, 0, 0, 1, 0)
    assert found.used == pytest.approx(4 / 5, abs=0.01) and found.margin == MOST_MARGIN


@pytest.mark.parametrize("squeeze", [0.25, 0.5, 0.8])
def test_a_squeezed_map_has_the_closed_forms_stretch(squeeze: float) -> None:
    """Singular values 1 and 1/s: L2 is sqrt((1 + 1/s^2) / 2), times sqrt(s) for the area."""
    mesh, uvs = sheet()
    found = measure_unwrap(mesh, uvs * [1, squeeze], 64)
    assert found.stretch == pytest.approx(np.sqrt((1 + squeeze**-2) / 2) * np.sqrt(squeeze))


def test_stretch_agrees_with_the_singular_values_of_every_triangle() -> None:
    """Sander's L2 is the root mean square of the two singular values of the map from the plane to the surface; here by a decomposition
    of each triangle's Jacobian, on a bumpy sheet laid out anyhow."""
    mesh, uvs = sheet(5, 6)
    rng = np.random.default_rng(8)
    mesh = mesh.with_positions(mesh.positions + rng.normal(scale=0.4, size=mesh.positions.shape))
    bent = uvs @ np.array([[1.0, 0.3], [0.0, 0.6]])
    corners, _ = corner_triangles(mesh)
    points, flat = mesh.positions[mesh.corner_verts[corners]], bent[corners]
    edges, steps = points[:, 1:] - points[:, :1], flat[:, 1:] - flat[:, :1]
    values = np.linalg.svd(edges.transpose(0, 2, 1) @ np.linalg.inv(steps.transpose(0, 2, 1)), compute_uv=False)
    areas, map_areas = 0.5 * np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1), 0.5 * np.abs(np.linalg.det(steps))
    wanted = np.sqrt((areas * 0.5 * (values**2).sum(axis=1)).sum() / areas.sum() * map_areas.sum() / areas.sum())
    assert measure_unwrap(mesh, bent, 64).stretch == pytest.approx(wanted)


@pytest.mark.parametrize("size", [7.0, 0.01])
def test_stretch_does_not_mind_size_place_and_turn(size: float) -> None:
    mesh, uvs = sheet()
    bent = uvs * [1, 0.6]
    turn = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]])
    one = measure_unwrap(mesh, bent, 64).stretch
    other = measure_unwrap(mesh.with_positions(size * mesh.positions), 0.3 * bent @ turn.T + 0.2, 64).stretch
    assert one == pytest.approx(other)


def test_a_cut_tube_laid_flat_is_perfect() -> None:
    mesh = tube(16, 5)
    side = 2 * np.sin(np.pi / 16)
    flat = np.empty((len(mesh.corner_verts), 2))
    for face, quad in enumerate(mesh.quads()):
        columns, levels = quad % 16, quad // 16
        wraps = columns.max() == 15 and columns.min() == 0
        flat[4 * face : 4 * face + 4] = np.column_stack([np.where(wraps & (columns == 0), 16, columns) * side, levels * side])
    found = measure_unwrap(mesh, flat / flat.max(), 128)
    assert found.islands == 1 and found.stretch == pytest.approx(1, abs=1e-9) and found.overlap == 0


def test_flipped_and_flat_faces_are_named() -> None:
    mesh, uvs = sheet()
    bad = uvs.copy()
    bad[4:8] = bad[4:8][::-1]
    bad[8:12] = bad[8]
    assert set(measure_unwrap(mesh, bad, 64).flipped.tolist()) == {1, 2}


def test_overlap_is_the_share_that_lies_double() -> None:
    mesh, uvs = sheet(1, 2, 1.0)
    doubled = uvs.copy()
    doubled[4:] = doubled[:4] + [0.25, 0.0]  # two squares of half a side, one half over the other
    found = measure_unwrap(mesh, doubled, 512)
    assert found.overlap == pytest.approx(1 / 3, abs=0.01) and found.doubled.tolist() == [0, 1]
    assert not len(measure_unwrap(mesh, uvs, 512).doubled)


def test_only_the_faces_that_lie_double_are_named() -> None:
    mesh, uvs = sheet(1, 6, 1.0)
    moved = uvs.copy()
    moved[4 * 5 :] = moved[4 * 1 : 4 * 2] + 0.01
    assert set(measure_unwrap(mesh, moved, 512).doubled.tolist()) == {1, 2, 5}


def test_the_face_that_is_stretched_most_is_named() -> None:
    mesh, uvs = sheet(1, 6, 1.0)
    thin = np.where(np.arange(24)[:, None] // 4 == 3, uvs * [1, 0.5], uvs)
    assert measure_unwrap(mesh, thin, 64).worst_face == 3


def test_islands_margin_and_density() -> None:
    mesh, uvs = sheet(1, 2, 1.0)
    apart = 0.5 * uvs
    apart[4:] = apart[4:] * [0.5, 0.5] + [0.3, 0.1]
    found = measure_unwrap(mesh, apart, 256)
    assert found.islands == 2 and face_islands(mesh, apart).tolist() == [0, 1]
    assert found.density_spread == pytest.approx(2)
    gap = 256 * (apart[4:, 0].min() - apart[:4, 0].max())
    assert found.margin == pytest.approx(min(gap, MOST_MARGIN), abs=1)


@pytest.mark.parametrize("way", [0.0, 30.0, 45.0, 77.0, 90.0])
@pytest.mark.parametrize("gap", [0.6, 2.4, 8.3, 17.0])
def test_the_margin_is_the_straight_gap_whichever_way_it_runs(way: float, gap: float) -> None:
    """Two squares side by side, both turned: counted along the pixels' rows alone a slanting gap would seem wider."""
    mesh, uvs = sheet(1, 2, 1.0)
    apart = 0.5 * uvs
    apart[4:, 0] += gap / 512
    turn = np.radians(way)
    spun = (apart - apart.mean(axis=0)) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + 0.5
    assert gap - 1.5 <= measure_unwrap(mesh, spun, 512).margin <= gap + 0.5


def test_a_seam_parts_islands_though_the_vertices_are_shared() -> None:
    mesh, uvs = sheet(1, 2, 1.0)
    assert face_islands(mesh, uvs).max() == 0
    moved = uvs.copy()
    moved[4:] += 0.01
    assert face_islands(mesh, moved).max() == 1


def test_coverage_counts_every_pixel_once() -> None:
    """Neighbouring faces share no pixel and leave none out, whatever their turn."""
    mesh, uvs = sheet(6, 6, 1.0)
    turn = np.array([[np.cos(0.3), -np.sin(0.3)], [np.sin(0.3), np.cos(0.3)]])
    found = measure_unwrap(mesh, 0.6 * (uvs - 0.5) @ turn.T + 0.5, 400)
    assert found.overlap == 0 and found.used == pytest.approx(0.36, abs=0.003)


def test_corners_outside_the_square_are_told() -> None:
    mesh, uvs = sheet()
    assert measure_unwrap(mesh, uvs + [0.5, 0], 64).outside > 0.3


def test_fans_cover_polygons() -> None:
    mesh = PolyMesh.from_faces(np.zeros((8, 3)), [[0, 1, 2], [3, 4, 5, 6, 7]])
    corners, faces = corner_triangles(mesh)
    assert corners.tolist() == [[0, 1, 2], [3, 4, 5], [3, 5, 6], [3, 6, 7]] and faces.tolist() == [0, 1, 1, 1]
