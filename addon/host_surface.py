"""The target behind the host's own compiled, threaded queries.

A query mesh of bare vertices stands in a private scene beside the target; node trees on it sample
the nearest surface point or cast a ray from every vertex, all in one evaluation. The host builds
its search tree at the first evaluation and keeps it as long as the target's mesh stays unchanged.

The host works in single precision, so the target stands there moved to the origin and scaled to a
diagonal of one: neither a target far from the origin nor a tiny one loses digits.
"""

from __future__ import annotations

from types import TracebackType
from typing import Any

import bpy
import numpy as np
import numpy.typing as npt

from ..core.errors import MeshError
from ..core.polymesh import BoolArray, FloatArray, IntArray, PolyMesh
from ..core.surface import ClosestPoints, RayHits
from .mesh_bridge import create_mesh, read_mesh, write_positions

Single = npt.NDArray[np.float32]

VOTES = 7
"""Rays a point for the inside test: odd, so that there is a majority; open targets lose the rays through their openings."""
RAY_STEP = 2e-6
"""How far a ray restarts behind a hit, diagonals: a few steps of single precision at a diagonal of one."""
MOST_CROSSINGS = 64
"""Most surfaces that one inside ray may cross; a ray that crosses more has no vote."""
FAR = 1e6
"""Length of a ray, diagonals."""
FACE_NORMAL = "ringwright_face_normal"
"""Corner attribute of the target's copy."""
BATCH = 1 << 20
"""Most points an evaluation, to bound the memory (about 60 bytes a point)."""


class HostSurface:
    """A target that answers core.surface.Surface's queries; close it, or use it in a with statement."""

    def __init__(self, mesh: PolyMesh) -> None:
        """Copy a mesh into the host; its search tree is built by the first query.

        Raises MeshError where the mesh has no faces, a coordinate is not a number or all points coincide.
        """
        self._bounds = _checked_bounds(mesh)
        self._centre = self._bounds.mean(axis=0)
        self._diagonal = float(np.linalg.norm(self._bounds[1] - self._bounds[0]))
        self._scene = bpy.data.scenes.new("Ringwright queries")
        bare = PolyMesh(self._to_host(mesh.positions), mesh.corner_verts, mesh.face_offsets)
        self._target = bpy.data.objects.new("Ringwright target", create_mesh("Ringwright target", bare))
        _store_normals(self._target.data, mesh.face_sizes)
        self._scene.collection.objects.link(self._target)
        self._nearest = _QueryObject(self._scene, _nearest_tree(self._target))
        self._rays = _QueryObject(self._scene, _ray_tree(self._target))

    @classmethod
    def from_arrays(cls, positions: npt.ArrayLike, triangles: npt.ArrayLike) -> HostSurface:
        """A target from (V, 3) positions and (F, 3) triangles or (F, 4) quads, counter-clockwise seen from outside."""
        return cls(PolyMesh.from_quads(positions, triangles))

    @classmethod
    def from_object(cls, target: bpy.types.Object, depsgraph: bpy.types.Depsgraph | None = None) -> HostSurface:
        """A target from a host object as it is seen: modifiers applied, in world coordinates.

        depsgraph : the evaluation to read from; None for the current view layer's
        """
        return cls(read_evaluated(target, depsgraph or bpy.context.evaluated_depsgraph_get()))

    @property
    def target_object(self) -> bpy.types.Object:
        """The target's copy in the private scene."""
        return self._target

    @property
    def scene(self) -> bpy.types.Scene:
        """The private scene."""
        return self._scene

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
        found = [self._nearest.evaluate(self._to_host(batch), {}) for batch in _batches(queries)]
        positions = self._from_host(_joined(found, "nearest_position"))
        normals = _unit(_joined(found, "nearest_normal").astype(np.float64))
        return ClosestPoints(positions, normals, np.linalg.norm(positions - queries, axis=1))

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
        """Whether each of (n, 3) points lies inside, (n,) bool.

        Every point sends rays in directions spread over the sphere. Along a ray, leaving the surface
        counts +1 and entering it -1; a sum other than zero votes for inside, whichever way the faces
        look, and where pieces overlap. The majority decides, which bridges the openings of an open target.
        """
        queries = _checked_rows(points, "points")
        within = np.all((queries >= self._bounds[0]) & (queries <= self._bounds[1]), axis=1)
        candidates = self._to_host(queries[within])
        votes = sum((self._crossing_sums(candidates, direction) != 0).astype(np.int32) for direction in _spread_directions(VOTES))
        answer = np.zeros(len(queries), dtype=np.bool_)
        answer[within] = 2 * np.asarray(votes) > VOTES
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

    def _cast_unit(self, starts: FloatArray, unit: FloatArray) -> tuple[BoolArray, Single, FloatArray]:
        """Hits, hit positions and unit normals of rays in the host's own scale."""
        batches = zip(_batches(starts), _batches(unit), strict=True)
        found = [self._rays.evaluate(start, {"direction": along}) for start, along in batches]
        hit = _joined(found, "ray_hit")
        normals = np.where(hit[:, None], _unit(_joined(found, "ray_normal").astype(np.float64)), 0.0)
        return hit, _joined(found, "ray_position"), normals

    def _crossing_sums(self, points: FloatArray, direction: FloatArray) -> IntArray:
        """Signed crossings of the rays from (n, 3) points in one direction, (n,) int32; 0 where a ray has no vote."""
        sums = np.zeros(len(points), dtype=np.int32)
        active, starts = np.arange(len(points)), points
        for _ in range(MOST_CROSSINGS):
            if not len(active):
                return sums
            hit, reached, normals = self._cast_unit(starts, np.broadcast_to(direction, starts.shape))
            active, starts = active[hit], reached[hit].astype(np.float64) + RAY_STEP * direction
            sums[active] += np.where(normals[hit] @ direction > 0.0, 1, -1).astype(np.int32)
        sums[active] = 0
        return sums


