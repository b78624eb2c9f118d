"""A capsule, a dense target, and closed quad cages of it."""

from __future__ import annotations

import numpy as np

from ringwright.core.polymesh import BoolArray, PolyMesh
from support.reference_surface import ReferenceSurface
from support.shapes import capsule

LENGTH = 4.0
ROUND = capsule(length=LENGTH, around=128, along=128)
"""Radius 1 round the z axis, centres of the round ends at z = 0 and z = 4."""
OWN = ReferenceSurface(*ROUND)


def capsule_cage(sides: int, rings: int) -> PolyMesh:
    """A closed cage of the capsule: a tube of ``sides`` with a square grid over either end, 3-poles at its corners."""
    side = sides // 4
    number: dict[tuple[int, int, int], int] = {}
    positions: list[list[float]] = []

    def vertex(i: int, j: int, k: int) -> int:
        if (i, j, k) not in number:
            x, y = 2 * i / side - 1, 2 * j / side - 1
            disc = np.array([x * np.sqrt(1 - y * y / 2), y * np.sqrt(1 - x * x / 2)])
            depth = float(np.sqrt(1 - 0.75 * disc @ disc))
            height = -depth if k == 0 else LENGTH + depth if k == rings else LENGTH * (k - 0.5) / (rings - 1)
            number[i, j, k] = len(positions)
            positions.append([*(disc * (0.85 if k in (0, rings) else 1.0)), height])
        return number[i, j, k]

    rim = [(i, 0) for i in range(side)] + [(side, j) for j in range(side)] + [(side - i, side) for i in range(side)]
    rim += [(0, side - j) for j in range(side)]
    quads = []
    for k in range(rings):
        for here, there in zip(rim, rim[1:] + rim[:1], strict=True):
            quads.append([vertex(*here, k), vertex(*there, k), vertex(*there, k + 1), vertex(*here, k + 1)])
    for i in range(side):
        for j in range(side):
            quads.append([vertex(i, j, 0), vertex(i, j + 1, 0), vertex(i + 1, j + 1, 0), vertex(i + 1, j, 0)])
            quads.append([vertex(i, j, rings), vertex(i + 1, j, rings), vertex(i + 1, j + 1, rings), vertex(i, j + 1, rings)])
    return PolyMesh.from_quads(np.array(positions), np.array(quads))


CAGE = capsule_cage(12, 10)
FINE = capsule_cage(24, 24)


def free(mesh: PolyMesh) -> BoolArray:
    return np.zeros(mesh.vertex_count, dtype=np.bool_)
