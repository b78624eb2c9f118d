"""Edits that artists make on a selection: each says truly where its parts come from."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.chosen_rings import chosen_rings, covered_by_rings, kept_clear
from ringwright.core.make_quads import make_quads
from ringwright.core.mesh_edit import MeshEdit
from ringwright.core.mirror_plane import MirrorPlane
from ringwright.core.overlay_data import overlay_data
from ringwright.core.patch_edit import fill_loops, mean_value_shares, refill_faces
from ringwright.core.polymesh import FloatArray, PolyMesh
from ringwright.core.rings import boundary_loops, boundary_rings
from ringwright.core.settle_region import settle_region, softness
from ringwright.core.vertex_paths import order_path, vertex_paths
from support.reference_surface import ReferenceSurface
from support.tubes import join, tube


def grid(columns: int, rows: int) -> PolyMesh:
    x, y = np.meshgrid(np.arange(columns + 1.0), np.arange(rows + 1.0))
    positions = np.column_stack([x.ravel(), y.ravel(), 0.05 * np.sin(x.ravel())])
    first = (np.arange(rows)[:, None] * (columns + 1) + np.arange(columns)).ravel()
    return PolyMesh.from_quads(positions, np.column_stack([first, first + 1, first + columns + 2, first + columns + 1]))


def check_edit(mesh: PolyMesh, edit: MeshEdit) -> None:
    """Kept vertices and faces are the old ones, in their order."""
    number = edit.new_vertex_of[: mesh.vertex_count]
    kept = np.flatnonzero(number >= 0)
    assert np.array_equal(edit.mesh.positions[number[kept]], mesh.positions[kept])
    assert np.all(np.diff(number[kept]) > 0)
    for index in np.flatnonzero(edit.kept_faces):
        assert edit.mesh.face(int(index)).tolist() == number[mesh.face(int(edit.face_sources[index]))].tolist()
    assert edit.vertex_sources.max() < mesh.vertex_count and edit.face_sources.max() < mesh.face_count
    assert np.allclose(edit.vertex_weights.sum(axis=1), 1)


def test_both_ends_of_a_tube_fill() -> None:
    mesh = tube(12, 4)
    edit = fill_loops(mesh, boundary_loops(mesh, build_adjacency(mesh))).edit
    check_edit(mesh, edit)
    adjacency = build_adjacency(edit.mesh)
    assert set(edit.mesh.face_sizes) == {4} and not adjacency.boundary_vertex.any()


def test_a_region_is_filled_anew_and_its_inner_vertices_go() -> None:
    mesh = grid(6, 6)
    chosen = np.array([row * 6 + column for row in range(1, 5) for column in range(1, 5)])
    edit = refill_faces(mesh, chosen).edit
    check_edit(mesh, edit)
    assert np.count_nonzero(edit.kept_faces) == 36 - 16
    assert np.count_nonzero(edit.new_vertex_of[: mesh.vertex_count] < 0) == 9
    assert len(boundary_loops(edit.mesh, build_adjacency(edit.mesh))) == 1


def test_a_region_at_the_rim_keeps_the_rim() -> None:
    mesh = grid(4, 4)
    edit = refill_faces(mesh, np.arange(4)).edit
    check_edit(mesh, edit)
    assert np.all(edit.new_vertex_of[:5] >= 0)


def with_triangles(mesh: PolyMesh, faces: list[int]) -> PolyMesh:
    made = []
    for index in range(mesh.face_count):
        face = mesh.face(index).tolist()
        made += [face[:3], [face[2], face[3], face[0]]] if index in faces else [face]
    return PolyMesh.from_faces(mesh.positions, made)


def test_only_chosen_triangles_merge() -> None:
    mesh = with_triangles(grid(4, 4), [0, 9])
    chosen = np.zeros(mesh.face_count, dtype=np.bool_)
    chosen[:2] = True
    made = make_quads(mesh, chosen, np.zeros(build_adjacency(mesh).edge_count, dtype=np.bool_))
    check_edit(mesh, made.edit)
    assert np.count_nonzero(made.edit.mesh.face_sizes == 3) == 2 and made.odd_faces == ()


def test_locked_edges_stay() -> None:
    mesh = with_triangles(grid(3, 3), [4])
    everything = np.ones(mesh.face_count, dtype=np.bool_)
    edges = build_adjacency(mesh).edge_verts
    locked = np.zeros(len(edges), dtype=np.bool_)
    diagonal = set(mesh.face(4).tolist()) & set(mesh.face(5).tolist())
    locked[[set(edge) == diagonal for edge in edges.tolist()]] = True
    assert len(make_quads(mesh, everything, locked).odd_faces) == 2
    assert make_quads(mesh, everything, ~locked & False).odd_faces == ()


def test_a_far_triangle_is_carried_away() -> None:
    mesh = grid(5, 5)
    faces = [mesh.face(index).tolist() for index in range(mesh.face_count)]
    for index in (6, 18):
        faces[index] = faces[index][:3]
    odd = PolyMesh.from_faces(mesh.positions, faces)
    everything = np.ones(odd.face_count, dtype=np.bool_)
    free = np.zeros(build_adjacency(odd).edge_count, dtype=np.bool_)
    assert len(make_quads(odd, everything, free).odd_faces) == 2
    carried = make_quads(odd, everything, free, carry=True)
    assert carried.odd_faces == () and set(carried.edit.mesh.face_sizes) == {4}


def test_what_is_selected_beside_a_ring_and_the_ring_next_to_it_are_kept_clear():
    mesh = tube(8, 4)
    adjacency = build_adjacency(mesh)
    rings = boundary_rings(mesh, adjacency)
    number = next(index for index in range(rings.count) if 0 in rings.ring(index))
    chosen = np.zeros(mesh.vertex_count, dtype=np.bool_)
    chosen[:8] = True  # the lowest ring itself: it shall change
    assert not kept_clear(adjacency, rings, [number], chosen).any()
    chosen[[10, 11, 19]] = True  # two above it, and one higher up
    assert np.flatnonzero(kept_clear(adjacency, rings, [number], chosen)).tolist() == [2, 3, 10, 11, 19]


def test_chosen_rings_are_whole_ones_first() -> None:
    mesh = join(tube(8, 3), tube(12, 3, base=(9, 0, 0)))
    rings = boundary_rings(mesh, build_adjacency(mesh))
    chosen = np.zeros(mesh.vertex_count, dtype=np.bool_)
    chosen[rings.ring(0)] = True
    chosen[rings.ring(2)[:7]] = True
    assert chosen_rings(rings, chosen) == [0]
    assert not covered_by_rings(rings, [0], chosen)
    chosen[rings.ring(0)[0]] = False
    assert chosen_rings(rings, chosen) == [0, 2]


def test_softness_rises_with_the_distance() -> None:
    chain = np.column_stack([np.arange(6), np.arange(1, 7)])
    still = np.arange(7) == 0
    assert softness(chain, still, 3).tolist() == [0, 0.25, 0.5, 0.75, 1, 1, 1]


def test_only_chosen_vertices_settle() -> None:
    mesh = tube(16, 12)
    target = ReferenceSurface.from_mesh(tube(64, 60, radius=1.0, spacing=0.1))
    rough = mesh.with_positions(mesh.positions * [1.1, 1.1, 1.0])
    chosen = np.zeros(mesh.vertex_count, dtype=np.bool_)
    chosen[16 * 4 : 16 * 8] = True
    settled = settle_region(rough, target, chosen, soft_edge=0)
    assert np.array_equal(settled.positions[~chosen], rough.positions[~chosen])
    assert np.abs(np.linalg.norm(settled.positions[chosen][:, :2], axis=1) - 1).max() < 0.01


def test_vertices_on_a_plane_stay_on_it() -> None:
    """On a target that leans across the plane the skin alone would carry them off it."""
    target = ReferenceSurface.from_mesh(tube(64, 60, radius=1.0, spacing=0.1))
    leaning = ReferenceSurface(target.positions @ np.array([[1, 0.2, 0], [0, 1, 0], [0, 0, 1.0]]), target.triangles)
    mesh = tube(16, 12)
    on_plane = np.abs(mesh.positions[:, 1]) < 1e-9
    everywhere = np.ones(mesh.vertex_count, dtype=np.bool_)
    plane = MirrorPlane(np.zeros(3), np.array([0.0, 1.0, 0.0]))
    assert np.count_nonzero(on_plane) == 2 * 12
    free = settle_region(mesh, leaning, everywhere, pin_boundary=False)
    kept = settle_region(mesh, leaning, everywhere, pin_boundary=False, plane=plane)
    assert np.abs(free.positions[on_plane, 1]).max() > 1e-3
    assert np.abs(kept.positions[on_plane, 1]).max() < 1e-12
    assert leaning.closest(kept.positions).distances.max() < 0.02


def test_even_spacing_evens_rows_out() -> None:
    mesh = tube(16, 12)
    uneven = mesh.positions.copy()
    uneven[:, 2] = 8.0 * (uneven[:, 2] / 8.0) ** 1.5
    target = ReferenceSurface.from_mesh(tube(64, 120, radius=1.0, spacing=0.1))
    everywhere = np.ones(mesh.vertex_count, dtype=np.bool_)

    def unevenness(freedom: FloatArray | None) -> float:
        settled = settle_region(mesh.with_positions(uneven), target, everywhere, freedom=freedom)
        steps = np.diff(settled.positions.reshape(12, 16, 3)[:, 0, 2])
        return float(steps.max() / steps.min())

    assert unevenness(np.ones(mesh.vertex_count)) < 0.8 * unevenness(None)


def test_the_overlay_tells_rings_poles_and_odd_faces() -> None:
    mesh = join(tube(12, 3), tube(8, 3, base=(0, 0, 3.0)))
    data = overlay_data(mesh)
    assert sorted(data.ring_counts.tolist()) == [8, 8, 12, 12]
    assert data.unlike_counts.tolist() == [[12, 8]]
    assert len(data.ring_edges) == 40 and not len(data.pole_valences) and not len(data.odd_triangles)
    edit = fill_loops(mesh, boundary_loops(mesh, build_adjacency(mesh))[:1]).edit
    assert set(overlay_data(edit.mesh).pole_valences.tolist()) == {3}
    odd = overlay_data(with_triangles(grid(3, 3), [4]))
    assert len(odd.odd_triangles) == 2
    assert len(overlay_data(PolyMesh.from_faces(np.zeros((0, 3)), [])).ring_counts) == 0


def test_chains_and_loose_points_come_in_order() -> None:
    assert vertex_paths(4, np.array([[2, 0], [0, 3], [3, 1]])) == [[1, 3, 0, 2]]
    assert vertex_paths(3, np.array([[0, 1], [1, 2], [2, 0]])) == []
    assert vertex_paths(3, np.array([[0, 1]])) == []
    assert vertex_paths(4, np.array([[0, 1], [0, 2], [0, 3]])) == []
    order = order_path(np.array([[3, 0.1, 0], [0, 0, 0], [1, 0, 0.1], [2, 0, 0.0]]))
    assert order in ([1, 2, 3, 0], [0, 3, 2, 1])


def test_no_loop_is_refused() -> None:
    with pytest.raises(Exception, match="No open ring"):
        fill_loops(tube(8, 3), [])


@pytest.mark.parametrize("clockwise", [False, True])
def test_a_patch_mixes_its_border(clockwise: bool) -> None:
    """Shares add up to 1, none is negative, and on a flat convex border they give every point its own place."""
    random = np.random.default_rng(4)
    angles = np.sort(random.uniform(0, 2 * np.pi, 14))[:: -1 if clockwise else 1]
    turn = np.linalg.qr(random.normal(size=(3, 3)))[0]
    border = np.column_stack([np.cos(angles), 2 * np.sin(angles), 0 * angles]) @ turn
    mix = random.dirichlet(np.ones(14), size=30)
    points = mix @ border
    shares = mean_value_shares(border, points)
    assert np.all(shares >= 0) and shares.sum(axis=1) == pytest.approx(1)
    assert shares @ border == pytest.approx(points, abs=1e-9)
