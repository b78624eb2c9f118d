"""Rig, flex test, search, unwrap, symmetry and export on cages that were edited, hidden, linked or spoilt since they were built:
each works, or says in one sentence why not and changes nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import bmesh
import bpy
import numpy as np
import pytest

from ringwright.addon.cage_object import place_cage, read_cage, with_built_places
from ringwright.addon.mesh_bridge import create_mesh
from ringwright.addon.plan_storage import load_plan, note_built, store_plan
from ringwright.addon.rigging import read_weights, rig_of
from ringwright.core.build import BuildResult, build_cage
from ringwright.core.plan import Limb, LimbPlan
from ringwright.core.polymesh import PolyMesh
from ringwright.core.skeleton import skeleton_of
from ringwright.core.vertex_limbs import possible_limbs
from support import fork_plan as one_sided
from support.reference_surface import ReferenceSurface
from support.shapes import fork, fork_chains

pytestmark = pytest.mark.usefixtures("extension")


def fork_plan() -> LimbPlan:
    """The fork's plan with branches that are images of each other, so that both halves of its cage are built alike."""
    return replace(one_sided.fork_plan(), symmetry="x")


@pytest.fixture(scope="module")
def built() -> BuildResult:
    return build_cage(fork_plan(), ReferenceSurface(*fork(48)))


def stand(built: BuildResult) -> bpy.types.Object:
    """A scene with a target, its plan and the cage that was built from both."""
    shape, scene = fork(48), bpy.context.scene
    dense = PolyMesh(shape.positions, shape.triangles.ravel(), 3 * np.arange(len(shape.triangles) + 1))
    scene.ringwright.target = target = bpy.data.objects.new("Target", create_mesh("Target", dense))
    scene.collection.objects.link(target)
    scene.ringwright.cage = cage = place_cage(scene, with_built_places(built.mesh, built.mesh.positions))
    store_plan(scene, fork_plan())
    note_built(cage, built)
    bpy.context.view_layer.update()
    return cage


def edited(cage: bpy.types.Object, change: Callable[[bmesh.types.BMesh], object]) -> None:
    mesh = bmesh.new()
    mesh.from_mesh(cage.data)
    for sequence in (mesh.verts, mesh.edges, mesh.faces):
        sequence.ensure_lookup_table()
    change(mesh)
    mesh.to_mesh(cage.data)
    mesh.free()
    cage.data.update()


def faces_deleted(cage: bpy.types.Object) -> None:
    edited(cage, lambda mesh: bmesh.ops.delete(mesh, geom=mesh.faces[10:18], context="FACES"))


def branch_deleted(cage: bpy.types.Object) -> None:
    def delete(mesh: bmesh.types.BMesh) -> None:
        limb = mesh.verts.layers.int["limb"]
        bmesh.ops.delete(mesh, geom=[vertex for vertex in mesh.verts if vertex[limb] == 2], context="VERTS")

    edited(cage, delete)


def subdivided(cage: bpy.types.Object) -> None:
    edited(cage, lambda mesh: bmesh.ops.subdivide_edges(mesh, edges=mesh.edges[:], cuts=1, use_grid_fill=True))


def triangulated(cage: bpy.types.Object) -> None:
    edited(cage, lambda mesh: bmesh.ops.triangulate(mesh, faces=mesh.faces[:5]))


def loose_vertex_added(cage: bpy.types.Object) -> None:
    edited(cage, lambda mesh: mesh.verts.new((5, 5, 5)))


def merged_to_a_point(cage: bpy.types.Object) -> None:
    edited(cage, lambda mesh: bmesh.ops.pointmerge(mesh, verts=mesh.verts[:], merge_co=(0, 0, 0)))


def cube_joined(cage: bpy.types.Object) -> None:
    """A cube beside the right branch, joined by the host's own Join."""
    bpy.ops.mesh.primitive_cube_add(size=0.2, location=fork_chains()["right"].joints[1] + [0, 1.0, 0])
    with bpy.context.temp_override(active_object=cage, selected_editable_objects=[cage, bpy.context.object]):
        bpy.ops.object.join()


def limb_attributes_taken_off(cage: bpy.types.Object) -> None:
    for name in ("limb", "face_limb"):
        cage.data.attributes.remove(cage.data.attributes[name])


