"""The target behind the host's own compiled, threaded queries.

A query mesh of bare vertices stands in a private scene beside the target; node trees on it look for
the nearest triangle or cast a ray from every vertex, all in one evaluation. The host builds
its search tree at the first evaluation and keeps it as long as the target's mesh stays unchanged.

The host works in single precision, so the target stands there moved to the origin and scaled to a
diagonal of one: neither a target far from the origin nor a tiny one loses digits. Of the nearest triangle
it tells the number only; the point and the normal come from the target's own coordinates.
"""

from __future__ import annotations

from types import TracebackType
from typing import Any

import bpy
import numpy as np
import numpy.typing as npt

from ..core.errors import MeshError
from ..core.frames import unit
from ..core.inside import inside_by_crossings
from ..core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from ..core.rows import dots, lengths
from ..core.surface import ClosestPoints, RayHits
from ..core.triangles import split_quads, triangle_normals, ways_to_triangles
from .mesh_bridge import create_mesh, read_mesh, write_positions

Single = npt.NDArray[np.float32]

FAR = 1e6
"""Length of a ray, diagonals."""
TRIANGLE = "ringwright_triangle"
"""Corner attribute of the target's copy: the number of its triangle, counted from the middle one to have fewer digits."""
EXACT = 1 << 20
"""Numbers up to here come back exactly from the host, which blends the three corners' equal ones in single precision."""
BATCH = 1 << 15
"""Most points an evaluation: enough for the host's threads, and the arrays stay small."""

PIECE = 1 << 11
"""Points whose nearest triangles are looked at in one go: their corners stay in the processor's cache."""


class HostSurface:
    """A target that answers core.surface.Surface's queries; close it, or use it in a with statement."""

    def __init__(self, mesh: PolyMesh) -> None:
        """Copy a mesh into the host; its search tree is built by the first query.

        Raises MeshError where the mesh has no faces, a coordinate is not a number or all points coincide.
        """
        self._bounds = checked_bounds(mesh)
        self._centre = self._bounds.mean(axis=0)
        self._diagonal = float(np.linalg.norm(self._bounds[1] - self._bounds[0]))
        self._scene = bpy.data.scenes.new("Ringwright queries")
        self._positions, self._triangles = mesh.positions, _triangles(mesh)
        self._target = bpy.data.objects.new("Ringwright target", _bare_mesh(self._to_host(mesh.positions), self._triangles))
        self._scene.collection.objects.link(self._target)
        self._nearest = _QueryObject(self._scene, _nearest_tree(self._target))
        self._rays = _QueryObject(self._scene, _ray_tree(self._target))

    @classmethod
    def from_arrays(cls, positions: npt.ArrayLike, triangles: npt.ArrayLike) -> HostSurface:
        """A target from (V, 3) positions and (F, 3) triangles or (F, 4) quads, counter-clockwise seen from outside."""
        return cls(PolyMesh.from_quads(positions, triangles))

    @property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner of the box round the surface, (2, 3) float64, target units."""
        return self._bounds

    @property
    def diagonal(self) -> float:
        """Length of the bounding box's diagonal, target units."""
        return self._diagonal

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) points, target units; keep neighbours near each other in the array."""
        queries = _checked_rows(points, "points")
        told = np.concatenate([self._told(self._to_host(part)) for part in _batches(queries)])
        ways, normals = np.empty((3, len(queries))), np.empty((3, len(queries)))
        for start in range(0, len(queries), PIECE):
            part = slice(start, start + PIECE)
            corners, ways[:, part] = self._nearest_triangles(queries[part], told[part])
            normals[:, part] = triangle_normals(corners).T
        return ClosestPoints((queries.T + ways).T, normals.T, lengths(ways))

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions of any non-zero length, target units."""
        starts = _checked_rows(origins, "origins")
        along = _checked_rows(directions, "directions")
        if len(starts) != len(along):
            raise ValueError(f"{len(starts)} origins but {len(along)} directions")
        lengths = np.linalg.norm(along, axis=1)
        if not np.all(lengths > 0.0):
            raise ValueError("a ray's direction has no length")
        hit, reached, normals = self._cast_unit(self._to_host(starts), along / lengths[:, None])
        positions = np.where(hit[:, None], self._from_host(reached), starts)
        distances = np.where(hit, np.linalg.norm(positions - starts, axis=1), np.inf)
        return RayHits(hit, positions, normals, distances)

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside, (n,) bool; see ``core.inside``."""
        queries = _checked_rows(points, "points")
        within = np.all((queries >= self._bounds[0]) & (queries <= self._bounds[1]), axis=1)
        answer = np.zeros(len(queries), dtype=np.bool_)
        answer[within] = inside_by_crossings(self.cast, queries[within], self._diagonal)
        return answer

    def close(self) -> None:
        """Take everything that this surface made out of the host's data."""
        trees = [query.tree for query in (self._nearest, self._rays)]
        objects = [self._target, self._nearest.points, self._rays.points]
        bpy.data.batch_remove([*objects, *(item.data for item in objects), *trees, self._scene])

    def __enter__(self) -> HostSurface:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _to_host(self, points: FloatArray) -> FloatArray:
        return np.asarray((points - self._centre) / self._diagonal)

    def _from_host(self, points: Single) -> FloatArray:
        return np.asarray(points.astype(np.float64) * self._diagonal + self._centre)

    def _nearest_triangles(self, points: FloatArray, told: npt.NDArray[Any]) -> tuple[FloatArray, FloatArray]:
        """Corners of the triangle nearest to each of (n, 3) points, (n, 3, 3), and the way there in rows, (3, n).

        told : (n,) int, its number as the host tells it
        """
        best = self._corners_of(told)
        ways = ways_to_triangles(points, best)
        doubt = len(self._triangles) // (2 * EXACT)
        for step in (step for step in range(-doubt, doubt + 1) if step):  # the right one is among its neighbours in number
            corners = self._corners_of(np.clip(told + step, 0, len(self._triangles) - 1))
            others = ways_to_triangles(points, corners)
            nearer = dots(others, others) < dots(ways, ways)
            best[nearer], ways[:, nearer] = corners[nearer], others[:, nearer]
        return best, ways

    def _told(self, there: FloatArray) -> npt.NDArray[Any]:
        """Numbers of the nearest triangles as the host tells them, (n,) int."""
        return self._nearest.evaluate(there, {})["nearest_triangle"] + len(self._triangles) // 2

    def _corners_of(self, numbers: npt.NDArray[Any]) -> FloatArray:
        return self._positions.take(self._triangles.take(numbers, axis=0), axis=0)

    def _cast_unit(self, starts: FloatArray, ways: FloatArray) -> tuple[BoolArray, Single, FloatArray]:
        """Hits, hit positions and unit normals of rays along unit vectors, in the host's own scale."""
        batches = zip(_batches(starts), _batches(ways), strict=True)
        found = [self._rays.evaluate(start, {"direction": along}) for start, along in batches]
        hit = _joined(found, "ray_hit")
        normals = np.where(hit[:, None], unit(_joined(found, "ray_normal").astype(np.float64)), 0.0)
        return hit, _joined(found, "ray_position"), normals


