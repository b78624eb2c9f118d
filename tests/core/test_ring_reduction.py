"""Stepping an open ring down and up on existing meshes: properties over random tubes, refusals, choices."""

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.errors import MeshError
from ringwright.core.placement_costs import bending_costs
from ringwright.core.polymesh import PolyMesh
from ringwright.core.ring_layers import ring_layers
from ringwright.core.ring_reduction import reachable_counts, step_ring
from ringwright.core.ring_splice import splice_rings
from ringwright.core.rings import boundary_loops, boundary_rings
from ringwright.core.strips import find_strips
from support.edit_checks import assert_oriented_manifold, assert_rest_untouched, interior_valences, pole_census, scaled_jacobians
from support.random_meshes import grid_faces
from support.tubes import bent, join, tube


def top_loop(mesh):
    adjacency = build_adjacency(mesh)
    loops = boundary_loops(mesh, adjacency)
    return adjacency, max(loops, key=lambda loop: mesh.positions[loop, 2].mean())


def check_step(mesh, count, **choices):
    """Step the highest ring and check what must hold whatever the mesh is."""
    adjacency, loop = top_loop(mesh)
    change = step_ring(mesh, adjacency, loop, count, **choices)
    new = change.edit.mesh
    number = abs(len(loop) - count) // 2
    assert np.all(new.face_sizes == 4)
    assert_oriented_manifold(new)
    assert_rest_untouched(mesh, change.edit)
    assert len(change.ring) == count
    loops = boundary_loops(new, build_adjacency(new))
    assert sorted(len(other) for other in loops) == sorted(
        [count] + [len(other) for other in boundary_loops(mesh, adjacency) if not np.array_equal(other, loop)])
    start = int(np.argmin(change.ring))
    assert any(np.array_equal(np.roll(change.ring, -start), other) for other in loops)
    assert np.count_nonzero(~change.edit.kept_faces) == new.face_count - np.count_nonzero(change.edit.kept_faces)
    assert mesh.face_count - np.count_nonzero(change.edit.kept_faces) == change.rows * len(loop)
    assert len(change.three_poles) == len(change.five_poles) == number
    return change


def assert_poles_added(mesh, change):
    before, after = pole_census(mesh), pole_census(change.edit.mesh)
    added = {valence: after.get(valence, 0) - before.get(valence, 0) for valence in {*before, *after}}
    number = len(change.three_poles)
    assert {valence: many for valence, many in added.items() if many} == ({3: number, 5: number} if number else {})
    valence, inside = interior_valences(change.edit.mesh)
    assert np.all(inside[change.three_poles]) and np.all(inside[change.five_poles])
    assert np.all(valence[change.three_poles] == 3) and np.all(valence[change.five_poles] == 5)


def all_counts():
    return [(count, wanted) for count in range(6, 65) for wanted in range(4 + count % 2, count - 1, 2)]


def check_round_tube(count, wanted):
    mesh = tube(count, 14)
    change = check_step(mesh, wanted)
    assert_poles_added(mesh, change)
    assert scaled_jacobians(change.edit.mesh).min() >= 0.1


@pytest.mark.parametrize("index", np.random.default_rng(1).choice(len(all_counts()), 24, replace=False))
def test_round_tube(index):
    check_round_tube(*all_counts()[index])


@pytest.mark.slow
@pytest.mark.parametrize("count", range(6, 65))
def test_round_tube_from_every_count_to_every_count(count):
    for wanted in range(4 + count % 2, count - 1, 2):
        check_round_tube(count, wanted)


