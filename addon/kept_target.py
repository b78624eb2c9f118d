"""The scene's target ready for many builds: its skin, its search tree and what was measured on it, until the target changes."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from bpy.app.handlers import persistent

from ..core.errors import MeshError
from ..core.measure import Measure
from ..core.polymesh import PolyMesh
from .background import Pause
from .host_surface import read_evaluated
from .plan_storage import target_of
from .skin_tree import SkinTree, skin_of

MOST_MEASURES = 512
"""Measures that are kept: an hour's tries of a plan of eight limbs."""


class KeptTarget:
    """A target as it stood when it was read."""

    def __init__(self, target: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> None:
        """Read the target as it is seen; its tree is built by the first build."""
        self.key = _key(target)
        self.measures: dict[bytes, Measure] = {}
        self._mesh = read_evaluated(target, depsgraph)
        self._skin: tuple[PolyMesh, SkinTree] | None = None

    def skin(self, pause: Pause) -> tuple[PolyMesh, SkinTree]:
        """The target without the pieces hidden in it, and its tree, made where there is none yet; touches none of the host's data."""
        if len(self.measures) > MOST_MEASURES:
            self.measures.clear()
        if self._skin is None:
            skin = skin_of(self._mesh)
            pause()
            self._skin = skin, SkinTree(skin)
            pause()
        return self._skin


_kept: KeptTarget | None = None


def kept_target(context: bpy.types.Context) -> KeptTarget:
    """The scene's target, read anew where it has changed."""
    global _kept
    target = target_of(context.scene)
    if target is None:
        raise MeshError("Choose a target first: the dense mesh that the cage must fit.")
    if _kept is None or _kept.key != _key(target):
        _kept = KeptTarget(target, context.evaluated_depsgraph_get())
    return _kept


def forget() -> None:
    """Let go of the target and its tree."""
    global _kept
    _kept = None


def _key(target: bpy.types.Object) -> tuple[Any, ...]:
    data = target.data
    matrix = np.array(target.matrix_world, dtype=np.float64).tobytes()
    return target.session_uid, data.session_uid, len(data.vertices), len(data.polygons), matrix


@persistent  # type: ignore[untyped-decorator]
def _changed(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    if _kept is None:
        return
    changed = {update.id.original.session_uid for update in depsgraph.updates if update.is_updated_geometry}
    if changed & set(_kept.key[:2]):
        forget()


@persistent  # type: ignore[untyped-decorator]
def _loaded(*_: Any) -> None:
    forget()


def register() -> None:
    """Watch the target."""
    bpy.app.handlers.depsgraph_update_post.append(_changed)
    bpy.app.handlers.load_post.append(_loaded)


def unregister() -> None:
    """Stop watching, and forget."""
    forget()
    bpy.app.handlers.depsgraph_update_post.remove(_changed)
    bpy.app.handlers.load_post.remove(_loaded)
