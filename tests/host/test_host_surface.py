"""The host's queries against an independent library's."""

from __future__ import annotations

import bpy
import igl
import numpy as np
import pytest

from ringwright.addon.host_surface import HostSurface, read_evaluated
from ringwright.core.deviation import measure_deviation, sample_triangles
from ringwright.core.errors import MeshError
from ringwright.core.polymesh import PolyMesh
from support.reference_surface import ReferenceSurface
from support.shapes import Shape, capsule, cylinder

pytestmark = pytest.mark.usefixtures("nothing_left_behind")

TOLERANCE = 1e-6  # of the diagonal: single precision at a diagonal of one


def bumpy(around: int = 96, along: int = 160) -> Shape:
    shape = capsule(around=around, along=along)
    bumps = 1.0 + 0.06 * np.sin(5 * shape.positions[:, 2:3]) * np.cos(3 * np.arctan2(shape.positions[:, 1:2], shape.positions[:, 0:1]))
    return Shape(shape.positions * bumps, shape.triangles)


def queries(shape: Shape, count: int, *, reach: float = 1.3, seed: int = 3) -> np.ndarray:
    low, high = shape.positions.min(axis=0), shape.positions.max(axis=0)
    middle, half = (low + high) / 2, reach * (high - low) / 2
    return np.random.default_rng(seed).uniform(middle - half, middle + half, (count, 3))


def normal_disagreement(reference: ReferenceSurface, positions: np.ndarray, normals: np.ndarray) -> float:
    """Largest distance from a normal to that of the best triangle that holds the position.

    On an edge or a vertex each of its triangles is right.
    """
    corners = reference.positions[reference.triangles]
    size = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max()
    centres = corners.mean(axis=1)
    worst = 0.0
    for position, normal in zip(positions, normals, strict=True):
        near = np.linalg.norm(centres - position, axis=1) < size
        above = np.einsum("ij,ij->i", position - corners[near, 0], reference.face_normals[near])
        holding = reference.face_normals[near][np.abs(above) < TOLERANCE * reference.diagonal]
        worst = max(worst, float(np.linalg.norm(holding - normal, axis=1).min()))
    return worst


@pytest.mark.parametrize(("scale", "offset"), [(1.0, 0.0), (1e-3, 0.0), (1e3, 0.0), (1.0, 1e4)])
def test_closest_agrees_with_the_reference(scale: float, offset: float) -> None:
    shape = bumpy()
    shape = Shape(shape.positions * scale + offset, shape.triangles)
    points = queries(shape, 3000)
    reference = ReferenceSurface(*shape)
    expected = reference.closest(points)
    with HostSurface.from_arrays(*shape) as surface:
        found = surface.closest(points)
        assert surface.diagonal == pytest.approx(reference.diagonal, rel=1e-12)
        np.testing.assert_allclose(surface.bounds, reference.bounds, rtol=1e-12)
        close = TOLERANCE * surface.diagonal
    np.testing.assert_allclose(found.distances, expected.distances, atol=close, rtol=0)
    np.testing.assert_allclose(np.linalg.norm(found.positions - points, axis=1), found.distances, atol=1e-12 * max(scale, offset))
    np.testing.assert_allclose(np.linalg.norm(found.normals, axis=1), 1.0, atol=1e-12)
    assert normal_disagreement(reference, found.positions[:400], found.normals[:400]) < 1e-4
    # the positions themselves lie on the surface
    assert reference.closest(found.positions).distances.max() < close


def test_cast_agrees_with_the_reference() -> None:
    shape = bumpy()
    rng = np.random.default_rng(5)
    origins, directions = queries(shape, 4000), rng.normal(size=(4000, 3)) * rng.uniform(1e-3, 1e3, (4000, 1))
    reference = ReferenceSurface(*shape)
    expected = reference.cast(origins, directions)
    with HostSurface.from_arrays(*shape) as surface:
        found = surface.cast(origins, directions)
        close = TOLERANCE * surface.diagonal
    assert 0.2 < expected.hit.mean() < 0.9
    # rays that graze the silhouette may differ between two libraries in single precision
    same = found.hit == expected.hit
    assert same.mean() > 0.998
    both = found.hit & expected.hit
    apart = np.abs(found.distances[both] - expected.distances[both])
    assert np.mean(apart < 5 * close) > 0.998
    assert np.all(np.isinf(found.distances[~found.hit]))
    np.testing.assert_array_equal(found.positions[~found.hit], origins[~found.hit])
    np.testing.assert_array_equal(found.normals[~found.hit], 0.0)
    np.testing.assert_allclose(np.linalg.norm(found.normals[found.hit], axis=1), 1.0, atol=1e-12)
    assert np.mean(np.einsum("ij,ij->i", found.normals, expected.normals)[both] > 1 - 1e-5) > 0.99
    assert reference.closest(found.positions[found.hit]).distances.max() < close


