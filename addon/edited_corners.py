"""What the corners of new faces carry, texture coordinates first of all: a mix of old corners on the same side of a seam."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import bmesh
import numpy as np
import numpy.typing as npt

from ..core.polymesh import FloatArray

MIXED_LAYERS = ("float", "float_vector", "float_color", "color")
"""Kinds of attribute whose values can be mixed."""

COPIED_LAYERS = ("int", "bool", "string")
"""Kinds of attribute whose values can only be taken over."""

NEAR = 2
"""Faces that may lie between a new face's example and a corner that it takes texture coordinates from: past a step-down
row, and not once round a limb to the other side of a seam."""

FEW = 4
"""Sources of a vertex that lies between neighbours; one in the middle of a filled hole has more, all round it."""

SAME_PLACE = 1e-5
"""Texture coordinates nearer than this are one place."""

CornerValues = list[tuple[Any, Any]]
"""Layers and what one corner carries in them."""

_Corners = dict[bmesh.types.BMVert, tuple[int, bmesh.types.BMLoop]]


@dataclass(frozen=True)
class OldCorners:
    """The corners of a mesh before an edit.

    mixed : layers that can be mixed, with their numbers a corner; 0 for a plain number
    copied : layers that can only be taken over
    touched : faces at vertices from which something is mixed
    uvs : layers of texture coordinates
    near : corners that lie round an example face, with their distances, as far as they have been asked for
    numbers : all mixed layers of a corner in one row, likewise
    """

    mixed: list[tuple[Any, int]]
    copied: list[Any]
    touched: set[bmesh.types.BMFace]
    uvs: list[Any]
    near: dict[bmesh.types.BMFace, _Corners] = field(default_factory=dict)
    numbers: dict[bmesh.types.BMLoop, FloatArray] = field(default_factory=dict)


def old_corners(host: bmesh.types.BMesh, touched: set[bmesh.types.BMFace]) -> OldCorners:
    """The corners of the host's editable mesh; nothing is read yet.

    touched : faces at vertices from which something is mixed
    """
    layers = host.loops.layers
    corner = next((face.loops[0] for face in host.faces), None)
    mixed: list[tuple[Any, int]] = [(layer, 2) for layer in layers.uv.values()]
    if corner is not None:
        numbered = [layer for kind in MIXED_LAYERS for layer in getattr(layers, kind).values()]
        mixed += [(layer, 0 if isinstance(corner[layer], float) else len(corner[layer])) for layer in numbered]
    copied = [layer for kind in COPIED_LAYERS for layer in getattr(layers, kind).values()]
    return OldCorners(mixed, copied, touched, list(layers.uv.values()))


def mix_corners(old: OldCorners, example: bmesh.types.BMFace, vertices: list[bmesh.types.BMVert], shares: FloatArray) -> list[CornerValues]:
    """What the corners of a new face carry, one list for each.

    example : old face that the new one takes its attributes from
    vertices : old vertices that the corners lie between
    shares : (corners, vertices) float64, their shares
    """
    if not (old.mixed or old.copied):
        return [[] for _ in shares]
    if example not in old.near:
        old.near[example] = _corners_round(old, example)
    near = old.near[example]
    far = np.array([vertex in near and near[vertex][0] > NEAR for vertex in vertices])
    corners = [near[vertex][1] if vertex in near else _any_corner(vertex) for vertex in vertices]
    usable = np.array([corner is not None for corner in corners])
    table = np.array([_numbers(old, corner) if corner is not None else np.zeros(_width(old)) for corner in corners])
    # Neighbours across a seam have no say; a vertex in the middle of a hole listens to the border all round.
    between = np.count_nonzero(shares, axis=1) <= FEW
    own = np.where(usable & ~(between[:, None] & far), shares, 0.0)
    return [_told(old, row, row @ table / row.sum(), corners) if row.sum() > 0 else [] for row in own]


def write_corner(loop: bmesh.types.BMLoop, values: CornerValues) -> None:
    """Put what a corner carries onto it."""
    for layer, value in values:
        if isinstance(loop[layer], bmesh.types.BMLoopUV):
            loop[layer].uv = value
        else:
            loop[layer] = value


def copy_layers(layers: Any, element: Any, source: Any) -> None:
    """Further attributes of one element onto another; copy_from() of the host would make Python lose the element itself."""
    for kind in (*COPIED_LAYERS, *MIXED_LAYERS):
        for layer in getattr(layers, kind).values():
            element[layer] = source[layer]


def _any_corner(vertex: bmesh.types.BMVert) -> bmesh.types.BMLoop | None:
    return next(iter(vertex.link_loops), None)


def _width(old: OldCorners) -> int:
    return sum(max(width, 1) for _, width in old.mixed)


def _numbers(old: OldCorners, corner: bmesh.types.BMLoop) -> FloatArray:
    if corner not in old.numbers:
        row: list[float] = []
        for layer, width in old.mixed:
            value = corner[layer]
            row.extend(value.uv if isinstance(value, bmesh.types.BMLoopUV) else value if width else (value,))
        old.numbers[corner] = np.array(row, dtype=np.float64)
    return old.numbers[corner]


def _told(old: OldCorners, shares: FloatArray, numbers: npt.NDArray[np.float64], corners: list[bmesh.types.BMLoop | None]) -> CornerValues:
    heaviest = corners[int(np.argmax(shares))]
    values: CornerValues = [] if heaviest is None else [(layer, heaviest[layer]) for layer in old.copied]
    place = 0
    for layer, width in old.mixed:
        values.append((layer, numbers[place : place + width] if width else float(numbers[place])))
        place += max(width, 1)
    return values


def _corners_round(old: OldCorners, example: bmesh.types.BMFace) -> _Corners:
    """The corner of every vertex that is met first on the way from a face over edges without a cut in the texture."""
    corners: _Corners = {}
    seen, waiting = {example}, deque([(example, 0)])
    while waiting:
        face, distance = waiting.popleft()
        for loop in face.loops:
            corners.setdefault(loop.vert, (distance, loop))
        for loop in face.loops:
            other = loop.link_loop_radial_next
            if other.face in old.touched and other.face not in seen and _runs_on(old, loop, other):
                seen.add(other.face)
                waiting.append((other.face, distance + 1))
    return corners


def _runs_on(old: OldCorners, one: bmesh.types.BMLoop, other: bmesh.types.BMLoop) -> bool:
    """Whether texture coordinates agree on both sides of an edge."""
    start, end = one, one.link_loop_next
    same, opposite = (other, other.link_loop_next) if start.vert == other.vert else (other.link_loop_next, other)
    return all((start[layer].uv - same[layer].uv).length < SAME_PLACE and (end[layer].uv - opposite[layer].uv).length < SAME_PLACE
               for layer in old.uvs)