def random_tube(seed, upper=None):
    """Bent, uneven, with poles of an earlier splice below the top ring, which has ``upper`` edges."""
    random = np.random.default_rng(seed)
    if upper is None:
        lower = int(random.integers(4, 24))
        upper = lower + 2 * int(random.integers(0, max(lower // 2, 1)))
    else:
        lower = upper - 2 * int(random.integers(0, (upper - 4) // 4 + 1))
    mesh = join(tube(lower, 4), tube(upper, 14, base=(0, 0, 9.0), spacing=0.3))
    adjacency = build_adjacency(mesh)
    rings = boundary_rings(mesh, adjacency)
    splice = splice_rings(mesh, adjacency, rings, [(1, 2)])
    noise = 0.08 * 2 * np.sin(np.pi / upper)
    return bent(splice.edit.mesh, float(random.uniform(0.1, 0.8)), seed, noise), upper, random


@pytest.mark.parametrize("seed", range(20))
def test_random_tubes_with_poles(seed):
    mesh, count, random = random_tube(seed)
    wanted = int(random.choice([other for other in range(4, 2 * count) if (other - count) % 2 == 0 and other != count]))
    assert_poles_added(mesh, check_step(mesh, wanted))


@pytest.mark.slow
@pytest.mark.parametrize("count", range(6, 65))
def test_random_tubes_with_poles_from_every_count_to_every_count(count):
    mesh, _, _ = random_tube(count, count)
    for wanted in range(4 + count % 2, count - 1, 2):
        assert_poles_added(mesh, check_step(mesh, wanted))


@pytest.mark.parametrize(("count", "wanted"), [(4, 6), (6, 12), (10, 20), (8, 30), (20, 22)])
def test_step_up_is_the_pattern_reversed(count, wanted):
    mesh = tube(count, 14)
    change = check_step(mesh, wanted)
    assert_poles_added(mesh, change)
    assert scaled_jacobians(change.edit.mesh).min() >= 0.1


def test_up_and_down_again_gives_the_old_counts():
    mesh = tube(10, 20)
    up = check_step(mesh, 16)
    down = check_step(up.edit.mesh, 10)
    assert len(down.ring) == 10


def test_same_count_changes_nothing():
    mesh = tube(8, 4)
    change = check_step(mesh, 8)
    assert change.rows == 0 and change.edit.kept_faces.all()


def test_odd_change_is_refused_with_the_nearest_counts():
    adjacency, loop = top_loop(tube(9, 5))
    with pytest.raises(MeshError, match="ask for 5 or 7"):
        step_ring(tube(9, 5), adjacency, loop, 6)


def test_rows_allowed_are_not_exceeded():
    mesh = tube(20, 10)
    for rows in (1, 2, 3, 5):
        change = check_step(mesh, 14, rows=rows)
        assert change.rows == rows


def test_obstacles_are_named_with_reachable_counts():
    mesh = tube(20, 3)
    adjacency, loop = top_loop(mesh)
    within = reachable_counts(20, 2)
    assert within[0] == 18 and 4 not in within
    listed = ", ".join(map(str, within))
    with pytest.raises(MeshError, match=f"only 2 clean rows.*next open ring begins at vertex.*within reach: {listed}"):
        step_ring(mesh, adjacency, loop, 4)
    for count in within:
        check_step(mesh, count)


def test_pole_in_the_way_is_named():
    mesh = join(tube(8, 4), tube(14, 3, base=(0, 0, 6.0)))
    adjacency = build_adjacency(mesh)
    joined = splice_rings(mesh, adjacency, boundary_rings(mesh, adjacency), [(1, 2)], rows=3).edit.mesh
    adjacency, loop = top_loop(joined)
    layers = ring_layers(joined, adjacency, loop, 64)
    assert layers.rows == 3 and "lies in the way" in layers.obstacle
    named = int(layers.obstacle.split()[1])
    assert adjacency.valence[named] == 3 and "3 edges" in layers.obstacle
    assert named in layers.vertices[-1]


def test_triangle_ends_the_clean_rows():
    mesh = tube(12, 8)
    faces = [mesh.face(index).tolist() for index in range(mesh.face_count)]
    faces[36:37] = [faces[36][:3], [faces[36][0], *faces[36][2:]]]
    broken = PolyMesh.from_faces(mesh.positions, faces)
    adjacency, loop = top_loop(broken)
    layers = ring_layers(broken, adjacency, loop, 64)
    assert layers.rows == 3
    assert layers.obstacle == "face 37 with 3 corners lies in the way"


def test_rows_end_before_a_fin_that_hangs_on_them():
    mesh = tube(12, 8)
    fin = np.array([[3.0, 0.0, mesh.positions[36, 2]], [3.0, 0.0, mesh.positions[48, 2]]])
    faces = [mesh.face(index).tolist() for index in range(mesh.face_count)]
    finned = PolyMesh.from_faces(np.concatenate([mesh.positions, fin]), [*faces, [36, 48, 97, 96]])
    adjacency, loop = top_loop(finned)
    layers = ring_layers(finned, adjacency, loop, 64)
    assert layers.rows == 3 and layers.obstacle == "vertex 48, on which other faces hang, lies in the way"
    change = step_ring(finned, adjacency, loop, 10)
    assert_rest_untouched(finned, change.edit)


def test_rows_end_before_a_face_that_lies_on_another():
    mesh = tube(12, 8)
    faces = [mesh.face(index).tolist() for index in range(mesh.face_count)]
    doubled = PolyMesh.from_faces(mesh.positions, [*faces, faces[40]])
    adjacency, loop = top_loop(doubled)
    layers = ring_layers(doubled, adjacency, loop, 64)
    assert layers.rows == 3 and layers.obstacle == "the edge between vertices 52 and 53 has 3 faces"


def test_torn_tube_is_refused():
    mesh = PolyMesh.from_quads(np.random.default_rng(0).random((9, 3)), [[0, 1, 4, 3], [1, 2, 5, 4], [3, 4, 7, 6], [4, 5, 8, 7]])
    adjacency = build_adjacency(mesh)
    with pytest.raises(MeshError, match="only 0 clean rows"):
        step_ring(mesh, adjacency, boundary_loops(mesh, adjacency)[0], 6)


def test_ring_that_passes_a_vertex_twice_is_refused():
    faces = [face for index, face in enumerate(grid_faces(4, 4)) if index not in (5, 10)]
    mesh = PolyMesh.from_faces(np.random.default_rng(0).random((25, 3)), faces)
    adjacency = build_adjacency(mesh)
    loop = next(loop for loop in boundary_loops(mesh, adjacency) if len(loop) == 8)
    with pytest.raises(MeshError, match="passes vertex 12 twice"):
        step_ring(mesh, adjacency, loop, 6)
    with pytest.raises(MeshError, match="passes vertex 12 twice"):
        splice_rings(mesh, adjacency, boundary_rings(mesh, adjacency), [(0, 1)])


def test_hidden_side_is_used():
    change = check_step(tube(32, 10), 28, hidden=(1.0, 0, 0))
    assert np.all(change.edit.mesh.positions[change.three_poles, 0] > 0.3)


def test_bending_area_is_avoided():
    mesh = tube(32, 12)
    bending = np.where(mesh.positions[:, 1] > -0.2, 1000.0, 0.0)
    change = check_step(mesh, 28, bending_cost=bending)
    assert np.all(change.edit.mesh.positions[change.three_poles, 1] < 0)


@pytest.mark.parametrize(("wanted", "rows"), [(16, None), (26, None), (16, 9), (26, 9)])
def test_a_band_that_bends_all_round_is_passed_over(wanted, rows):
    mesh = tube(20, 14)
    level = 13 - np.arange(mesh.vertex_count) // 20  # from the open ring
    band = (level >= 1) & (level <= 4)
    change = check_step(mesh, wanted, rows=rows, bending_cost=bending_costs(band))
    height = mesh.positions[level == 4, 2].min()
    new = change.edit.mesh.positions[np.concatenate([change.three_poles, change.five_poles]), 2]
    # Evening the rows out moves poles by less than a tenth of a row.
    assert new.max() < height + 0.1 * np.diff(mesh.positions[::20, 2])[0]
    assert change.rows == (rows or 4 + change.places.rows + 2)


def test_where_all_bends_the_step_downs_go_where_they_went():
    mesh = tube(20, 14)
    adjacency, loop = top_loop(mesh)
    plain = step_ring(mesh, adjacency, loop, 16)
    within = step_ring(mesh, adjacency, loop, 16, bending_cost=bending_costs(np.ones(mesh.vertex_count)))
    assert within.rows == plain.rows and np.array_equal(within.edit.mesh.positions, plain.edit.mesh.positions)


def test_attributes_follow_their_elements():
    mesh = tube(12, 8)
    mesh = mesh.with_attributes(vertex__limb=np.repeat(np.arange(8), 12), vertex__height=mesh.positions[:, 2],
                                face__face_limb=np.repeat(np.arange(7), 12))
    change = check_step(mesh, 8)
    new = change.edit.mesh
    # Height is a straight function of place, so whatever slides along the tube must carry its new height.
    assert new.attributes["vertex.height"] == pytest.approx(new.positions[:, 2])
    level = new.attributes["face.face_limb"]
    middles = new.positions[new.quads()].mean(axis=1)[:, 2]
    assert np.all(np.abs(middles / mesh.positions[12, 2] - 0.5 - level) <= 1.0)


def test_stepping_leaves_one_strip_less_round_nothing():
    mesh = tube(16, 10)
    before, after = (find_strips(m, build_adjacency(m)) for m in (mesh, check_step(mesh, 10).edit.mesh))
    assert before.closed.sum() == 9
    assert after.bounds_tube.sum() >= 6