@pytest.mark.parametrize("flipped", [False, True])
def test_inside_a_closed_target(flipped: bool) -> None:
    shape = bumpy()
    points = queries(shape, 4000)
    expected = ReferenceSurface(*shape).inside(points)
    triangles = shape.triangles[:, ::-1] if flipped else shape.triangles
    with HostSurface.from_arrays(shape.positions, triangles) as surface:
        found = surface.inside(points)
    assert 0.2 < expected.mean() < 0.8
    np.testing.assert_array_equal(found, expected)


def test_inside_an_open_tube_bridges_the_openings() -> None:
    shape = cylinder(radius=1.0, length=6.0)
    points = queries(shape, 4000, reach=1.5)
    radius, height = np.hypot(points[:, 0], points[:, 1]), points[:, 2]
    deep = (radius < 0.98) & (height > 1.0) & (height < 5.0)
    away = (radius > 1.02) | (height < 0.0) | (height > 6.0)
    with HostSurface.from_arrays(*shape) as surface:
        found = surface.inside(points)
    assert deep.sum() > 200
    assert found[deep].all()
    assert not found[away].any()


def test_inside_where_two_pieces_overlap() -> None:
    first, second = capsule(), capsule()
    positions = np.concatenate([first.positions, second.positions + [0.8, 0.0, 0.5]])
    triangles = np.concatenate([first.triangles, second.triangles + len(first.positions)])
    points = queries(Shape(positions, triangles), 2000)
    with HostSurface.from_arrays(positions, triangles) as surface:
        np.testing.assert_array_equal(surface.inside(points), ReferenceSurface(positions, triangles).inside(points))


def test_answers_keep_the_order_over_changing_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    shape = bumpy(32, 48)
    points = queries(shape, 1000)
    with HostSurface.from_arrays(*shape) as surface:
        whole = surface.closest(points)
        monkeypatch.setattr("ringwright.addon.host_surface.BATCH", 300)
        parts = surface.closest(points)
        one = surface.closest(points[7:8])
        np.testing.assert_allclose(parts.positions, whole.positions, rtol=0, atol=1e-14)
        np.testing.assert_allclose(one.positions, whole.positions[7:8], rtol=0, atol=1e-14)
        np.testing.assert_array_equal(surface.cast(points, -points).hit, surface.cast(points, -points).hit)


def test_no_points_no_answers() -> None:
    nothing = np.zeros((0, 3))
    with HostSurface.from_arrays(*cylinder()) as surface:
        assert surface.closest(nothing).positions.shape == (0, 3)
        assert surface.cast(nothing, nothing).hit.shape == (0,)
        assert surface.inside(nothing).shape == (0,)


def test_two_surfaces_stand_side_by_side() -> None:
    small, large = capsule(radius=0.5), capsule(radius=2.0)
    point = np.array([[0.0, 0.0, 2.0]])
    with HostSurface.from_arrays(*small) as first, HostSurface.from_arrays(*large) as second:
        assert first.closest(point).distances[0] == pytest.approx(0.5, rel=1e-2)
        assert second.closest(point).distances[0] == pytest.approx(2.0, rel=1e-2)


def test_quads_and_an_object_with_modifier_and_transform() -> None:
    bpy.ops.mesh.primitive_cube_add(size=2.0, location=(10.0, 0.0, 0.0), rotation=(0.0, 0.0, np.pi / 4), scale=(1.0, 1.0, 2.0))
    cube = bpy.context.object
    cube.modifiers.new("Array", "ARRAY").count = 2
    with HostSurface(read_evaluated(cube, bpy.context.evaluated_depsgraph_get())) as surface:
        assert surface.bounds[1, 2] == pytest.approx(2.0)
        assert surface.bounds[1, 1] == pytest.approx(2 * np.sqrt(2), rel=1e-6)  # the array runs along the cube's own, turned x
        np.testing.assert_allclose(surface.closest(np.array([[10.0, 0.0, 5.0]])).positions, [[10.0, 0.0, 2.0]], atol=1e-5)
    mesh = cube.data
    bpy.data.objects.remove(cube)
    bpy.data.meshes.remove(mesh)


