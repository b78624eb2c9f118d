"""The guide for troubles: every finding can be shown, and what the tool mends is gone when the cage is inspected again."""

from __future__ import annotations

from collections.abc import Callable

import bmesh
import bpy
import pytest

from ringwright.addon.mesh_bridge import create_mesh
from ringwright.addon.operators.mending import MENDS, mend_label
from ringwright.core.findings import CHECKS
from support.tubes import tube

pytestmark = pytest.mark.usefixtures("extension")

SIDES, ROWS = 12, 10


@pytest.fixture
def cage(extension: None) -> bpy.types.Object:
    """An open tube on a dense one, so that all is sound."""
    for name, mesh in (("Target", tube(60, 50)), ("Cage", tube(SIDES, ROWS))):
        item = bpy.data.objects.new(name, create_mesh(name, mesh))
        bpy.context.scene.collection.objects.link(item)
        setattr(bpy.context.scene.ringwright, name.lower(), item)
    bpy.context.view_layer.objects.active = bpy.data.objects["Cage"]
    return bpy.data.objects["Cage"]


def wound(cage: bpy.types.Object, change: Callable[[bmesh.types.BMesh], None]) -> None:
    mesh = bmesh.new()
    mesh.from_mesh(cage.data)
    mesh.verts.ensure_lookup_table()
    mesh.faces.ensure_lookup_table()
    change(mesh)
    mesh.to_mesh(cage.data)
    mesh.free()
    cage.data.update()


def _triangulated(mesh: bmesh.types.BMesh) -> None:
    bmesh.ops.triangulate(mesh, faces=[mesh.faces[40]])


def _edge_dissolved(mesh: bmesh.types.BMesh) -> None:
    edge = next(edge for edge in mesh.faces[40].edges if len(edge.link_faces) == 2)
    bmesh.ops.dissolve_edges(mesh, edges=[edge])


def _folded(mesh: bmesh.types.BMesh) -> None:
    mesh.verts[40].co = 1.9 * mesh.verts[41].co - 0.9 * mesh.verts[40].co


def _lifted(mesh: bmesh.types.BMesh) -> None:
    mesh.verts[40].co *= 1.2


def _vertex_doubled(mesh: bmesh.types.BMesh) -> None:
    bmesh.utils.face_vert_separate(mesh.faces[40], mesh.faces[40].verts[0])


def _loose_vertex(mesh: bmesh.types.BMesh) -> None:
    mesh.verts.new((0.0, 0.0, 0.5))


def _face_turned(mesh: bmesh.types.BMesh) -> None:
    mesh.faces[40].normal_flip()


def _broken_vertex(mesh: bmesh.types.BMesh) -> None:
    mesh.verts.new((float("nan"), 0.0, 0.0))


def _corners_in_one_place(mesh: bmesh.types.BMesh) -> None:
    face = mesh.faces[40]
    middle = face.calc_center_median()
    for vertex in face.verts:
        vertex.co = middle


WOUNDS = (("triangles", _triangulated), ("n_gons", _edge_dissolved), ("folded_quads", _folded), ("vertices_off_target", _lifted),
          ("duplicate_vertices", _vertex_doubled), ("loose_vertices", _loose_vertex), ("flipped_faces", _face_turned),
          ("broken_positions", _broken_vertex), ("zero_area_faces", _corners_in_one_place))


def findings() -> list[str]:
    bpy.ops.ringwright.inspect(use_plan=False)
    return [row.kind for row in bpy.context.scene.ringwright.findings]


@pytest.mark.parametrize(("kind", "change"), WOUNDS, ids=[kind for kind, _ in WOUNDS])
def test_what_is_mended_is_found_no_more(cage: bpy.types.Object, kind: str, change: Callable[[bmesh.types.BMesh], None]) -> None:
    assert kind not in findings()
    wound(cage, change)
    kinds = findings()
    assert kind in kinds
    assert bpy.ops.ringwright.mend_finding(index=kinds.index(kind)) == {"FINISHED"}
    assert cage.mode == "OBJECT" and kind not in findings()


def test_a_hole_too_many_is_filled(cage: bpy.types.Object) -> None:
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (0, 0, z)} for z in (0.5, 2.5)], limb_name="limb", sides=SIDES)
    rows = bpy.context.scene.ringwright.findings
    row = rows.add()
    row.kind, row.domain, row.reason, row.mend = "boundary_loops", "vertex", "A hole.", "Patch the holes."
    row.elements = " ".join(str(index) for index in range(SIDES))
    before = len(cage.data.polygons)
    bpy.ops.ringwright.mend_finding()
    assert len(cage.data.polygons) > before and {len(face.vertices) for face in cage.data.polygons} == {4}


def test_show_selects_what_the_finding_names(cage: bpy.types.Object) -> None:
    wound(cage, _triangulated)
    bpy.ops.ringwright.show_finding(index=findings().index("triangles"))
    bpy.ops.object.mode_set(mode="OBJECT")
    chosen = [face for face in cage.data.polygons if face.select]
    assert len(chosen) == 2 and all(len(face.vertices) == 3 for face in chosen)


def test_every_mend_is_for_a_finding_that_there_is() -> None:
    assert set(MENDS) <= set(CHECKS)


def test_an_end_too_few_has_nothing_to_fill() -> None:
    assert mend_label("boundary_loops", "") == "" and mend_label("boundary_loops", "1 2 3") == "Fill Patch"
    assert mend_label("pole_excess", "1 2 3") == ""


@pytest.mark.parametrize("name", ["mend_finding", "show_finding"])
def test_a_cage_that_has_lost_elements_is_inspected_once_more(cage: bpy.types.Object, name: str) -> None:
    wound(cage, _triangulated)
    findings()
    wound(cage, lambda mesh: bmesh.ops.delete(mesh, geom=list(mesh.faces[1:]), context="FACES"))
    with pytest.raises(RuntimeError, match="inspect it once more"):
        getattr(bpy.ops.ringwright, name)()


@pytest.mark.slow
def test_a_map_that_overlaps_is_unwrapped(cage: bpy.types.Object) -> None:
    bpy.ops.ringwright.add_limb(joints=[{"name": "", "position": (0, 0, z)} for z in (0.5, 2.0, 3.5)], limb_name="limb", sides=8)
    bpy.ops.ringwright.build_cage(inspect=False)
    layer = cage.data.uv_layers.new(name="Map")
    for corner in range(len(cage.data.loops)):  # every face over the others
        layer.uv[corner].vector = ((0.0, 0.0), (0.3, 0.0), (0.3, 0.3), (0.0, 0.3))[corner % 4]
    assert "uv_overlap" in findings()
    bpy.ops.ringwright.mend_finding(index=findings().index("uv_overlap"))
    assert "uv_overlap" not in findings()
