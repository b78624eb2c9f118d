"""Deviation against closed forms and against libigl and trimesh on the same samples."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh

from ringwright.core.deviation import map_deviation, measure_deviation, sample_triangles, summarise_distances
from ringwright.core.errors import MeshError
from ringwright.core.polymesh import PolyMesh
from support.reference_deviation import reference_deviation
from support.reference_surface import ReferenceSurface
from support.tubes import tube


def tube_mesh(sides: int, rings: int, *, length: float = 10.0) -> PolyMesh:
    return tube(sides, rings, spacing=length / (rings - 1))


def bumpy_sphere() -> trimesh.Trimesh:
    mesh = trimesh.creation.icosphere(subdivisions=5)
    bump = 1 + 0.05 * np.sin(7 * mesh.vertices[:, 0]) * np.cos(5 * mesh.vertices[:, 1])
    return trimesh.Trimesh(mesh.vertices * bump[:, None], mesh.faces, process=False)


@pytest.mark.parametrize("sides", [6, 8, 12])
def test_prism_in_a_cylinder(sides: int) -> None:
    """An inscribed prism lies up to r (1 - cos(pi / n)) inside; its mean over the chord has a closed form too."""
    prism, cylinder = tube_mesh(sides, 4), tube_mesh(1440, 2)
    deviation = measure_deviation(prism, cylinder, ReferenceSurface.from_mesh(prism), ReferenceSurface.from_mesh(cylinder), seed=3)
    chord = np.linspace(-1, 1, 200_001) * np.sin(np.pi / sides)
    gap = 1 - np.sqrt(chord**2 + np.cos(np.pi / sides) ** 2)
    assert deviation.cage_to_target.maximum == pytest.approx(1 - np.cos(np.pi / sides), rel=1e-4)
    assert deviation.cage_to_target.mean == pytest.approx(gap.mean(), rel=5e-3)
    assert deviation.cage_to_target.root_mean_square == pytest.approx(np.sqrt((gap**2).mean()), rel=5e-3)
    assert deviation.target_to_cage.maximum == pytest.approx(1 - np.cos(np.pi / sides), rel=1e-4)
    assert deviation.vertex_maximum == pytest.approx(0.0, abs=1e-12)
    middle = deviation.cage_to_target.place[:2]
    assert np.linalg.norm(middle) == pytest.approx(np.cos(np.pi / sides), rel=1e-3)
    assert deviation.percent(deviation.diagonal) == 100.0


def test_same_samples_same_figures_as_libigl_and_trimesh() -> None:
    target = bumpy_sphere()
    cage = PolyMesh.from_quads(trimesh.creation.icosphere(subdivisions=2).vertices, trimesh.creation.icosphere(subdivisions=2).faces)
    samples = sample_triangles(cage.positions, cage.triangles(), 5000, 11)
    target_mesh = PolyMesh.from_quads(target.vertices, target.faces)
    deviation = measure_deviation(cage, target_mesh, ReferenceSurface.from_mesh(cage), ReferenceSurface.from_mesh(target_mesh),
                                  seed=11, samples=5000)
    squared = igl.point_mesh_squared_distance(samples, np.array(target.vertices), np.array(target.faces))[0]
    by_trimesh = trimesh.proximity.closest_point(target, samples)[1]
    for distances in (np.sqrt(squared), by_trimesh):
        side = deviation.cage_to_target
        assert side.mean == pytest.approx(distances.mean(), rel=1e-6)
        assert side.root_mean_square == pytest.approx(np.sqrt((distances**2).mean()), rel=1e-6)
        assert side.percentile_95 == pytest.approx(np.percentile(distances, 95), rel=1e-6)
        assert side.percentile_99 == pytest.approx(np.percentile(distances, 99), rel=1e-6)
        assert side.maximum >= distances.max() * (1 - 1e-9)


def test_samples_follow_area_and_lie_on_their_triangles() -> None:
    positions = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [10, 0, 0], [13, 0, 0], [10, 3, 0]], dtype=float)
    triangles = np.array([[0, 1, 2], [3, 4, 5]])
    samples = sample_triangles(positions, triangles, 1000, 5)
    chosen = np.where(samples[:, 0] < 5, 0, 1)
    assert np.count_nonzero(chosen == 0) == 100 and (np.diff(chosen) >= 0).all()
    corners = positions[triangles[chosen]]
    weights = np.linalg.solve(np.swapaxes(np.concatenate([corners[:, :, :2], np.ones((1000, 3, 1))], axis=2), 1, 2),
                              np.column_stack([samples[:, :2], np.ones(1000)])[..., None])[..., 0]
    assert weights.min() > -1e-9
    # uniform in the triangle: the centroid's distance shrinks like 1 / sqrt(n)
    np.testing.assert_allclose(samples[100:].mean(axis=0), [11, 1, 0], atol=0.1)
    again = sample_triangles(positions, triangles, 1000, 5)
    np.testing.assert_array_equal(samples, again)
    assert not np.array_equal(samples, sample_triangles(positions, triangles, 1000, 6))


def test_maximum_may_come_from_a_vertex() -> None:
    side = summarise_distances(np.zeros((2, 3)), np.array([1.0, 2.0]), np.array([[7.0, 7.0, 7.0]]), np.array([3.0]))
    assert side.maximum == 3.0 and side.place.tolist() == [7.0, 7.0, 7.0] and side.mean == 1.5


@pytest.mark.parametrize("positions", [np.zeros((3, 3)), np.array([[0, 0, 0], [1, 0, 0], [0, np.nan, 0]])])
def test_surface_without_measure_is_refused(positions: np.ndarray) -> None:
    with pytest.raises(MeshError):
        sample_triangles(positions, np.array([[0, 1, 2]]), 10, 0)
    with pytest.raises(MeshError):
        sample_triangles(positions, np.empty((0, 3), dtype=np.int32), 10, 0)


def test_deviation_map_covers_the_cage() -> None:
    prism, cylinder = tube_mesh(8, 3), tube_mesh(720, 2)
    heat = map_deviation(prism, ReferenceSurface.from_mesh(cylinder), cuts=4)
    corners = heat.positions[heat.triangles]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    assert area == pytest.approx(8 * 2 * np.sin(np.pi / 8) * 10.0)
    assert len(heat.triangles) == 16 * 2 * prism.face_count
    assert heat.distances.max() == pytest.approx(1 - np.cos(np.pi / 8), rel=1e-3)


def test_target_beyond_an_open_end_is_left_out() -> None:
    """A prism over a part of a cylinder fits as well as one over the whole; the covered share tells the difference."""
    cylinder = tube_mesh(1440, 41, length=20.0)
    whole, half = tube_mesh(8, 9, length=20.0), tube_mesh(8, 5, length=10.0)
    reference = ReferenceSurface.from_mesh(cylinder)
    full = measure_deviation(whole, cylinder, ReferenceSurface.from_mesh(whole), reference, seed=3)
    part = measure_deviation(half, cylinder, ReferenceSurface.from_mesh(half), reference, seed=3)
    assert full.covered == pytest.approx(1.0, abs=1e-4)
    assert part.covered == pytest.approx(0.5, abs=2e-3)
    assert part.target_to_cage.mean == pytest.approx(full.target_to_cage.mean, rel=0.01)
    assert part.target_to_cage.maximum == pytest.approx(1 - np.cos(np.pi / 8), rel=1e-4)
    assert part.target_to_cage.samples == pytest.approx(0.5 * full.target_to_cage.samples, rel=5e-3)


def test_covered_part_equals_the_second_opinion() -> None:
    target = tube_mesh(200, 30, length=13.0)
    cage = tube_mesh(8, 6)
    open_cage = PolyMesh.from_quads(cage.positions, np.delete(cage.quads(), [9, 20], axis=0))
    measured = measure_deviation(open_cage, target, ReferenceSurface.from_mesh(open_cage), ReferenceSurface.from_mesh(target), seed=5,
                                 samples=100_000)
    second = reference_deviation(open_cage, ReferenceSurface.from_mesh(target), samples=100_000)
    assert measured.covered == pytest.approx(second.covered, abs=4e-3)
    assert measured.percent(measured.target_to_cage.mean) == pytest.approx(second.target_to_cage.mean(), rel=0.02)


def test_cage_that_covers_nothing_has_no_figures_back() -> None:
    sheet = PolyMesh.from_quads([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]])
    far = sheet.with_positions(sheet.positions + [5, 0, 0])
    deviation = measure_deviation(sheet, far, ReferenceSurface.from_mesh(sheet), ReferenceSurface.from_mesh(far), seed=0, samples=500)
    assert deviation.covered == 0.0 and deviation.target_to_cage.samples == 0 and np.isnan(deviation.target_to_cage.mean)
    assert deviation.cage_to_target.samples == 500
