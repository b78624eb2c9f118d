"""Boundary loops, edge loops and face strips walked one element after the other in the host's own edit-mesh structure.

The plain way that the vectorised core is measured against; it finds and measures the same things, on meshes without edges
of more than two faces. Of what the core tells besides, it leaves out the order of the rings, the limb that they carry and
the boundary edges that run into an edge of more than two faces.
"""

from __future__ import annotations

from dataclasses import dataclass

import bmesh
from mathutils import Vector


@dataclass(frozen=True)
class WalkedRing:
    """One loop or strip: the edges that it runs along or crosses, its faces (strips alone), its figures, whether it bounds a tube."""

    edges: list[int]
    faces: list[int]
    length: float
    centre: Vector
    normal: Vector
    bounds_tube: bool


def measured(edges: list[int], faces: list[int], points: list[Vector], *, closed: bool, bounds_tube: bool) -> WalkedRing:
    """Figures of a run of points."""
    centre = sum(points, Vector()) / len(points)
    length, area = 0.0, Vector()
    before = points[-1] if closed else points[0]
    for point in points:
        length += (point - before).length
        area += (before - centre).cross(point - centre)
        before = point
    return WalkedRing(edges, faces, length, centre, area.normalized() if closed else Vector(), bounds_tube)


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
    """Every boundary loop, round the fan of faces at each of its vertices, with the holes to the right of the way."""
    seen = [False] * len(mesh.edges)
    loops = []
    for start in mesh.edges:
        if seen[start.index] or not start.is_boundary:
            continue
        edge, vertex = start, start.link_loops[0].link_loop_next.vert
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
        loop = measured(run, [], [vertex.co for vertex in vertices], closed=True, bounds_tube=beside_quads(vertices, 2))
        loop.normal.negate()  # the way the opening looks, away from the faces
        loops.append(loop)
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
            return measured(run, [], [vertex.co for vertex in vertices], closed=True, bounds_tube=beside_quads(vertices, 4))
        vertex = edge.other_vert(vertex)


def walked_strips(mesh: bmesh.types.BMesh) -> list[WalkedRing]:
    """Every face strip with at least one quad."""
    seen = [False] * len(mesh.edges)
    strips = []
    for start in mesh.edges:
        if seen[start.index]:
            continue
        seen[start.index] = True
        edges, faces, points = [start.index], [], [_middle(start)]
        closed = twisted = False
        for corner in start.link_loops:
            # What lies over the other side of the first edge comes before it.
            edges.reverse(), faces.reverse(), points.reverse()
            closed, twisted = _strip_from(corner, start, seen, edges, faces, points)
            if closed:
                break
        if faces:
            tube = closed and not twisted and len(set(faces)) == len(faces)
            strips.append(measured(edges, faces, points, closed=closed, bounds_tube=tube))
    return strips


def _middle(edge: bmesh.types.BMEdge) -> Vector:
    return (edge.verts[0].co + edge.verts[1].co) / 2.0


def _strip_from(corner: bmesh.types.BMLoop, start: bmesh.types.BMEdge, seen: list[bool], edges: list[int], faces: list[int],
                points: list[Vector]) -> tuple[bool, bool]:
    """Walk away over one side of an edge; whether the walk came back to it, and with its sides exchanged."""
    first, twisted = corner, False
    while len(corner.face.verts) == 4:
        faces.append(corner.face.index)
        opposite = corner.link_loop_next.link_loop_next
        edge = opposite.edge
        if edge is start:
            return True, twisted != (opposite.vert is first.vert)
        seen[edge.index] = True
        edges.append(edge.index)
        points.append(_middle(edge))
        if len(edge.link_loops) != 2:
            break
        corner = opposite.link_loop_radial_next
        if corner.vert is opposite.vert:
            twisted = not twisted
    return False, False
