"""Poles: valence, Gauss-Bonnet balance, bounds and step-downs on meshes whose poles are known."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.poles import JointZone, PlanTally, count_poles, find_step_downs, poles_in_zones, topological_bound
from ringwright.core.polymesh import PolyMesh


def tube(sides: int, rings: int, first: int = 0) -> tuple[np.ndarray, list[list[int]]]:
    """Open tube of unit radius along z; vertex numbers start at ``first``."""
    angle = 2 * np.pi * np.arange(sides) / sides
    positions = np.array([[np.cos(a), np.sin(a), float(ring)] for ring in range(rings) for a in angle])
    faces = [[first + ring * sides + k, first + ring * sides + (k + 1) % sides,
              first + (ring + 1) * sides + (k + 1) % sides, first + (ring + 1) * sides + k]
             for ring in range(rings - 1) for k in range(sides)]
    return positions, faces


def capped_tube(rings: int) -> PolyMesh:
    """Tube of eight sides, one end closed by a 2 x 2 grid."""
    positions, faces = tube(8, rings)
    base = (rings - 1) * 8
    centre = len(positions)
    faces += [[base + k, base + (k + 1) % 8, base + (k + 2) % 8, centre] for k in (0, 2, 4, 6)]
    faces[-4:] = [[base + (k + 7) % 8, base + k, base + (k + 1) % 8, centre] for k in (0, 2, 4, 6)]
    return PolyMesh.from_faces(np.vstack([positions, [0, 0, rings - 0.5]]), faces)


def stepped_tube() -> PolyMesh:
    """Tube that goes from eight to six sides in one row: t0 t1 t2 t3 over b0 b1, the rest straight."""
    top, upper = tube(8, 3)
    faces = list(upper)
    angle = 2 * np.pi * np.arange(6) / 6
    below = np.array([[np.cos(a), np.sin(a), 3.0] for a in angle])
    lower = np.array([[np.cos(a), np.sin(a), 4.0] for a in angle])
    t, b = [16 + k for k in range(8)], [24 + k for k in range(6)]
    faces += [[t[0], t[1], b[1], b[0]], [t[1], t[2], t[3], b[1]]]
    faces += [[t[k + 2], t[(k + 3) % 8], b[(k + 1) % 6], b[k]] for k in range(1, 6)]
    faces += [[b[k], b[(k + 1) % 6], 30 + (k + 1) % 6, 30 + k] for k in range(6)]
    return PolyMesh.from_faces(np.vstack([top, below, lower]), faces)


def cube() -> PolyMesh:
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    return PolyMesh.from_faces(corners, [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])


def test_one_quad_has_four_boundary_poles() -> None:
    mesh = PolyMesh.from_faces([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2, 3]])
    census = count_poles(mesh, build_adjacency(mesh))
    assert census.boundary_by_valence() == {2: 4} and census.inner_by_valence() == {}
    assert (census.balance, census.euler_number, census.bound, census.excess) == (4, 1, 4, 0)


def test_open_tube_has_no_pole() -> None:
    mesh = PolyMesh.from_faces(*tube(6, 4))
    census = count_poles(mesh, build_adjacency(mesh), PlanTally(0, 0, 0))
    assert len(census.vertices) == 0 and census.excess == 0 and census.balanced and census.bound_from_plan


def test_cube_has_its_eight() -> None:
    mesh = cube()
    census = count_poles(mesh, build_adjacency(mesh), PlanTally(tips=2, branches=0, step_downs=0))
    assert census.inner_by_valence() == {3: 8} and census.excess == 0 and census.balanced


def test_closed_tip_has_four() -> None:
    mesh = capped_tube(4)
    census = count_poles(mesh, build_adjacency(mesh), PlanTally(1, 0, 0))
    assert census.inner_by_valence() == {3: 4} and census.excess == 0 and census.balanced
    assert count_poles(mesh, build_adjacency(mesh)).bound == 4


def test_step_down_is_found_and_balanced() -> None:
    mesh = stepped_tube()
    adjacency = build_adjacency(mesh)
    census = count_poles(mesh, adjacency, PlanTally(0, 0, 1))
    assert census.inner_by_valence() == {3: 1, 5: 1} and census.excess == 0 and census.balance == 0
    (place,) = find_step_downs(mesh, census)
    assert (place.three_pole, place.five_pole) == (18, 25)
    assert set(mesh.face(place.face)) == {17, 18, 19, 25}
    assert topological_bound(mesh, adjacency) == 2


def test_fan_tip_is_over_the_bound() -> None:
    positions, faces = tube(10, 3)
    centre = len(positions)
    faces += [[20 + (k + 9) % 10, 20 + k, 20 + (k + 1) % 10, centre] for k in range(0, 10, 2)]
    mesh = PolyMesh.from_faces(np.vstack([positions, [0, 0, 3]]), faces)
    census = count_poles(mesh, build_adjacency(mesh), PlanTally(1, 0, 0))
    assert census.inner_by_valence() == {3: 5, 5: 1} and census.excess == 2 and census.balanced


def test_pieces_are_bounded_one_by_one() -> None:
    first, second = cube(), PolyMesh.from_faces(*tube(8, 3))
    both = PolyMesh.from_faces(np.vstack([first.positions, second.positions]),
                               [list(first.face(k)) for k in range(6)] + [list(second.face(k) + 8) for k in range(second.face_count)])
    assert topological_bound(both, build_adjacency(both)) == 8


def test_loose_vertices_are_no_poles() -> None:
    mesh = cube()
    mesh = PolyMesh(np.vstack([mesh.positions, [[5, 5, 5]]]), mesh.corner_verts, mesh.face_offsets)
    census = count_poles(mesh, build_adjacency(mesh))
    assert census.euler_number == 2 and len(census.vertices) == 8


@pytest.mark.parametrize(("half_length", "radius", "expected"), [(0.6, 2.0, [18, 25]), (1.0, 0.5, []), (0.4, 2.0, [])])
def test_poles_in_zone(half_length: float, radius: float, expected: list[int]) -> None:
    mesh = stepped_tube()
    census = count_poles(mesh, build_adjacency(mesh))
    zone = JointZone("elbow", np.array([0.0, 0.0, 2.5]), np.array([0.0, 0.0, 1.0]), half_length, radius)
    found = poles_in_zones(mesh.positions, census.vertices, [zone])
    assert found.get("elbow", np.array([])).tolist() == expected
