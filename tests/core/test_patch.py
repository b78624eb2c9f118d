"""Filling borders and mesh loops: border kept, patch welded, choices obeyed, refusals clear."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.errors import MeshError
from ringwright.core.patch import border_of_loop, fill_loop, fill_mesh_loop, refill_region, region_border
from ringwright.core.patch_choice import PatchOptions
from ringwright.core.polymesh import BoolArray, PolyMesh
from ringwright.core.rings import boundary_loops
from support.borders import ellipse_border, polygon_border, random_smooth_border, regular_corners
from support.edit_checks import assert_oriented_manifold, pole_census, scaled_jacobians
from support.patch_checks import assert_disc, count_poles
from support.random_meshes import grid_faces
from support.reference_surface import ReferenceSurface
from support.shapes import sphere
from support.tubes import tube


def grid(columns: int, rows: int) -> PolyMesh:
    """A flat grid of unit quads facing +z."""
    x, y = np.meshgrid(np.arange(columns + 1.0), np.arange(rows + 1.0))
    return PolyMesh.from_quads(np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()]), grid_faces(rows, columns))


def keep_faces(mesh: PolyMesh, kept: BoolArray) -> PolyMesh:
    """The same vertices with some of the faces."""
    return PolyMesh.from_faces(mesh.positions, [mesh.face(index).tolist() for index in np.flatnonzero(kept)])


def face_centres(mesh: PolyMesh) -> np.ndarray:
    return mesh.positions[mesh.quads()].mean(axis=1)


def holed_grid() -> tuple[PolyMesh, list[int]]:
    """A 10 x 8 grid without its 4 x 2 block in the middle, and the border of the hole (12 edges)."""
    mesh = grid(10, 8)
    centre = face_centres(mesh)
    hole = (centre[:, 0] > 3) & (centre[:, 0] < 7) & (centre[:, 1] > 3) & (centre[:, 1] < 5)
    return keep_faces(mesh, ~hole), region_border(mesh, hole).tolist()


# --- borders alone


@pytest.mark.parametrize("edges", [4, 6, 10, 18, 40, 256])
def test_the_border_is_kept_exactly(edges: int) -> None:
    border = random_smooth_border(np.random.default_rng(edges), edges)
    patch = fill_loop(border)
    np.testing.assert_array_equal(patch.positions[:edges], border)
    assert_disc(patch.quads, edges)
    assert patch.mesh().face_count == len(patch.quads)


def test_poles_are_counted_as_they_are() -> None:
    border = polygon_border(regular_corners(5), (5, 4, 5, 4, 4))
    patch = fill_loop(border)
    assert patch.corners == (0, 5, 9, 14, 18)
    assert patch.poles == count_poles(patch.quads, 22, patch.corners) == 1


def test_given_corners_are_obeyed() -> None:
    patch = fill_loop(ellipse_border(24), corners=(0, 6, 12, 18))
    assert patch.poles == 0
    assert len(patch.quads) == 36


def test_the_same_border_gives_the_same_patch() -> None:
    border = random_smooth_border(np.random.default_rng(11), 50)
    first, second = fill_loop(border), fill_loop(border.copy())
    np.testing.assert_array_equal(first.quads, second.quads)
    np.testing.assert_array_equal(first.positions, second.positions)


def test_scale_and_place_do_not_matter() -> None:
    border = random_smooth_border(np.random.default_rng(12), 36)
    first, second = fill_loop(border), fill_loop(border * 1e-3 + [5.0, -2.0, 1.0])
    np.testing.assert_array_equal(first.quads, second.quads)
    np.testing.assert_allclose(second.positions, first.positions * 1e-3 + [5.0, -2.0, 1.0], atol=1e-5)


def test_quads_face_where_the_border_turns_counter_clockwise() -> None:
    border = ellipse_border(20)
    for turned, sign in ((border, 1), (border[::-1], -1)):
        patch = fill_loop(turned)
        corners = patch.positions[patch.quads]
        assert np.all(sign * np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])[:, 2] > 0)


# --- refusals


def with_coordinate(border: np.ndarray, vertex: int, value: float) -> np.ndarray:
    border[vertex, 1] = value
    return border


@pytest.mark.parametrize(("border", "words"), [
    (ellipse_border(2), "2 edges"),
    (ellipse_border(3), "3 edges"),
    (np.zeros((6, 2)), "three numbers"),
    (ellipse_border(8)[[0, 2, 1, 3, 4, 5, 6, 7]], "crosses itself"),
    (np.array([(0, 0, 0), (2, 2, 0), (2, 0, 0), (0, 2, 0.0)]), "crosses itself"),
    (ellipse_border(8)[[0, 1, 2, 3, 4, 1, 6, 7]], "1 and 5 lie at the same place"),
    (with_coordinate(ellipse_border(8), 3, np.nan), "vertex 3 has no finite position"),
    (with_coordinate(ellipse_border(8), 5, np.inf), "vertex 5 has no finite position"),
])
def test_borders_that_cannot_be_filled_are_refused(border: np.ndarray, words: str) -> None:
    with pytest.raises(MeshError, match=words):
        fill_loop(border)


def test_an_odd_border_is_told_which_edges_to_change() -> None:
    border = polygon_border([(0, 0), (4, 0), (4, 3), (0, 3)], (3, 2, 4, 2))
    border[1, 0] = 0.5  # edge 0 to 1 is the shortest, 1 to 2 the longest
    with pytest.raises(MeshError) as refusal:
        fill_loop(border)
    assert "11 edges" in str(refusal.value)
    assert "1 to 2, for 12" in str(refusal.value)
    assert "0 to 1, for 10" in str(refusal.value)


@pytest.mark.parametrize("corners", [(0, 0, 4, 6), (0, 12), (-1, 3)])
def test_corners_off_the_border_are_refused(corners: tuple[int, ...]) -> None:
    with pytest.raises(MeshError, match="Corners must be"):
        fill_loop(ellipse_border(12), corners=corners)


@pytest.mark.parametrize(("options", "words"), [
    (PatchOptions(padding=9), "ask for fewer rows"),
    (PatchOptions(side_padding=(0, 0, 9)), "ask for fewer rows"),
    (PatchOptions(padding=-1), "none below zero"),
    (PatchOptions(side_padding=(1, -1)), "none below zero"),
    (PatchOptions(side_padding=(0, 0, 0, 0, 0, 1)), "has 5 sides, and padding is asked for at side 6"),
])
def test_padding_that_cannot_be_is_refused(options: PatchOptions, words: str) -> None:
    with pytest.raises(MeshError, match=words):
        fill_loop(polygon_border(regular_corners(5), (4, 4, 4, 4, 4)), options=options)


# --- choices


def same_connections(first: np.ndarray, second: np.ndarray, border: int) -> bool:
    def graph(quads: np.ndarray) -> nx.Graph:
        made = nx.Graph([(quad[k], quad[(k + 1) % 4]) for quad in quads.tolist() for k in range(4)])
        nx.set_node_attributes(made, {vertex: vertex if vertex < border else -1 for vertex in made}, "name")
        return made

    return nx.vf2pp_is_isomorphic(graph(first), graph(second), node_label="name")


def test_next_patterns_cost_the_same_and_come_round() -> None:
    border = polygon_border(regular_corners(6), (5, 4, 4, 4, 4, 5))
    plain = fill_loop(border)
    assert plain.patterns > 1
    made = [fill_loop(border, options=PatchOptions(pattern=number)) for number in range(plain.patterns)]
    assert {patch.poles for patch in made} == {plain.poles}
    assert not any(same_connections(made[i].quads, made[j].quads, 26) for i in range(len(made)) for j in range(i))
    np.testing.assert_array_equal(fill_loop(border, options=PatchOptions(pattern=plain.patterns)).quads, made[0].quads)


def test_rotating_moves_the_corners_along() -> None:
    border = ellipse_border(24)
    plain, turned = fill_loop(border), fill_loop(border, options=PatchOptions(rotate=1))
    assert not same_connections(plain.quads, turned.quads, 24)
    shifted = np.where(plain.quads < 24, (plain.quads + 1) % 24, plain.quads)
    assert same_connections(shifted, turned.quads, 24)
    squared = fill_loop(ellipse_border(24), corners=(0, 6, 12, 18), options=PatchOptions(rotate=2))
    assert squared.corners == (2, 8, 14, 20)


def test_nudging_moves_the_poles_and_keeps_their_number() -> None:
    border = polygon_border(regular_corners(4), (10, 8, 8, 8))
    plain = fill_loop(border)
    for options in (PatchOptions(nudge=-1), PatchOptions(nudge=1), PatchOptions(nudge=2), PatchOptions(nudge_across=1)):
        moved = fill_loop(border, options=options)
        assert moved.poles == plain.poles
        assert_disc(moved.quads, 34)
        assert not same_connections(plain.quads, moved.quads, 34)


def poles_of(quads: np.ndarray, border: int) -> tuple[nx.Graph, list[int]]:
    graph = nx.Graph([(quad[k], quad[k - 1]) for quad in quads.tolist() for k in range(4)])
    return graph, [vertex for vertex in graph if vertex >= border and graph.degree(vertex) != 4]


@pytest.mark.parametrize("side", range(6))
@pytest.mark.parametrize("rotate", [0, 3, -5, 20])
def test_padding_keeps_poles_away_from_its_side_wherever_the_corners_move(side: int, rotate: int) -> None:
    border = polygon_border(regular_corners(6), (8, 8, 8, 8, 8, 8))
    extra = tuple(3 * (number == side) for number in range(6))
    patch = fill_loop(border, options=PatchOptions(side_padding=extra, rotate=rotate))
    graph, poles = poles_of(patch.quads, 48)
    along = [(8 * side + rotate + step) % 48 for step in range(1, 8)]
    assert len(poles) == 2 and min(nx.shortest_path_length(graph, pole, vertex) for pole in poles for vertex in along) >= 3


def test_rings_of_padding_on_a_round_border() -> None:
    assert len(fill_loop(ellipse_border(16), options=PatchOptions(padding=3)).quads) == 3 * 16 + 16


def test_flow_leads_the_first_row() -> None:
    """Wishes that lean sideways pull the vertices behind the border their way."""
    border = ellipse_border(32)
    straight = fill_loop(border)
    lean = 0.85 * border + 0.1 * np.cross([0, 0, 1.0], border)
    leaning = fill_loop(border, flow=lean)
    behind = [next(int(quad[(list(quad).index(7) + 3) % 4]) for quad in straight.quads.tolist()
                   if 7 in quad and 8 in quad and quad[(quad.index(7) + 1) % 4] == 8)]
    before = np.linalg.norm(straight.positions[behind] - lean[7])
    assert np.linalg.norm(leaning.positions[behind] - lean[7]) < 0.8 * before


# --- on a target


def test_a_patch_settles_on_a_sphere_without_folds() -> None:
    ball = sphere(1.0, 5)
    target = ReferenceSurface(ball.positions, ball.triangles)
    angle = 2 * np.pi * np.arange(32) / 32
    border = np.column_stack([0.8 * np.cos(angle), 0.8 * np.sin(angle), np.full(32, 0.6)])
    patch = fill_loop(border, surface=target)
    np.testing.assert_array_equal(patch.positions[:32], border)
    assert np.abs(np.linalg.norm(patch.positions[32:], axis=1) - 1).max() < 2e-3
    assert scaled_jacobians(patch.mesh()).min() > 0.3
    assert patch.positions[32:, 2].min() > 0.55


# --- on a mesh


def test_a_hole_in_a_grid_becomes_the_grid_again() -> None:
    mesh, loop = holed_grid()
    for turned in (loop, loop[::-1], loop[5:] + loop[:5]):
        filled = fill_mesh_loop(mesh, turned, follow=True).mesh
        assert filled.face_count == 80
        assert pole_census(filled) == {}
        assert_oriented_manifold(filled)
        np.testing.assert_array_equal(filled.positions[: mesh.vertex_count], mesh.positions)
        np.testing.assert_array_equal(filled.corner_verts[: len(mesh.corner_verts)], mesh.corner_verts)
        np.testing.assert_allclose(filled.positions[mesh.vertex_count:], filled.positions[mesh.vertex_count:].round(), atol=0.02)


def test_a_border_gives_the_same_patch_wherever_it_is_entered() -> None:
    border = polygon_border([(1, 1), (-1, 1), (-1, -1), (1, -1)], (10, 8, 8, 8))
    rim = [[at, 34 + at, 34 + (at + 1) % 34, (at + 1) % 34] for at in range(34)]
    mesh = PolyMesh.from_faces(np.vstack([border, 1.3 * border]), rim)
    first = fill_mesh_loop(mesh, np.arange(34)).mesh
    for loop in (np.roll(np.arange(34), 1), np.roll(np.arange(34), 20), np.arange(34)[::-1]):
        again = fill_mesh_loop(mesh, loop).mesh
        np.testing.assert_array_equal(again.corner_verts, first.corner_verts)
        np.testing.assert_array_equal(again.positions, first.positions)


def test_a_tube_is_closed_with_the_fewest_poles_at_both_ends() -> None:
    mesh = tube(12, 6)
    for loop in boundary_loops(mesh, build_adjacency(mesh)):
        mesh = fill_mesh_loop(mesh, loop).mesh
    assert_oriented_manifold(mesh)
    assert build_adjacency(mesh).edge_face_count.min() == 2
    assert pole_census(mesh) == {3: 8}


def test_attributes_grow_with_the_mesh() -> None:
    mesh, loop = holed_grid()
    limbs = {"face__face_limb": np.ones(mesh.face_count, dtype=np.int32), "vertex__limb": np.ones(mesh.vertex_count, dtype=np.int32)}
    mesh = mesh.with_attributes(**limbs)
    filled = fill_mesh_loop(mesh, loop).mesh
    assert len(filled.attributes["face.face_limb"]) == filled.face_count
    assert len(filled.attributes["vertex.limb"]) == filled.vertex_count


def test_loops_that_are_no_border_are_refused() -> None:
    mesh, loop = holed_grid()
    with pytest.raises(MeshError, match="2 faces"):
        fill_mesh_loop(mesh, [0, 1, 12, 11])
    with pytest.raises(MeshError, match="0 faces"):
        fill_mesh_loop(mesh, loop[:-3])
    with pytest.raises(MeshError, match="twice"):
        fill_mesh_loop(mesh, loop + loop)
    with pytest.raises(MeshError, match="not a vertex of the border"):
        fill_mesh_loop(mesh, loop, corners=(0,))


def test_a_border_with_a_non_manifold_neighbour_is_refused() -> None:
    mesh, loop = holed_grid()
    start, end = loop[0], loop[1]
    fin = PolyMesh.from_faces(np.vstack([mesh.positions, [[3, 3, 1], [4, 3, 1]]]),
                              [*(mesh.face(index).tolist() for index in range(mesh.face_count)),
                               [start, end, mesh.vertex_count + 1, mesh.vertex_count]])
    with pytest.raises(MeshError, match="2 faces"):
        fill_mesh_loop(fin, loop)


def test_an_odd_hole_is_refused_and_the_mesh_untouched() -> None:
    mesh, loop = holed_grid()
    faces = [mesh.face(index).tolist() for index in range(mesh.face_count)]
    for face in faces:
        if loop[0] in face and loop[1] in face:
            last = max(face.index(loop[0]), face.index(loop[1]))
            face.insert(4 if {face[0], face[-1]} == {loop[0], loop[1]} else last, mesh.vertex_count)
    odd = PolyMesh.from_faces(np.vstack([mesh.positions, mesh.positions[loop[:2]].mean(axis=0)]), faces)
    before = odd.positions.copy()
    with pytest.raises(MeshError, match="13 edges"):
        fill_mesh_loop(odd, [loop[0], mesh.vertex_count, *loop[1:]])
    np.testing.assert_array_equal(odd.positions, before)


def test_border_looks_where_the_faces_look() -> None:
    mesh, loop = holed_grid()
    border = border_of_loop(mesh, loop[::-1])
    np.testing.assert_allclose(border.normals, np.broadcast_to([0, 0, 1.0], border.normals.shape))
    assert sorted(np.bincount(border.outer_faces, minlength=4).tolist()) == [0, 0, 4, 8]
    single = np.isfinite(border.flow).all(axis=1)
    assert np.count_nonzero(single) == 8
    reached = border.flow[single] - mesh.positions[border.vertices[single]]
    np.testing.assert_allclose(np.linalg.norm(reached, axis=1), 1)


def test_a_patch_never_doubles_an_edge_of_the_mesh() -> None:
    """Two quads with a common edge across: closing their border by two quads must not use that edge again."""
    ring = ellipse_border(6)
    mesh = PolyMesh.from_faces(ring + [0, 0, 0.0], [[0, 1, 2, 3], [0, 3, 4, 5]])
    for loop in ([0, 1, 2, 3, 4, 5], [2, 3, 4, 5, 0, 1]):
        filled = fill_mesh_loop(mesh, loop).mesh
        assert build_adjacency(filled).edge_face_count.tolist() == [2] * build_adjacency(filled).edge_count
        assert_oriented_manifold(filled)


# --- regions


def test_a_region_of_triangles_and_polygons_is_refilled_with_quads() -> None:
    mesh = grid(8, 8)
    centre = face_centres(mesh)
    inside = np.all((centre > [2, 2, -1]) & (centre < [6, 6, 1]), axis=1)
    faces: list[list[int]] = []
    for index in range(mesh.face_count):
        face = mesh.face(index).tolist()
        faces += [face[:3], [face[0], face[2], face[3]]] if inside[index] and index % 2 else [face]
    merged = PolyMesh.from_faces(mesh.positions, faces)
    middle = merged.positions[[face[0] for face in faces]] if faces else None
    assert middle is not None
    centres = np.array([merged.positions[face].mean(axis=0) for face in faces])
    region = np.flatnonzero(np.all((centres > [2, 2, -1]) & (centres < [6, 6, 1]), axis=1))
    refilled = refill_region(merged, region, follow=True).mesh
    assert set(refilled.face_sizes.tolist()) == {4}
    assert_oriented_manifold(refilled)
    assert refilled.face_count == 64
    assert refilled.vertex_count == 81
    assert pole_census(refilled) == {}


def test_a_ragged_region_of_a_bent_grid_gets_its_grid_back() -> None:
    mesh = grid(16, 16)
    x, y = mesh.positions[:, 0], mesh.positions[:, 1]
    mesh = mesh.with_positions(np.column_stack([x, y, 1.5 * np.sin(x / 4) * np.cos(y / 5)]))
    region = np.flatnonzero(np.linalg.norm(face_centres(mesh)[:, :2] - 8, axis=1) < 4.5)
    refilled = refill_region(mesh, region, follow=True).mesh
    assert (refilled.face_count, refilled.vertex_count) == (mesh.face_count, mesh.vertex_count)
    assert pole_census(refilled) == {}
    assert scaled_jacobians(refilled).min() > 0.8


def test_a_pentagon_in_a_region_goes() -> None:
    """Ten edges round a pentagon, a triangle and two quads."""
    ring = ellipse_border(10)
    positions = np.vstack([ring, [[0, 0, 0.0]]])
    mesh = PolyMesh.from_faces(positions, [[0, 1, 2, 3, 10], [3, 4, 5, 10], [5, 6, 10], [6, 7, 8, 10], [8, 9, 0, 10]])
    refilled = refill_region(mesh, range(5)).mesh
    assert set(refilled.face_sizes.tolist()) == {4}
    np.testing.assert_array_equal(refilled.positions[:10], ring)
    assert_oriented_manifold(refilled)


def test_a_region_with_a_non_manifold_edge_is_refused() -> None:
    mesh = grid(4, 4)
    fin = PolyMesh.from_faces(np.vstack([mesh.positions, [[1, 1, 1], [2, 1, 1]]]),
                              [*(mesh.face(index).tolist() for index in range(16)), [6, 7, 26, 25]])
    with pytest.raises(MeshError, match="from vertex 6 to 7 in the region has more than two faces"):
        refill_region(fin, [1, 5])


def test_regions_that_are_no_disc_are_refused() -> None:
    mesh = grid(6, 6)
    centre = face_centres(mesh)
    ring = np.all((centre > [1, 1, -1]) & (centre < [5, 5, 1]), axis=1) & ~np.all((centre > [2, 2, -1]) & (centre < [4, 4, 1]), axis=1)
    for faces, words in ((np.flatnonzero(ring), "single disc"), (np.array([0, 35]), "single disc"), (np.array([], dtype=int), "No face"),
                         (np.array([0, 7]), "touches itself")):
        with pytest.raises(MeshError, match=words):
            refill_region(mesh, faces)