_ANSWERS: dict[str, tuple[str, tuple[int, ...], type[np.generic]]] = {
    "FLOAT_VECTOR": ("vector", (3,), np.float32), "BOOLEAN": ("value", (), np.bool_), "INT": ("value", (), np.int32)}
"""The host's type of an answer: its field, its shape a point and its type here."""


class _QueryObject:
    """Bare vertices in the private scene, with a node tree that stores its answers on each."""

    def __init__(self, scene: bpy.types.Scene, tree: bpy.types.NodeTree) -> None:
        self.tree = tree
        self.points = bpy.data.objects.new("Ringwright query", bpy.data.meshes.new("Ringwright query"))
        self.points.modifiers.new("Ringwright query", "NODES").node_group = tree
        self._layer = scene.view_layers[0]
        scene.collection.objects.link(self.points)

    def evaluate(self, positions: FloatArray, inputs: dict[str, FloatArray]) -> dict[str, npt.NDArray[Any]]:
        """Answers at (n, 3) positions, given (n, 3) input vectors by name: (n,) bool, (n,) int32 or (n, 3) float32 by name."""
        if len(positions):
            self._place(positions, inputs)
            self._layer.update()
        return {name: self._read(name, kind, len(positions)) for name, kind in _answers(self.tree)}

    def _place(self, positions: FloatArray, inputs: dict[str, FloatArray]) -> None:
        mesh = self.points.data
        if len(mesh.vertices) != len(positions):
            mesh.clear_geometry()
            mesh.vertices.add(len(positions))
            for name in inputs:
                mesh.attributes.new(name, "FLOAT_VECTOR", "POINT")
        write_positions(mesh, positions)
        for name, vectors in inputs.items():
            mesh.attributes[name].data.foreach_set("vector", np.ascontiguousarray(vectors, dtype=np.float32).ravel())
        mesh.update()

    def _read(self, name: str, kind: str, count: int) -> npt.NDArray[Any]:
        field, shape, dtype = _ANSWERS[kind]
        values: npt.NDArray[Any] = np.empty((count, *shape), dtype=dtype)
        if count:
            layer = self.points.evaluated_get(self._layer.depsgraph).data.attributes[name]
            layer.data.foreach_get(field, values.ravel())
        return values