def scaled_to_nothing(cage: bpy.types.Object) -> None:
    cage.scale = (0, 0, 0)
    bpy.context.view_layer.update()


def flattened(cage: bpy.types.Object) -> None:
    cage.scale = (1, 1, 0)
    bpy.context.view_layer.update()


def coordinate_broken(cage: bpy.types.Object) -> None:
    cage.data.vertices[3].co.x = float("nan")


def shape_keys_added(cage: bpy.types.Object) -> None:
    cage.shape_key_add(name="Basis")
    cage.shape_key_add(name="Bulge")


def hidden(cage: bpy.types.Object) -> None:
    cage.hide_set(True)


def hidden_in_viewports(cage: bpy.types.Object) -> None:
    cage.hide_viewport = True


def out_of_the_view_layer(cage: bpy.types.Object) -> None:
    away = bpy.data.collections.new("Away")
    bpy.context.scene.collection.children.link(away)
    away.objects.link(cage)
    bpy.context.scene.collection.objects.unlink(cage)
    bpy.context.view_layer.layer_collection.children["Away"].exclude = True


def mesh_shared(cage: bpy.types.Object) -> None:
    bpy.context.scene.collection.objects.link(bpy.data.objects.new("Copy", cage.data))


def linked(cage: bpy.types.Object, folder: Path) -> None:
    path, name = str(folder / "library.blend"), cage.name
    bpy.data.libraries.write(path, {cage})
    bpy.data.objects.remove(cage)
    with bpy.data.libraries.load(path, link=True) as (_, wanted):
        wanted.objects = [name]
    bpy.context.scene.collection.objects.link(wanted.objects[0])
    bpy.context.scene.ringwright.cage = wanted.objects[0]


def limbs_in_another_order(_: bpy.types.Object) -> None:
    plan = load_plan(bpy.context.scene)
    store_plan(bpy.context.scene, replace(plan, limbs=plan.limbs[::-1]))


def limb_taken_out(_: bpy.types.Object) -> None:
    plan = load_plan(bpy.context.scene)
    store_plan(bpy.context.scene, replace(plan, limbs=plan.limbs[:2], forks=()))


def limb_added(_: bpy.types.Object) -> None:
    plan = load_plan(bpy.context.scene)
    store_plan(bpy.context.scene, replace(plan, limbs=(*plan.limbs, Limb("twig", np.array([[0.0, 0, 0.5], [0, 0, 1]])))))


def joints_moved_outside(_: bpy.types.Object) -> None:
    plan = load_plan(bpy.context.scene)
    far = replace(plan.limbs[1], joints=plan.limbs[1].joints + [0, 40.0, 0])
    store_plan(bpy.context.scene, replace(plan, limbs=(plan.limbs[0], far, plan.limbs[2])))


def joints_on_one_point(_: bpy.types.Object) -> None:
    plan = load_plan(bpy.context.scene)
    joints = plan.limbs[1].joints.copy()
    joints[1] = joints[2]
    store_plan(bpy.context.scene, replace(plan, limbs=(plan.limbs[0], replace(plan.limbs[1], joints=joints), plan.limbs[2])))


WORKS = ""
NO_FACE = "The cage has no face; build it first."
NO_AREA = "The faces of the cage have no area; look at the object's scale, which must not be 0."
FLAT = 'The scale of the cage "Cage" is 0 along an axis; set it to 1 or apply it'
BROKEN = "Vertices of the cage whose coordinates are no numbers: 1; delete them, or build the cage anew."
LINKED = 'The cage "Cage" is linked from another file; make it local first'
KEYS = 'The cage "Cage" has shape keys, which would be lost; apply or remove them first'
UNLIKE = "The two halves of the cage are not built alike"
GONE = 'The cage has no face of "right", which the plan has; build the cage anew, or take the limb out of the plan.'
OUTSIDE = 'Joints 1 and 2 of "left" lie outside the cage, 3.* from it; move them inside, or build the cage anew from this plan.'
ON_A_POINT = 'joints 2 and 3 lie on the same point .*; move them apart'
TAKEN_OUT = 'The cage was built with the limb "right", which the plan no longer has; build the cage anew, or bring the limb back.'

