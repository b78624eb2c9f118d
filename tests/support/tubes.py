"""Tubes of quads, straight, bent and uneven, for the tests of open rings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ringwright.core.polymesh import FloatArray, PolyMesh

from .random_meshes import grid_faces


def tube(sides: int, rings: int, *, radius: float = 1.0, base: npt.ArrayLike = (0, 0, 0), spacing: float | None = None,
         turn: float = 0.0) -> PolyMesh:
    """A round tube along +z of ``rings`` rings, faces outward; spacing left out: square faces."""
    step = 2 * radius * np.sin(np.pi / sides) if spacing is None else spacing
    angle = turn + 2 * np.pi * np.arange(sides) / sides
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(sides)])
    positions = np.concatenate([ring + np.asarray(base, dtype=float) + [0, 0, step * level] for level in range(rings)])
    return PolyMesh.from_quads(positions, grid_faces(rings - 1, sides, wrap_columns=True))


def join(*meshes: PolyMesh) -> PolyMesh:
    """Several meshes in one, vertices and faces one after the other."""
    offsets = np.cumsum([0, *(mesh.vertex_count for mesh in meshes)])
    corners = np.concatenate([mesh.corner_verts + offset for mesh, offset in zip(meshes, offsets[:-1], strict=True)])
    sizes = np.concatenate([mesh.face_sizes for mesh in meshes])
    return PolyMesh(np.concatenate([mesh.positions for mesh in meshes]), corners.astype(np.int32),
                    np.concatenate(([0], np.cumsum(sizes))).astype(np.int32))


def bent(mesh: PolyMesh, radians: float, seed: int = 0, noise: float = 0.0) -> PolyMesh:
    """The mesh bent about the y axis over its length in z, each point moved by up to ``noise`` at random."""
    points: FloatArray = mesh.positions + noise * np.random.default_rng(seed).uniform(-1, 1, mesh.positions.shape)
    length = float(np.ptp(points[:, 2])) or 1.0
    bend_radius = length / radians
    angle = points[:, 2] / bend_radius
    reach = bend_radius - points[:, 0]
    return mesh.with_positions(np.column_stack([bend_radius - reach * np.cos(angle), points[:, 1], reach * np.sin(angle)]))


def with_teeth(mesh: PolyMesh, sides: int, depth: int, random: np.random.Generator, *, at_top: bool) -> PolyMesh:
    """A tube whose one end is cut through its faces: every column loses up to ``depth`` of them, so that the open ring zigzags."""
    row, column = np.divmod(np.arange(mesh.face_count), sides)
    from_end = row[-1] - row if at_top else row
    quads = mesh.quads()[from_end >= random.integers(0, depth + 1, sides)[column]]
    used, corners = np.unique(quads, return_inverse=True)
    return PolyMesh.from_quads(mesh.positions[used], corners.reshape(-1, 4))
