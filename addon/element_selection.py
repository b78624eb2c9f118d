"""Select elements of a mesh by index and bring them into view."""

from __future__ import annotations

import bmesh
import bpy

from ..core.errors import MeshError

Element = bmesh.types.BMVert | bmesh.types.BMEdge | bmesh.types.BMFace

SELECT_MODES = {"vertex": {"VERT"}, "edge": {"EDGE"}, "face": {"FACE"}}


def has_elements(item: bpy.types.Object, domain: str, elements: list[tuple[int, ...]]) -> bool:
    """Whether a mesh is large enough to hold elements of these indices."""
    if item.mode == "EDIT":
        item.update_from_editmode()
    count = len(item.data.polygons) if domain == "face" else len(item.data.vertices)
    return all(0 <= index < count for element in elements for index in element)


def show_elements(context: bpy.types.Context, item: bpy.types.Object, domain: str, elements: list[tuple[int, ...]]) -> int:
    """Enter edit mode on an object, select these elements alone and frame them; returns how many were found.

    domain : "vertex", "edge" (elements are vertex pairs) or "face"
    """
    enter_edit_mode(context, item)
    mesh = bmesh.from_edit_mesh(item.data)
    mesh.select_mode = SELECT_MODES[domain]
    context.tool_settings.mesh_select_mode = tuple(domain == each for each in ("vertex", "edge", "face"))
    for sequence in (mesh.verts, mesh.edges, mesh.faces):
        sequence.ensure_lookup_table()
        for element in sequence:
            element.select = False
    found = [element for element in (_element(mesh, domain, indices) for indices in elements) if element is not None]
    for element in found:
        element.hide_set(False)
        element.select_set(True)
    mesh.select_flush_mode()
    bmesh.update_edit_mesh(item.data, loop_triangles=False, destructive=False)
    frame_selection(context)
    return len(found)


def enter_edit_mode(context: bpy.types.Context, item: bpy.types.Object) -> None:
    """Make an object the active one, alone selected, in edit mode.

    Raises MeshError where the object is not in the view layer.
    """
    if context.object is not None and context.object.mode != "OBJECT" and context.object != item:
        bpy.ops.object.mode_set(mode="OBJECT")
    if item.mode == "EDIT":
        return
    if item.name not in context.view_layer.objects:
        raise MeshError(f'"{item.name}" is not in this view layer; switch its collection on.')
    if context.mode == "OBJECT":
        for other in context.view_layer.objects.selected:
            other.select_set(False)
    item.hide_set(False)
    item.select_set(True)
    context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")


def _element(mesh: bmesh.types.BMesh, domain: str, indices: tuple[int, ...]) -> Element | None:
    sequence: bmesh.types.BMFaceSeq | bmesh.types.BMVertSeq = mesh.faces if domain == "face" else mesh.verts
    if any(not 0 <= index < len(sequence) for index in indices):
        return None
    if domain != "edge":
        return sequence[indices[0]]
    return mesh.edges.get([mesh.verts[index] for index in indices])


def frame_selection(context: bpy.types.Context) -> None:
    """Frame what is selected in every 3D viewport of the window; without a window nothing happens."""
    window = context.window
    if window is None or bpy.app.background:
        return
    for area in window.screen.areas:
        region = next((region for region in area.regions if region.type == "WINDOW"), None)
        if area.type == "VIEW_3D" and region is not None:
            with context.temp_override(window=window, area=area, region=region):
                if bpy.ops.view3d.view_selected.poll():
                    bpy.ops.view3d.view_selected()