def _answers(tree: bpy.types.NodeTree) -> list[tuple[str, str]]:
    """Name and type of every attribute that a query tree stores."""
    stores = (node for node in tree.nodes if node.bl_idname == "GeometryNodeStoreNamedAttribute")
    return [(store.inputs["Name"].default_value, store.data_type) for store in stores]


def _nearest_tree(target: bpy.types.Object) -> bpy.types.NodeTree:
    """Stores the number of the nearest triangle, read from the triangle's corners in place: the only search a point needs.

    A field of the host's own, such as position or normal, would be copied to all corners for every query.
    """
    tree = bpy.data.node_groups.new("Ringwright nearest", "GeometryNodeTree")
    nearest = tree.nodes.new("GeometryNodeSampleNearestSurface")
    nearest.data_type = "INT"
    tree.links.new(_target_geometry(tree, target), nearest.inputs["Mesh"])
    tree.links.new(_named(tree, TRIANGLE, "INT"), nearest.inputs["Value"])
    _store(tree, [("nearest_triangle", nearest.outputs["Value"])])
    return tree


def _ray_tree(target: bpy.types.Object) -> bpy.types.NodeTree:
    """Stores what the ray from each vertex along its "direction" attribute meets first."""
    tree = bpy.data.node_groups.new("Ringwright rays", "GeometryNodeTree")
    ray = tree.nodes.new("GeometryNodeRaycast")
    ray.inputs["Ray Length"].default_value = FAR
    tree.links.new(_target_geometry(tree, target), ray.inputs["Target Geometry"])
    tree.links.new(_named(tree, "direction", "FLOAT_VECTOR"), ray.inputs["Ray Direction"])
    names = {"ray_hit": "Is Hit", "ray_position": "Hit Position", "ray_normal": "Hit Normal"}
    _store(tree, [(name, ray.outputs[output]) for name, output in names.items()])
    return tree


def _target_geometry(tree: bpy.types.NodeTree, target: bpy.types.Object) -> bpy.types.NodeSocket:
    """The target as a node's output; with any transform the host would copy it and build its tree again every time."""
    node = tree.nodes.new("GeometryNodeObjectInfo")
    node.transform_space = "ORIGINAL"
    node.inputs["Object"].default_value = target
    return node.outputs["Geometry"]


def _named(tree: bpy.types.NodeTree, name: str, kind: str) -> bpy.types.NodeSocket:
    """An attribute as a node's output."""
    node = tree.nodes.new("GeometryNodeInputNamedAttribute")
    node.data_type = kind
    node.inputs["Name"].default_value = name
    return node.outputs["Attribute"]


