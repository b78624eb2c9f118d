"""Find the 3D viewport under the pointer, and the ray that goes out from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import bpy
import numpy as np
from bpy_extras import view3d_utils
from mathutils import Vector

from ..core.polymesh import FloatArray
from .gpu_shapes import project


@dataclass(frozen=True)
class Viewport:
    """A 3D viewport's main region."""

    area: bpy.types.Area
    region: bpy.types.Region
    view: bpy.types.RegionView3D

    def local(self, x: float, y: float) -> FloatArray:
        """A place of the window in this region, (2,) pixels."""
        return np.array([x - self.region.x, y - self.region.y], dtype=np.float64)

    def ray(self, place: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Origin and direction of the view ray through a place of the region."""
        pixel = Vector(place.tolist())
        origin = view3d_utils.region_2d_to_origin_3d(self.region, self.view, pixel)
        direction = view3d_utils.region_2d_to_vector_3d(self.region, self.view, pixel)
        return np.array(origin, dtype=np.float64), np.array(direction, dtype=np.float64)

    def pixels(self, points: FloatArray) -> FloatArray:
        """Where (n, 3) points of the world lie in the region, (n, 2); far away where a point lies behind the viewer."""
        places, front = project(self.region, self.view, points)
        return np.where(front[:, None], places, 1e9)

    def shift(self, point: FloatArray, place: FloatArray) -> FloatArray:
        """The point of the world under a place of the region, as deep in the view as another point."""
        moved = view3d_utils.region_2d_to_location_3d(self.region, self.view, Vector(place.tolist()), Vector(point.tolist()))
        return np.array(moved, dtype=np.float64)


def viewport_under(window: bpy.types.Window, x: float, y: float) -> Viewport | None:
    """The 3D viewport under a place of the window, unless a header or a sidebar lies over it."""
    for area in window.screen.areas:
        if area.type != "VIEW_3D" or not _holds(area, x, y):
            continue
        if any(region.type != "WINDOW" and region.width > 1 and region.height > 1 and _holds(region, x, y) for region in area.regions):
            return None
        for region in area.regions:
            if region.type == "WINDOW" and _holds(region, x, y) and isinstance(region.data, bpy.types.RegionView3D):
                return Viewport(area, region, region.data)
    return None


def _holds(part: bpy.types.Area | bpy.types.Region, x: float, y: float) -> bool:
    return part.x <= x < part.x + part.width and part.y <= y < part.y + part.height


def redraw_viewports(context: bpy.types.Context) -> None:
    """Have all 3D viewports drawn anew."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def look_at(context: bpy.types.Context, point: Sequence[float], distance: float) -> None:
    """Bring a point of the world into the middle of every 3D viewport of the window, from the side that it is seen from."""
    if context.window is None:
        return
    for area in context.window.screen.areas:
        if area.type == "VIEW_3D" and area.spaces.active.region_3d is not None:
            view = area.spaces.active.region_3d
            view.view_location, view.view_distance = Vector(point), distance
            area.tag_redraw()
