"""A cage built beside the artist's work: a draft at once, the same cage as a build at one go, and no trace where it is given up."""

from __future__ import annotations

import time

import bpy
import numpy as np
import pytest

from ringwright.addon import kept_target
from ringwright.addon.cage_build import CageBuild, LostMoves
from ringwright.addon.cage_object import built_places, read_cage
from ringwright.addon.host_surface import HostSurface, read_evaluated
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.addon.plan_storage import is_built
from ringwright.addon.skin_tree import SkinTree, skin_of
from ringwright.core.errors import PlanError
from ringwright.core.polymesh import PolyMesh
from support.shapes import fork, fork_chains, sphere
from support.tubes import join

from .conftest import block_names

pytestmark = pytest.mark.usefixtures("extension")


@pytest.fixture(autouse=True)
def scene(empty_file: None) -> bpy.types.Scene:
    """A trunk with two branches, and its plan."""
    item = bpy.data.objects.new("Target", create_mesh("Target", PolyMesh.from_quads(*fork(64))))
    bpy.context.scene.collection.objects.link(item)
    bpy.context.scene.ringwright.target = item
    for name, chain in fork_chains().items():
        joints = [{"name": "", "position": joint} for joint in chain.joints.tolist()]
        bpy.ops.ringwright.add_limb(joints=joints, limb_name=name, sides=8 if name != "trunk" else 0, closed=name != "trunk")
    bpy.ops.ringwright.add_fork(trunk="trunk", web=2, branches=", ".join(name for name in fork_chains() if name != "trunk"))
    return bpy.context.scene


def branch(number: int = 0) -> str:
    return [name for name in fork_chains() if name != "trunk"][number]


def row(name: str) -> object:
    return next(row for row in bpy.context.scene.ringwright.limbs if row.key == name)


def begun(moved: str = "KEEP", *, inspect: bool = False) -> CageBuild:
    return CageBuild(bpy.context, inspect=inspect, moved=moved)


def till(build: CageBuild, reached: object) -> None:
    """Look at a build until something holds."""
    end = time.monotonic() + 60
    while not reached():
        assert time.monotonic() < end
        build.look()
        time.sleep(0.005)


def till_end(build: CageBuild) -> None:
    till(build, build.look)


def built() -> bpy.types.Object:
    assert bpy.ops.ringwright.build_cage(inspect=False) == {"FINISHED"}
    return bpy.context.scene.ringwright.cage


def test_the_same_cage_as_at_one_go(scene: bpy.types.Scene) -> None:
    build = begun(inspect=True)
    till_end(build)
    result, inspection, _ = build.finish()
    slow = read_cage(scene.ringwright.cage)
    assert inspection is not None and inspection.passed and len(scene.ringwright.findings) == len(inspection.findings)
    assert is_built(scene) and bpy.context.object == scene.ringwright.cage
    other = read_cage(built())
    assert np.array_equal(slow.corner_verts, other.corner_verts) and result.mesh.face_count == other.face_count
    edge = np.linalg.norm(other.positions[other.quads()[:, 0]] - other.positions[other.quads()[:, 1]], axis=1).mean()
    assert np.abs(slow.positions - other.positions).max() < 0.02 * edge


def test_the_draft_stands_first_and_giving_up_leaves_no_trace(scene: bpy.types.Scene) -> None:
    before, names = block_names(), len(scene.objects)
    build = begun()
    till(build, lambda: build.first_seen is not None)
    assert len(scene.objects) == names + 1 and scene.ringwright.cage is None
    build.drop()
    build.wait()
    assert block_names() == before


def test_giving_up_brings_the_old_mesh_back(scene: bpy.types.Scene) -> None:
    cage = built()
    mesh, before = cage.data, block_names()
    row(branch()).sides = 12
    assert not is_built(scene)
    build = begun()
    till(build, lambda: cage.data != mesh)
    assert len(cage.data.polygons) > len(mesh.polygons)
    build.drop()
    assert cage.data == mesh and block_names() == before


def test_a_change_under_way_begins_anew(scene: bpy.types.Scene) -> None:
    built()
    blocks = block_names()
    row(branch()).sides = 12
    build = begun()
    till(build, lambda: build.first_seen is not None)
    row(branch()).sides = 16
    build.restart(bpy.context)
    till_end(build)
    build.finish()
    assert block_names() == blocks and is_built(scene)
    assert row(branch()).sides == 16


