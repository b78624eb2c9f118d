"""Where a click puts a joint: half way through, and in the middle of the slice across the limb."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.frames import unit
from ringwright.core.limb_pointing import limb_axis, limb_middle, pierce, preview_rings
from ringwright.core.polymesh import PolyMesh
from support.reference_surface import ReferenceSurface
from support.tubes import bent, tube


def closed(mesh: PolyMesh, sides: int) -> ReferenceSurface:
    """A tube with both ends closed by fans."""
    count = mesh.vertex_count
    positions = np.concatenate([mesh.positions, [mesh.positions[:sides].mean(axis=0), mesh.positions[-sides:].mean(axis=0)]])
    ring = np.arange(sides)
    low = np.column_stack([np.full(sides, count), np.roll(ring, -1), ring])
    high = np.column_stack([np.full(sides, count + 1), count - sides + ring, count - sides + np.roll(ring, -1)])
    return ReferenceSurface(positions, np.concatenate([mesh.triangles(), low, high]))


@pytest.fixture(scope="module")
def straight() -> ReferenceSurface:
    return closed(tube(48, 60, radius=1.0), 48)


def test_a_ray_is_followed_in_and_out(straight: ReferenceSurface) -> None:
    through = pierce(straight, np.array([5.0, 0.0, 3.0]), np.array([-2.0, 0.0, 0.0]))
    assert through is not None
    assert through.entry[0] == pytest.approx(1.0, abs=0.01) and through.exit[0] == pytest.approx(-1.0, abs=0.01)
    assert through.depth == pytest.approx(2.0, abs=0.02)
    assert pierce(straight, np.array([5.0, 0.0, 3.0]), np.array([1.0, 0.0, 0.0])) is None


def test_only_the_nearer_part_counts(straight: ReferenceSurface) -> None:
    second = straight.positions + [-4.0, 0.0, 0.0]
    both = ReferenceSurface(np.concatenate([straight.positions, second]),
                            np.concatenate([straight.triangles, straight.triangles + len(second)]))
    through = pierce(both, np.array([5.0, 0.0, 3.0]), np.array([-1.0, 0.0, 0.0]))
    assert through is not None and abs(through.middle[0]) < 0.01


def test_what_lies_before_or_behind_a_part_is_not_in_it(straight: ReferenceSurface) -> None:
    through = pierce(straight, np.array([5.0, 0.0, 3.0]), np.array([-1.0, 0.0, 0.0]))
    assert through is not None
    inside = [through.holds(np.array([x, 0.2, 3.0])) for x in (-2.0, -1.2, 0.0, 0.9, 2.0)]
    assert inside == [False, True, True, True, False]


def test_the_axis_is_found_from_any_inner_point(straight: ReferenceSurface) -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        point = np.array([*rng.uniform(-0.6, 0.6, 2), rng.uniform(3, 4.5)])
        axis = limb_axis(straight, point)
        assert axis is not None and abs(axis[2]) > 0.97


@pytest.mark.parametrize("radians", [0.0, 0.6, 1.2])
def test_joints_come_within_two_per_cent_of_the_girth_of_the_centre_line(radians: float) -> None:
    """Clicks beside the middle, from any side, on a straight and on bent limbs."""
    mesh = tube(48, 60, radius=1.0)
    centres = mesh.positions.reshape(60, 48, 3).mean(axis=1)
    if radians:
        mesh = bent(mesh, radians)
        centres = mesh.positions.reshape(60, 48, 3).mean(axis=1)
    surface = closed(mesh, 48)
    girth = 2 * np.pi
    rng = np.random.default_rng(2)
    for _ in range(30):
        index = int(rng.integers(18, 42))
        along = unit(centres[index + 1] - centres[index - 1])
        way = unit(np.cross(along, rng.normal(size=3)))
        beside = np.cross(along, way) * rng.uniform(-0.5, 0.5)
        through = pierce(surface, centres[index] + beside - 20 * way, way)
        assert through is not None
        middle = limb_middle(surface, through.middle)
        assert line_distance(centres, middle) < 0.02 * girth


def line_distance(line: np.ndarray, point: np.ndarray) -> float:
    """Distance of a point from a polyline."""
    bones = np.diff(line, axis=0)
    share = np.clip(np.einsum("ij,ij->i", point - line[:-1], bones) / np.einsum("ij,ij->i", bones, bones), 0, 1)
    return float(np.linalg.norm(line[:-1] + share[:, None] * bones - point, axis=1).min())


def test_an_open_slice_leaves_the_point_where_it_is(straight: ReferenceSurface) -> None:
    sheet = ReferenceSurface(*_slab())
    point = np.array([0.3, 0.2, 0.0])
    assert limb_middle(sheet, point).tolist() == point.tolist()


def _slab() -> tuple[np.ndarray, np.ndarray]:
    """Two large parallel sheets."""
    corners = np.array([[-50, -50], [50, -50], [50, 50], [-50, 50.0]])
    positions = np.concatenate([np.column_stack([corners, np.full(4, z)]) for z in (1.0, -1.0)])
    return positions, np.array([[0, 1, 2], [0, 2, 3], [4, 6, 5], [4, 7, 6]])


@pytest.mark.parametrize(("sides", "spans"), [(6, 3), (12, 1), (None, None)])
def test_preview_rings_lie_on_the_target(straight: ReferenceSurface, sides: int | None, spans: int | None) -> None:
    joints = np.array([[0.1, 0.0, 1.0], [0.0, 0.1, 3.0], [0.0, 0.0, 6.0]])
    rings = preview_rings(straight, joints, sides, spans)
    assert rings.shape[1] == (sides or 8)
    rows = 2 * spans if spans else 3 + 4  # bones of 2 and 3 radii, rows as long as one of eight sides: 2 pi / 8
    assert len(rings) == rows + 1
    assert straight.closest(rings.reshape(-1, 3)).distances.max() < 0.02
