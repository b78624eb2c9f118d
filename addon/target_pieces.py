"""The target's skin behind the host's queries: pieces are left out that lie wholly inside another."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from ..core.nested_pieces import without_nested
from ..core.polymesh import BoolArray, FloatArray, PolyMesh
from .host_surface import HostSurface


@contextmanager
def skin_surface(target: PolyMesh) -> Iterator[tuple[PolyMesh, HostSurface]]:
    """A target without its hidden pieces, and its surface to query, for the length of a with statement.

    Raises MeshError as HostSurface does.
    """
    skin = without_nested(target, _inside)
    with HostSurface(skin) as surface:
        yield skin, surface


def _inside(mesh: PolyMesh, points: FloatArray) -> BoolArray:
    with HostSurface(mesh) as surface:
        return surface.inside(points)