def test_what_was_moved_stays_where_faces_stay_and_else_is_asked_for(scene: bpy.types.Scene) -> None:
    cage = built()
    limbs = np.asarray(read_cage(cage).attributes["vertex.limb"])
    order = list(fork_chains())
    mine, others = (int(np.flatnonzero(limbs == order.index(branch(number)))[20]) for number in (0, 1))
    where = np.array(cage.data.vertices[others].co)
    for vertex in (mine, others):
        cage.data.vertices[vertex].co.x += 0.05
    row(branch(0)).sides = 12
    build = begun("ASK")
    with pytest.raises(LostMoves, match=f'1 vertex was moved by hand on "{branch(0)}"'):
        till_end(build)
    build.drop()
    assert np.allclose(cage.data.vertices[others].co, where + [0.05, 0, 0]) and not is_built(scene)
    build = begun("KEEP")
    till_end(build)
    _, _, kept = build.finish()
    assert (kept.kept, kept.lost) == (1, 1)
    shifts = read_cage(cage).positions - built_places(cage)
    (there,) = np.flatnonzero(np.linalg.norm(shifts, axis=1) > 1e-4)
    assert np.allclose(shifts[there], [0.05, 0, 0], atol=1e-5)
    assert np.linalg.norm(built_places(cage)[there] - where) < 0.1


def test_the_operator_refuses_to_lose_and_the_change_can_be_taken_back(scene: bpy.types.Scene) -> None:
    cage = built()
    limbs = np.asarray(read_cage(cage).attributes["vertex.limb"])
    cage.data.vertices[int(np.flatnonzero(limbs == list(fork_chains()).index(branch()))[20])].co.x += 0.05
    row(branch()).sides = 12
    before = len(cage.data.polygons)
    with pytest.raises(RuntimeError, match="take the change of the plan back"):
        bpy.ops.ringwright.build_cage(inspect=False, moved="ASK")
    assert len(cage.data.polygons) == before
    assert bpy.ops.ringwright.revert_plan() == {"FINISHED"}
    assert row(branch()).sides == 8 and is_built(scene)
    row(branch()).sides = 12
    assert bpy.ops.ringwright.build_cage(inspect=False, moved="DROP") == {"FINISHED"} and len(cage.data.polygons) > before


def test_a_refusal_comes_out_at_the_end(scene: bpy.types.Scene) -> None:
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (90, 0, z)} for z in (0, 1)], limb_name="lost")
    build = begun()
    till_end(build)
    with pytest.raises(PlanError, match='"lost"'):
        build.finish()
    build.drop()


def test_the_target_is_kept_until_it_changes(scene: bpy.types.Scene) -> None:
    first = kept_target.kept_target(bpy.context)
    assert kept_target.kept_target(bpy.context) is first
    target = scene.ringwright.target
    target.data.vertices[0].co.x += 0.01
    target.data.update()
    bpy.context.view_layer.update()
    second = kept_target.kept_target(bpy.context)
    assert second is not first
    target.location.x += 1
    bpy.context.view_layer.update()
    third = kept_target.kept_target(bpy.context)
    lowest = [kept.skin(lambda: None)[0].positions[:, 0].min() for kept in (second, third)]
    assert third is not second and lowest[1] == pytest.approx(lowest[0] + 1, abs=1e-5)
    bpy.data.objects.remove(bpy.data.objects.new("Other", None))
    bpy.context.view_layer.update()
    assert kept_target.kept_target(bpy.context) is third
    kept_target.forget()


@pytest.mark.parametrize("scale", [(1, 1, 1), (100, 100, 100), (2, 0.5, 3), (-1, 1, 1)])
def test_the_kept_tree_answers_as_a_build_does(scene: bpy.types.Scene, scale: tuple[float, float, float]) -> None:
    target = scene.ringwright.target
    target.scale, target.rotation_euler, target.location = scale, (0.3, 0.8, 0.1), (3, -2, 50)
    bpy.context.view_layer.update()
    mesh = read_evaluated(target, bpy.context.evaluated_depsgraph_get())
    rng = np.random.default_rng(1)
    low, high = mesh.positions.min(axis=0), mesh.positions.max(axis=0)
    points = low + rng.uniform(0, 1, (400, 3)) * (high - low)
    ways = low + rng.uniform(0.3, 0.7, (400, 3)) * (high - low) - points
    before = block_names()
    tree = SkinTree(mesh)
    assert block_names() == before
    with HostSurface(mesh) as host:
        size = host.diagonal
        assert tree.diagonal == pytest.approx(size)
        assert np.abs(tree.closest(points).distances - host.closest(points).distances).max() < 1e-5 * size
        mine, theirs = tree.cast(points, ways), host.cast(points, ways)
        alike = mine.hit & theirs.hit
        assert np.count_nonzero(mine.hit != theirs.hit) <= 1 and np.count_nonzero(alike) > 50
        assert np.median(np.abs(mine.distances[alike] - theirs.distances[alike])) < 1e-6 * size
        assert np.count_nonzero(tree.inside(points) != host.inside(points)) <= 2


def test_pieces_hidden_in_the_target_are_left_out() -> None:
    shape, kernel = fork(64), sphere(0.1, 2)
    inner = fork_chains()["trunk"].joints.mean(axis=0)
    skin = PolyMesh.from_quads(*shape)
    both = join(skin, PolyMesh.from_quads(kernel.positions + inner, kernel.triangles))
    assert skin_of(skin) is skin
    assert np.array_equal(skin_of(both).positions, skin.positions)
    outside = join(skin, PolyMesh.from_quads(kernel.positions + 50, kernel.triangles))
    assert skin_of(outside) is outside
