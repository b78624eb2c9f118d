"""Edge loops and face strips walked one element after the other in the host's own edit-mesh structure.

The plain way that the vectorised core is measured against; it finds and measures the same things.
"""

from __future__ import annotations

from dataclasses import dataclass

import bmesh
from mathutils import Vector


@dataclass(frozen=True)
class WalkedRing:
    """One loop or strip: its edges or faces by index, and its figures."""

    members: list[int]
    length: float
    centre: Vector
    normal: Vector


def measured(members: list[int], points: list[Vector]) -> WalkedRing:
    """Figures of a closed run of points."""
    centre = sum(points, Vector()) / len(points)
    length, area = 0.0, Vector()
    before = points[-1]
    for point in points:
        length += (point - before).length
        area += (before - centre).cross(point - centre)
        before = point
    return WalkedRing(members, length, centre, area.normalized())


def walked_edge_loops(mesh: bmesh.types.BMesh) -> list[WalkedRing]:
    """Every closed edge loop through vertices with four edges and four faces."""
    seen = [False] * len(mesh.edges)
    loops = []
    for edge in mesh.edges:
        if not seen[edge.index]:
            run = _loop_from(edge, seen)
            if run is not None:
                loops.append(run)
    return loops


def _loop_from(edge: bmesh.types.BMEdge, seen: list[bool]) -> WalkedRing | None:
    run, points, here, vertex = [], [], edge, edge.verts[1]
    while True:
        run.append(here.index)
        points.append(vertex.co)
        seen[here.index] = True
        following = _straight_on(here, vertex)
        if following is None:
            return None
        if following is edge:
            return measured(run, points)
        vertex = following.other_vert(vertex)
        here = following


def _straight_on(edge: bmesh.types.BMEdge, vertex: bmesh.types.BMVert) -> bmesh.types.BMEdge | None:
    if len(vertex.link_edges) != 4 or len(vertex.link_faces) != 4 or not vertex.is_manifold or vertex.is_boundary:
        return None
    beside = {other.index for face in edge.link_faces for other in face.edges}
    for other in vertex.link_edges:
        if other.index not in beside:
            return other
    return None


def walked_strips(mesh: bmesh.types.BMesh) -> list[WalkedRing]:
    """Every face strip with at least one quad, each told by its faces."""
    seen = [False] * len(mesh.edges)
    strips = []
    for edge in mesh.edges:
        if seen[edge.index]:
            continue
        seen[edge.index] = True
        faces: list[int] = []
        points = [_middle(edge)]
        for corner in edge.link_loops:
            closed = _strip_from(corner, edge, seen, faces, points)
            if closed:
                break
        if faces:
            strips.append(measured(faces, points))
    return strips


def _middle(edge: bmesh.types.BMEdge) -> Vector:
    return (edge.verts[0].co + edge.verts[1].co) / 2.0


def _strip_from(corner: bmesh.types.BMLoop, start: bmesh.types.BMEdge, seen: list[bool], faces: list[int], points: list[Vector]) -> bool:
    """Walk away over one side of an edge; whether the walk came back to it."""
    while len(corner.face.verts) == 4:
        faces.append(corner.face.index)
        opposite = corner.link_loop_next.link_loop_next
        edge = opposite.edge
        if edge is start:
            return True
        seen[edge.index] = True
        points.append(_middle(edge))
        if len(edge.link_loops) != 2:
            break
        corner = opposite.link_loop_radial_next
    return False