class _QueryObject:
    """Bare vertices in the private scene, with a node tree that stores its answers on each."""

    def __init__(self, scene: bpy.types.Scene, tree: bpy.types.NodeTree) -> None:
        self.tree = tree
        self.points = bpy.data.objects.new("Ringwright query", bpy.data.meshes.new("Ringwright query"))
        self.points.modifiers.new("Ringwright query", "NODES").node_group = tree
        self._layer = scene.view_layers[0]
        scene.collection.objects.link(self.points)

    def evaluate(self, positions: FloatArray, inputs: dict[str, FloatArray]) -> dict[str, npt.NDArray[Any]]:
        """Answers at (n, 3) positions, given (n, 3) input vectors by name: (n,) bool or (n, 3) float32 by name."""
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
        is_vector = kind == "FLOAT_VECTOR"
        values: npt.NDArray[Any] = np.empty((count, 3), dtype=np.float32) if is_vector else np.empty(count, dtype=np.bool_)
        if count:
            layer = self.points.evaluated_get(self._layer.depsgraph).data.attributes[name]
            layer.data.foreach_get("vector" if is_vector else "value", values.ravel())
        return values


def _answers(tree: bpy.types.NodeTree) -> list[tuple[str, str]]:
    """Name and type of every attribute that a query tree stores."""
    stores = (node for node in tree.nodes if node.bl_idname == "GeometryNodeStoreNamedAttribute")
    return [(store.inputs["Name"].default_value, store.data_type) for store in stores]


def _nearest_tree(target: bpy.types.Object) -> bpy.types.NodeTree:
    """Stores the nearest point of the target's surface and the normal of the face it lies on.

    Proximity gives the point without reading any field of the target; sampling the position would first copy it to every corner.
    """
    tree = bpy.data.node_groups.new("Ringwright nearest", "GeometryNodeTree")
    geometry = _target_geometry(tree, target)
    proximity = tree.nodes.new("GeometryNodeProximity")
    proximity.target_element = "FACES"
    tree.links.new(geometry, proximity.inputs[0])
    facing = tree.nodes.new("GeometryNodeSampleNearestSurface")
    facing.data_type = "FLOAT_VECTOR"
    tree.links.new(geometry, facing.inputs["Mesh"])
    tree.links.new(_named_vector(tree, FACE_NORMAL), facing.inputs["Value"])
    # the second search starts on the surface itself and is short
    tree.links.new(proximity.outputs["Position"], facing.inputs["Sample Position"])
    _store(tree, [("nearest_position", proximity.outputs["Position"]), ("nearest_normal", facing.outputs["Value"])])
    return tree


