"""Edge loops and face strips walked one element after the other in the host's own edit-mesh structure.

The plain way that the vectorised core is measured against; it finds and measures the same things.
"""

from __future__ import annotations

from dataclasses import dataclass

import bmesh
from mathutils import Vector


@dataclass(frozen=True)
class WalkedRing:
    """One loop or strip: its edges or faces by index, its figures, and whether it bounds a tube."""

    members: list[int]
    length: float
    centre: Vector
    normal: Vector
    bounds_tube: bool


def measured(members: list[int], points: list[Vector], *, bounds_tube: bool) -> WalkedRing:
    """Figures of a closed run of points."""
    centre = sum(points, Vector()) / len(points)
    length, area = 0.0, Vector()
    before = points[-1]
    for point in points:
        length += (point - before).length
        area += (before - centre).cross(point - centre)
        before = point
    return WalkedRing(members, length, centre, area.normalized(), bounds_tube)


def beside_quads(vertices: list[bmesh.types.BMVert], faces: int) -> bool:
    """Whether every vertex has this many faces and all of them are quads."""
    for vertex in vertices:
        around = vertex.link_faces
        if len(around) != faces:
            return False
        for face in around:
            if len(face.verts) != 4:
                return False
    return True


def turned(corner: bmesh.types.BMLoop, vertex: bmesh.types.BMVert) -> bmesh.types.BMLoop:
    """From a corner on an edge at a vertex to one on the next edge round the vertex, whichever way the faces run."""
    beside = corner.link_loop_prev if corner.vert is vertex else corner.link_loop_next
    return beside.link_loop_radial_next


def walked_boundaries(mesh: bmesh.types.BMesh) -> list[WalkedRing]:
    """Every boundary loop, round the fan of faces at each of its vertices."""
    seen = [False] * len(mesh.edges)
    loops = []
    for start in mesh.edges:
        if seen[start.index] or not start.is_boundary:
            continue
        edge, vertex = start, start.verts[1]
        run, vertices = [], []
        while True:
            seen[edge.index] = True
            run.append(edge.index)
            vertices.append(vertex)
            corner = turned(edge.link_loops[0], vertex)
            while not corner.edge.is_boundary:
                corner = turned(corner, vertex)
            edge = corner.edge
            vertex = edge.other_vert(vertex)
            if edge is start:
                break
        loops.append(measured(run, [vertex.co for vertex in vertices], bounds_tube=beside_quads(vertices, 2)))
    return loops


def walked_edge_loops(mesh: bmesh.types.BMesh) -> list[WalkedRing]:
    """Every closed edge loop through vertices with four edges and four faces."""
    seen = [False] * len(mesh.edges)
    loops = []
    for edge in mesh.edges:
        if not seen[edge.index] and len(edge.link_loops) == 2:
            run = _loop_from(edge, seen)
            if run is not None:
                loops.append(run)
    return loops


def _loop_from(start: bmesh.types.BMEdge, seen: list[bool]) -> WalkedRing | None:
    run, vertices, edge, vertex = [], [], start, start.verts[1]
    corner = start.link_loops[0]
    while True:
        seen[edge.index] = True
        run.append(edge.index)
        vertices.append(vertex)
        if len(vertex.link_edges) != 4 or len(vertex.link_faces) != 4 or not vertex.is_manifold or vertex.is_boundary:
            return None
        corner = turned(turned(corner, vertex), vertex)
        edge = corner.edge
        if edge is start:
            return measured(run, [vertex.co for vertex in vertices], bounds_tube=beside_quads(vertices, 4))
        vertex = edge.other_vert(vertex)


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
        closed = False
        for corner in edge.link_loops:
            closed = _strip_from(corner, edge, seen, faces, points)
            if closed:
                break
        if faces:
            strips.append(measured(faces, points, bounds_tube=closed and len(set(faces)) == len(faces)))
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