def _bare_mesh(positions: FloatArray, triangles: IntArray) -> bpy.types.Mesh:
    """A host mesh of triangles with its number on every corner.

    It has no edges: no query looks at them, and to find them takes as long as to build the search tree.
    """
    mesh = bpy.data.meshes.new("Ringwright target")
    mesh.vertices.add(len(positions))
    mesh.loops.add(triangles.size)
    mesh.polygons.add(len(triangles))
    write_positions(mesh, positions)
    mesh.attributes[".corner_vert"].data.foreach_set("value", np.ascontiguousarray(triangles, dtype=np.int32).ravel())
    mesh.polygons.foreach_set("loop_start", np.arange(0, triangles.size, 3, dtype=np.int32))
    numbers = mesh.attributes.new(TRIANGLE, "INT", "CORNER")
    numbers.data.foreach_set("value", np.repeat(np.arange(len(triangles), dtype=np.int32) - len(triangles) // 2, 3))
    return mesh


def _store(tree: bpy.types.NodeTree, answers: list[tuple[str, bpy.types.NodeSocket]]) -> None:
    """Store named answers on the query's vertices.

    One capture takes them all in one evaluation; stores that read the fields themselves would cast every ray anew.
    """
    tree.interface.new_socket("Geometry", in_out="INPUT", socket_type="NodeSocketGeometry")
    tree.interface.new_socket("Geometry", in_out="OUTPUT", socket_type="NodeSocketGeometry")
    capture = tree.nodes.new("GeometryNodeCaptureAttribute")
    capture.domain = "POINT"
    tree.links.new(tree.nodes.new("NodeGroupInput").outputs[0], capture.inputs["Geometry"])
    geometry = capture.outputs["Geometry"]
    for name, value in answers:
        capture.capture_items.new(value.type, name)
        tree.links.new(value, capture.inputs[name])
        store = tree.nodes.new("GeometryNodeStoreNamedAttribute")
        store.data_type = "FLOAT_VECTOR" if value.type == "VECTOR" else value.type
        store.inputs["Name"].default_value = name
        tree.links.new(geometry, store.inputs["Geometry"])
        tree.links.new(capture.outputs[name], store.inputs["Value"])
        geometry = store.outputs["Geometry"]
    tree.links.new(geometry, tree.nodes.new("NodeGroupOutput").inputs[0])


def read_evaluated(target: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> PolyMesh:
    """A host object's mesh as it is seen, or would be if it were shown: modifiers applied, in world coordinates."""
    if target.visible_get(view_layer=depsgraph.view_layer):
        return _read_shown(target, depsgraph)
    # the host leaves out the modifiers of what is switched off: a copy in a private scene is shown
    scene, copy = bpy.data.scenes.new("Ringwright hidden"), target.copy()
    try:
        copy.hide_viewport = False
        scene.collection.objects.link(copy)
        layer = scene.view_layers[0]
        layer.update()
        return _read_shown(copy, layer.depsgraph)
    finally:
        bpy.data.batch_remove([copy, scene])


def _read_shown(item: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> PolyMesh:
    evaluated = item.evaluated_get(depsgraph)
    try:
        return read_mesh(evaluated.to_mesh(), np.array(evaluated.matrix_world, dtype=np.float64))
    finally:
        evaluated.to_mesh_clear()


def _triangles(mesh: PolyMesh) -> IntArray:
    """A mesh's faces as triangles, (T, 3) int32; those of polygons as the host cuts them."""
    sizes = mesh.face_sizes
    if (sizes == 3).all():
        return mesh.triangles()
    if (sizes == 4).all():
        return split_quads(mesh.positions, mesh.quads())
    whole = create_mesh("Ringwright triangles", PolyMesh(mesh.positions, mesh.corner_verts, mesh.face_offsets))
    whole.calc_loop_triangles()
    corners = np.empty(3 * len(whole.loop_triangles), dtype=np.int32)
    whole.loop_triangles.foreach_get("vertices", corners)
    bpy.data.meshes.remove(whole)
    return corners.reshape(-1, 3)


def checked_bounds(mesh: PolyMesh) -> FloatArray:
    """Box round a mesh's faces, (2, 3) float64.

    Raises MeshError where the mesh has no faces, a coordinate is not a number or all points coincide.
    """
    if not mesh.face_count:
        raise MeshError("The surface has no faces; give a mesh with faces.")
    used = np.zeros(mesh.vertex_count, dtype=np.bool_)
    used[mesh.corner_verts] = True
    positions = mesh.positions if used.all() else mesh.positions[used]
    bounds = np.stack([positions.min(axis=0), positions.max(axis=0)])
    if not np.isfinite(bounds).all():
        broken = int(np.count_nonzero(~np.isfinite(positions).all(axis=1)))
        raise MeshError(f"The surface has {broken} vertices whose coordinates are not numbers; mend or delete them.")
    if not np.any(bounds[1] > bounds[0]):
        raise MeshError("All points of the surface lie in one place; give a mesh with some size.")
    return bounds


def _checked_rows(rows: npt.ArrayLike, name: str) -> FloatArray:
    array = np.ascontiguousarray(rows, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise ValueError(f"{name} must have shape (n, 3), got {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} hold a coordinate that is not a number; the host would answer with the origin")
    return array


def _batches(rows: FloatArray) -> list[FloatArray]:
    return [rows[start : start + BATCH] for start in range(0, max(len(rows), 1), BATCH)]


def _joined(found: list[dict[str, npt.NDArray[Any]]], name: str) -> npt.NDArray[Any]:
    return np.concatenate([answers[name] for answers in found])