Change = Callable[[bpy.types.Object], None]
PLAIN: dict[str, tuple[Change, dict[str, str]]] = {each.__name__: (each, said) for each, said in (
    (faces_deleted, {"make_symmetric": UNLIKE}),
    (branch_deleted, dict.fromkeys(("rig_cage", "flex_cage", "unwrap_cage"), GONE) | {"make_symmetric": UNLIKE}),
    (subdivided, {}),
    (triangulated, {"make_symmetric": UNLIKE, "mirror_half": "faces that are not quads; make them quads first"}),
    (loose_vertex_added, {"export_set": "Vertices of the cage that belong to no face: 1; not all kinds of files keep them",
                          "make_symmetric": "Vertices of the cage that belong to no face: 1; delete them first"}),
    (merged_to_a_point, {"all": NO_FACE}),
    (cube_joined, {"make_symmetric": UNLIKE}),
    (limb_attributes_taken_off, {"unwrap_cage": "does not tell which limb its faces belong to; build it from a plan"}),
    (scaled_to_nothing, {"all": NO_AREA}),
    (flattened, {"all": FLAT}),
    (coordinate_broken, {"all": BROKEN}),
    (shape_keys_added, dict.fromkeys(("improve_cage", "make_symmetric", "mirror_half"), KEYS)),
    (hidden, {}),
    (hidden_in_viewports, {}),
    (out_of_the_view_layer, {}),
    (mesh_shared, {}),
    (limbs_in_another_order, {}),
    (limb_taken_out, dict.fromkeys(("rig_cage", "flex_cage", "unwrap_cage"), TAKEN_OUT)),
    (limb_added, dict.fromkeys(("rig_cage", "flex_cage", "unwrap_cage"), 'has no face of "twig", which the plan has')
     | {"improve_cage": "No strip of quads runs along the plane"}),
    (joints_moved_outside, dict.fromkeys(("rig_cage", "flex_cage", "unwrap_cage"), OUTSIDE)
     | {"improve_cage": 'joint 1 at .* lies outside the target, .* from its skin; move it inside'}),
    (joints_on_one_point, {"all": ON_A_POINT, "make_symmetric": WORKS}))}
OPERATORS = ("rig_cage", "flex_cage", "improve_cage", "unwrap_cage", "make_symmetric", "mirror_half", "export_set")


def options(operator: str, folder: Path) -> dict[str, object]:
    return {"improve_cage": {"trials": 2}, "export_set": {"directory": str(folder)}}.get(operator, {})


def state() -> tuple[object, ...]:
    """All that an artist could lose: objects, meshes, groups, modifiers, plan and rows of the panels."""
    settings, cage = bpy.context.scene.ringwright, bpy.context.scene.ringwright.cage
    names = sorted((type(block).__name__, block.name) for block in bpy.data.user_map())
    vertices = np.array([vertex.co[:] for vertex in cage.data.vertices]).tobytes()
    return (names, vertices, len(cage.data.polygons), [group.name for group in cage.vertex_groups], cage.modifiers.keys(),
            [edge.use_seam for edge in cage.data.edges], [layer.name for layer in cage.data.uv_layers], dict(cage.items()),
            settings.summary, len(settings.findings))


@pytest.mark.parametrize("operator", OPERATORS)
@pytest.mark.parametrize("name", PLAIN)
def test_it_works_or_says_why_not_and_changes_nothing(name: str, operator: str, built: BuildResult, tmp_path: Path) -> None:
    change, said = PLAIN[name]
    change(stand(built))
    before, words = state(), said.get(operator, said.get("all", WORKS))
    if words == WORKS:
        wanted = {"FINISHED", "CANCELLED"} if operator == "improve_cage" else {"FINISHED"}
        assert getattr(bpy.ops.ringwright, operator)(**options(operator, tmp_path)) <= wanted
        return
    with pytest.raises(RuntimeError, match=words) as refusal:
        getattr(bpy.ops.ringwright, operator)(**options(operator, tmp_path))
    assert "Traceback" not in str(refusal.value) and str(refusal.value).strip().count("\n") == 0
    assert state() == before and not list(tmp_path.iterdir())


