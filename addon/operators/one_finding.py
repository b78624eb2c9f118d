"""What Show and Mend share: one finding of the list, and whether the cage is still the one that was inspected."""
# mypy: disable-error-code="valid-type"

from __future__ import annotations

from typing import Any, NamedTuple

import bpy
from bpy.props import IntProperty

from ...core.errors import MeshError
from ..element_selection import has_elements
from ..finding_rows import unpack
from ..plan_storage import cage_of
from .asking import asked_row, has_cage, refuse


class ChosenFinding(NamedTuple):
    """A row of the findings, the cage that it is about, and its elements by index."""

    row: Any
    cage: bpy.types.Object
    elements: list[tuple[int, ...]]


class OneFinding:
    """Mixin: an operator on one finding of the list."""

    index: IntProperty(name="Number", description="Which finding of the list, from 0; -1 for the active one", min=-1, default=-1,
                       options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_cage(cls, context) and (len(context.scene.ringwright.findings) > 0 or refuse(cls, "There is no finding; inspect first"))

    def choose(self, context: bpy.types.Context) -> ChosenFinding:
        """The finding that is asked for; it becomes the active one.

        Raises MeshError where there is none of that number, or where the cage has lost elements since.
        """
        settings, cage = context.scene.ringwright, cage_of(context.scene)
        index = asked_row(self.index, settings.active_finding, len(settings.findings), "finding")
        row = settings.findings[index]
        elements = unpack(row.elements)
        if row.domain != "mesh" and not has_elements(cage, row.domain, elements):
            raise MeshError("The cage has changed since it was inspected; inspect it once more.")
        settings.active_finding = index
        return ChosenFinding(row, cage, elements)