def _ray_tree(target: bpy.types.Object) -> bpy.types.NodeTree:
    """Stores what the ray from each vertex along its "direction" attribute meets first."""
    tree = bpy.data.node_groups.new("Ringwright rays", "GeometryNodeTree")
    ray = tree.nodes.new("GeometryNodeRaycast")
    ray.inputs["Ray Length"].default_value = FAR
    tree.links.new(_target_geometry(tree, target), ray.inputs["Target Geometry"])
    tree.links.new(_named_vector(tree, "direction"), ray.inputs["Ray Direction"])
    names = {"ray_hit": "Is Hit", "ray_position": "Hit Position", "ray_normal": "Hit Normal"}
    _store(tree, [(name, ray.outputs[output]) for name, output in names.items()])
    return tree


def _target_geometry(tree: bpy.types.NodeTree, target: bpy.types.Object) -> bpy.types.NodeSocket:
    """The target as a node's output; with any transform the host would copy it and build its tree again every time."""
    node = tree.nodes.new("GeometryNodeObjectInfo")
    node.transform_space = "ORIGINAL"
    node.inputs["Object"].default_value = target
    return node.outputs["Geometry"]


def _named_vector(tree: bpy.types.NodeTree, name: str) -> bpy.types.NodeSocket:
    """A vector attribute as a node's output."""
    node = tree.nodes.new("GeometryNodeInputNamedAttribute")
    node.data_type = "FLOAT_VECTOR"
    node.inputs["Name"].default_value = name
    return node.outputs["Attribute"]


def _store_normals(target: bpy.types.Mesh, face_sizes: IntArray) -> None:
    """Write every face's normal on its corners, where a surface sample reads it in place.

    The host's own fields would be copied to all corners for every query: for a thousand points on a million triangles
    that was 68 ms of processor time, this is 17 (4.5).
    """
    normals = np.empty((len(face_sizes), 3), dtype=np.float32)
    target.polygon_normals.foreach_get("vector", normals.ravel())
    layer = target.attributes.new(FACE_NORMAL, "FLOAT_VECTOR", "CORNER")
    layer.data.foreach_set("vector", np.repeat(normals, face_sizes, axis=0).ravel())


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
        kind = "BOOLEAN" if value.type == "BOOLEAN" else "VECTOR"
        capture.capture_items.new(kind, name)
        tree.links.new(value, capture.inputs[name])
        store = tree.nodes.new("GeometryNodeStoreNamedAttribute")
        store.data_type = "BOOLEAN" if kind == "BOOLEAN" else "FLOAT_VECTOR"
        store.inputs["Name"].default_value = name
        tree.links.new(geometry, store.inputs["Geometry"])
        tree.links.new(capture.outputs[name], store.inputs["Value"])
        geometry = store.outputs["Geometry"]
    tree.links.new(geometry, tree.nodes.new("NodeGroupOutput").inputs[0])


def read_evaluated(target: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> PolyMesh:
    """A host object's mesh as it is seen: modifiers applied, in world coordinates."""
    evaluated = target.evaluated_get(depsgraph)
    try:
        return read_mesh(evaluated.to_mesh(), np.array(evaluated.matrix_world, dtype=np.float64))
    finally:
        evaluated.to_mesh_clear()


def _checked_bounds(mesh: PolyMesh) -> FloatArray:
    if not mesh.face_count:
        raise MeshError("The surface has no faces; give a mesh with faces.")
    used = np.zeros(mesh.vertex_count, dtype=np.bool_)
    used[mesh.corner_verts] = True
    positions = mesh.positions[used]
    broken = int(np.count_nonzero(~np.isfinite(positions).all(axis=1)))
    if broken:
        raise MeshError(f"The surface has {broken} vertices whose coordinates are not numbers; mend or delete them.")
    bounds = np.stack([positions.min(axis=0), positions.max(axis=0)])
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


def _unit(vectors: FloatArray) -> FloatArray:
    """Unit vectors; zero where a vector has no length."""
    lengths = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.divide(vectors, lengths, out=np.zeros_like(vectors), where=lengths > 0.0)


def _spread_directions(count: int) -> FloatArray:
    """Directions spread evenly over the sphere, none along an axis, (count, 3) float64 (a Fibonacci lattice; from memory)."""
    heights = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turns = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0)) + 0.5
    across = np.sqrt(1.0 - heights**2)
    return np.column_stack([across * np.cos(turns), across * np.sin(turns), heights])