@pytest.mark.parametrize("operator", [each for each in OPERATORS if each != "flex_cage"])
def test_a_linked_cage_is_to_be_made_local(operator: str, built: BuildResult, tmp_path: Path) -> None:
    linked(stand(built), tmp_path)
    with pytest.raises(RuntimeError, match=LINKED):
        getattr(bpy.ops.ringwright, operator)(**options(operator, tmp_path / "set"))
    assert not (tmp_path / "set").exists()


def strongest_limbs(cage: bpy.types.Object) -> list[str]:
    """The limb of every vertex's strongest bone."""
    skeleton = skeleton_of(load_plan(bpy.context.scene))
    weights = read_weights(cage, skeleton)
    assert weights is not None and np.allclose(weights.weights.sum(axis=1), 1.0)
    return [skeleton.bones[bone].limb for bone in weights.bones[:, 0].tolist()]


def weights_by_bone(cage: bpy.types.Object) -> dict[str, np.ndarray]:
    skeleton = skeleton_of(load_plan(bpy.context.scene))
    weights = read_weights(cage, skeleton)
    assert weights is not None
    return dict(zip([bone.name for bone in skeleton.bones], weights.dense(len(skeleton.bones)).T, strict=True))


def test_another_order_of_the_limbs_binds_alike(built: BuildResult) -> None:
    cage = stand(built)
    bpy.ops.ringwright.rig_cage()
    before = weights_by_bone(cage)
    limbs_in_another_order(cage)
    bpy.ops.ringwright.rig_cage()
    after = weights_by_bone(cage)
    assert before.keys() == after.keys() and all(np.allclose(after[name], before[name], atol=1e-6) for name in before)


def test_after_a_subdivision_every_vertex_belongs_to_a_limb_of_its_faces(built: BuildResult) -> None:
    """The host gives new vertices on the border of limbs 0 and 2 the number 1, the other branch's."""
    cage = stand(built)
    subdivided(cage)
    mesh = read_cage(cage)
    of_corners = np.repeat(mesh.attributes["face.face_limb"], mesh.face_sizes)
    touching = np.zeros((mesh.vertex_count, 3), dtype=bool)
    touching[mesh.corner_verts, of_corners] = True
    assert not touching[np.arange(mesh.vertex_count), mesh.attributes["vertex.limb"]].all()
    assert not (possible_limbs(mesh, skeleton_of(fork_plan())) & ~touching).any()
    assert bpy.ops.ringwright.rig_cage() == {"FINISHED"} and strongest_limbs(cage)


def test_a_joined_piece_follows_the_bones_beside_it(built: BuildResult) -> None:
    cage = stand(built)
    vertices = len(cage.data.vertices)
    cube_joined(cage)
    bpy.ops.ringwright.rig_cage()
    assert set(strongest_limbs(cage)[vertices:]) == {"right"} and len(cage.data.vertices) == vertices + 8


def test_what_is_hidden_stays_hidden_when_it_is_unwrapped(built: BuildResult) -> None:
    cage = stand(built)
    cage.data.polygons.foreach_set("hide", np.arange(len(cage.data.polygons)) < 7)
    cage.data.polygons.foreach_set("select", np.arange(len(cage.data.polygons)) % 2 == 0)
    hidden(cage)
    assert bpy.ops.ringwright.unwrap_cage() == {"FINISHED"}
    assert "map: 3 islands" in bpy.context.scene.ringwright.summary
    assert [face.hide for face in cage.data.polygons] == [index < 7 for index in range(len(cage.data.polygons))]
    assert [face.select for face in cage.data.polygons] == [index % 2 == 0 for index in range(len(cage.data.polygons))]
    assert cage.hide_get() and sorted(item.name for item in bpy.data.objects) == ["Cage", "Target"]


def test_a_new_mesh_is_bound_to_the_rig_that_is_there(built: BuildResult) -> None:
    """Building anew gives the cage another mesh, which knows no weights."""
    cage = stand(built)
    bpy.ops.ringwright.rig_cage()
    rig = rig_of(cage)
    assert bpy.ops.ringwright.build_cage(inspect=False) == {"FINISHED"}
    assert rig_of(cage) == rig and read_weights(cage, skeleton_of(load_plan(bpy.context.scene))) is not None