def test_a_target_without_a_surface_is_refused() -> None:
    triangle = np.array([[0, 1, 2]])
    with pytest.raises(MeshError, match="no faces"):
        HostSurface(PolyMesh.from_faces(np.zeros((3, 3)), []))
    with pytest.raises(MeshError, match="1 vertices whose coordinates are not numbers"):
        HostSurface.from_arrays([[0, 0, 0], [1, 0, 0], [0, np.nan, 0]], triangle)
    with pytest.raises(MeshError, match="one place"):
        HostSurface.from_arrays(np.ones((3, 3)), triangle)


def test_queries_are_checked() -> None:
    with HostSurface.from_arrays(*cylinder()) as surface:
        with pytest.raises(ValueError, match="not a number"):
            surface.closest(np.array([[0.0, np.nan, 0.0]]))
        with pytest.raises(ValueError, match="shape"):
            surface.closest(np.zeros(3))
        with pytest.raises(ValueError, match="no length"):
            surface.cast(np.zeros((1, 3)), np.zeros((1, 3)))


def test_numbers_beyond_the_hosts_precision_find_their_triangle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the host's blended numbers may be off by a few, the nearest of the neighbours in number is taken."""
    shape = bumpy()
    points = queries(shape, 2000)
    expected = ReferenceSurface(*shape).closest(points)
    monkeypatch.setattr("ringwright.addon.host_surface.EXACT", len(shape.triangles) // 6)
    tell = HostSurface._told
    monkeypatch.setattr(HostSurface, "_told", lambda self, there: np.clip(
        tell(self, there) + np.random.default_rng(0).integers(-3, 4, len(there)), 0, len(shape.triangles) - 1))
    with HostSurface.from_arrays(*shape) as surface:
        found = surface.closest(points)
        np.testing.assert_allclose(found.distances, expected.distances, atol=TOLERANCE * surface.diagonal, rtol=0)


def test_polygons_are_cut_as_they_lie() -> None:
    """A dented quad and an L of six corners: nothing lies in their notches."""
    dart = [[0.0, 0, 0], [4, 0, 0], [1, 1, 0], [0, 4, 0]]
    corner = [[10.0, 0, 0], [14, 0, 0], [14, 1, 0], [11, 1, 0], [11, 4, 0], [10, 4, 0]]
    for positions, notch, nearest in ((dart, [2.0, 2.0, 0.0], np.sqrt(1.6)), (corner, [13.0, 3.0, 0.0], 2.0)):
        for first in range(len(positions)):
            mesh = PolyMesh.from_faces(np.roll(positions, first, axis=0), [list(range(len(positions)))])
            with HostSurface(mesh) as surface:
                found = surface.closest(np.array([notch]))
            assert found.distances[0] == pytest.approx(nearest, rel=1e-6)
            np.testing.assert_allclose(np.abs(found.normals), [[0, 0, 1]], atol=1e-12)


def test_deviation_through_the_host_equals_libigls() -> None:
    """The same samples, mean, root mean square, percentiles and maximum to a millionth."""
    target, cage = bumpy(), capsule(around=24, along=20)
    meshes = PolyMesh.from_quads(*cage), PolyMesh.from_quads(*target)
    with HostSurface(meshes[0]) as own, HostSurface(meshes[1]) as surface:
        found = measure_deviation(*meshes, own, surface, seed=4, samples=20_000)
    expected = measure_deviation(*meshes, ReferenceSurface(*cage), ReferenceSurface(*target), seed=4, samples=20_000)
    samples = sample_triangles(*cage, 20_000, 4)
    by_libigl = np.sqrt(igl.point_mesh_squared_distance(samples, target.positions, target.triangles)[0])
    assert found.cage_to_target.mean == pytest.approx(by_libigl.mean(), rel=1e-6)
    for mine, theirs in ((found.cage_to_target, expected.cage_to_target), (found.target_to_cage, expected.target_to_cage)):
        for name in ("mean", "root_mean_square", "percentile_95", "percentile_99", "maximum"):
            assert getattr(mine, name) == pytest.approx(getattr(theirs, name), rel=1e-6), name
