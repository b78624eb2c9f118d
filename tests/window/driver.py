"""Runs inside the editor: presses keys, moves the mouse, takes photographs, writes down what it found.

A scenario is a generator function that takes a ``Hand`` and yields seconds to wait; one event a tick, as an artist's
events come. Usage: ``EDITOR FILE.blend --python driver.py -- SCENARIO OUTPUT_FOLDER``.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
import tomllib
import traceback
from collections.abc import Generator
from pathlib import Path
from types import ModuleType

import bmesh
import bpy
import numpy as np
from bpy_extras import view3d_utils
from mathutils import Vector

TICK = 0.06
Steps = Generator[float, None, None]


class Hand:
    """The artist's hand: mouse, keys and camera."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.facts: dict[str, object] = {}
        self.x, self.y = 400, 400

    @property
    def window(self) -> bpy.types.Window:
        return bpy.context.window_manager.windows[0]

    @property
    def area(self) -> bpy.types.Area:
        return next(area for area in self.window.screen.areas if area.type == "VIEW_3D")

    @property
    def region(self) -> bpy.types.Region:
        return next(region for region in self.area.regions if region.type == "WINDOW")

    def override(self) -> object:
        return bpy.context.temp_override(window=self.window, area=self.area, region=self.region)

    def fact(self, name: str, value: object) -> None:
        self.facts[name] = value

    def send(self, kind: str, value: str, **modifiers: bool) -> None:
        self.window.event_simulate(type=kind, value=value, x=int(self.x), y=int(self.y), **modifiers)

    def move(self, x: float, y: float, **modifiers: bool) -> Steps:
        """Move the pointer there in two steps."""
        start = (self.x, self.y)
        for share in (0.6, 1.0):
            self.x, self.y = start[0] + share * (x - start[0]), start[1] + share * (y - start[1])
            self.send("MOUSEMOVE", "NOTHING", **modifiers)
            yield TICK

    def press(self, kind: str, **modifiers: bool) -> Steps:
        """Press and release a key, or turn the wheel one notch."""
        self.send(kind, "PRESS", **modifiers)
        yield TICK
        if not kind.startswith("WHEEL"):
            self.send(kind, "RELEASE", **modifiers)
            yield TICK

    def click(self, x: float, y: float, **modifiers: bool) -> Steps:
        yield from self.move(x, y)
        yield from self.press("LEFTMOUSE", **modifiers)
        yield 0.45  # two clicks in one place would be a double click

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> Steps:
        yield from self.move(*start)
        self.send("LEFTMOUSE", "PRESS")
        yield 0.1
        yield from self.move(*end)
        self.send("LEFTMOUSE", "RELEASE")
        yield 0.45

    def draw_limb(self) -> Steps:
        """Start the tool by its key; the pointer must be over the viewport."""
        yield from self.press("L", ctrl=True, alt=True, shift=True)
        yield 0.3

    @property
    def tool_runs(self) -> bool:
        """Whether Draw Limb is running."""
        return any(each.bl_idname == "RINGWRIGHT_OT_draw_limb" for each in self.window.modal_operators)

    def window_manager_operator(self, name: str) -> bpy.types.Operator:
        """The last operation of that name, as the panel of the last operation shows it."""
        return next(each for each in reversed(list(bpy.context.window_manager.operators)) if each.bl_idname == name)

    def pixel(self, point: object) -> tuple[float, float]:
        """Where a point of the world lies in the window."""
        region = self.region
        place = view3d_utils.location_3d_to_region_2d(region, region.data, Vector(point))
        return place.x + region.x, place.y + region.y

    def look(self, direction: object, focus: object, distance: float) -> None:
        """Look along a direction at a point, in a parallel view."""
        view = self.region.data
        view.view_perspective = "ORTHO"
        view.view_rotation = Vector(direction).to_track_quat("-Z", "Y")
        view.view_location, view.view_distance = Vector(focus), distance
        view.update()

    def sidebar(self, tab: str) -> Steps:
        """Show the sidebar with one of its tabs in front."""
        space = self.area.spaces.active
        space.show_region_ui = True
        yield 0.3
        region = next(region for region in self.area.regions if region.type == "UI")
        region.active_panel_category = tab
        self.area.tag_redraw()
        yield 0.3

    def photograph(self, name: str) -> Steps:
        """Save a picture of the whole window."""
        yield 0.4
        path = self.folder / f"{name}.png"
        bpy.ops.wm.redraw_timer(type="DRAW_WIN_SWAP", iterations=1)
        if shutil.which("import"):
            subprocess.run(["import", "-window", "root", str(path)], check=True)
        else:
            with self.override():
                bpy.ops.screen.screenshot(filepath=str(path))
        yield 0.1


def plan_joints() -> dict[str, np.ndarray]:
    """Joints of the demo's own plan, by limb."""
    plan = tomllib.loads(bpy.data.objects["Cage"]["ringwright_plan"])
    return {limb["name"]: np.array(limb["joints"]) for limb in plan["limb"]}


def square_view(joints: dict[str, np.ndarray]) -> np.ndarray:
    """A direction square to the hand's back, as an artist would turn the view."""
    along = joints["middle"][-1] - joints["palm"][0]
    across = joints["index"][0] - joints["little"][0]
    normal = np.cross(along, across)
    return normal / np.linalg.norm(normal)


def wound(cage: bpy.types.Object, joints: dict[str, np.ndarray]) -> None:
    """Take the forearm out and put triangles on the palm."""
    mesh = bmesh.new()
    mesh.from_mesh(cage.data)
    limb = mesh.verts.layers.int["limb"]
    arm = [face for face in mesh.faces if all(vertex[limb] == 1 for vertex in face.verts)]
    bmesh.ops.delete(mesh, geom=arm, context="FACES")
    palm = Vector(joints["palm"].mean(axis=0))
    near = sorted(mesh.faces, key=lambda face: (face.calc_center_median() - palm).length)[:2]
    bmesh.ops.triangulate(mesh, faces=near)
    mesh.to_mesh(cage.data)
    mesh.free()
    cage.data.update()


def mesh_arrays(item: bpy.types.Object) -> tuple[bytes, bytes]:
    """A mesh's positions and corners, to be compared."""
    positions = np.empty(3 * len(item.data.vertices), dtype=np.float32)
    corners = np.empty(len(item.data.loops), dtype=np.int32)
    item.data.vertices.foreach_get("co", positions)
    item.data.loops.foreach_get("vertex_index", corners)
    return positions.tobytes(), corners.tobytes()


def _run(scenario: Steps, hand: Hand) -> None:
    def tick() -> float | None:
        try:
            return next(scenario)
        except StopIteration:
            hand.fact("finished", True)
        except BaseException:
            hand.fact("failure", traceback.format_exc())
        _leave(hand)
        return None

    bpy.app.timers.register(tick, first_interval=1.5)


def _leave(hand: Hand) -> None:
    """Write the facts down and quit."""
    (hand.folder / "facts.json").write_text(json.dumps(hand.facts, indent=1, default=str), encoding="utf-8")
    with hand.override():
        bpy.ops.wm.quit_blender()


def main() -> None:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # for `from support...`
    name, folder = sys.argv[sys.argv.index("--") + 1 :][:2]
    hand = Hand(Path(folder))
    hand.folder.mkdir(parents=True, exist_ok=True)
    try:
        _run(_load(name).scenario(hand), hand)
    except Exception:
        hand.fact("failure", traceback.format_exc())
        _leave(hand)


def _load(name: str) -> ModuleType:
    path = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["driver"] = sys.modules[__name__]
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    main()
