"""What tools and the overlay draw into a 3D viewport, on hosts without a window; where the host has a card all the same, real pixels."""

from __future__ import annotations

import json
import subprocess
import sys

import bpy
import numpy as np
import pytest

from ringwright.addon import hanging_view, viewports
from ringwright.addon.cage_object import place_cage
from ringwright.addon.draft_view import DraftView
from ringwright.addon.gpu_shapes import GREEN, ORANGE, PAPER, PURPLE, SKY, VERMILION, YELLOW, project, with_alpha
from ringwright.addon.overlay import Overlay
from ringwright.addon.places_view import PlacesView
from ringwright.addon.plan_storage import store_plan
from ringwright.core.build import build_cage
from ringwright.core.heat import Heat
from ringwright.core.limb_draft import LimbDraft
from ringwright.core.polymesh import PolyMesh
from support.fork_plan import fork_plan
from support.recorded_gpu import Card, recorded, viewport
from support.reference_surface import ReferenceSurface
from support.shapes import fork

pytestmark = pytest.mark.usefixtures("extension")


@pytest.fixture(scope="module")
def built() -> PolyMesh:
    return build_cage(fork_plan(), ReferenceSurface(*fork(48))).mesh


@pytest.fixture
def cage(extension: None, built: PolyMesh) -> bpy.types.Object:
    """A forked cage with its plan, in the view that the host starts with."""
    item = bpy.context.scene.ringwright.cage = place_cage(bpy.context.scene, built)
    store_plan(bpy.context.scene, fork_plan())
    bpy.context.view_layer.update()
    return item


def draw(view: Overlay | DraftView | PlacesView, monkeypatch: pytest.MonkeyPatch) -> Card:
    with recorded(monkeypatch) as card:
        if isinstance(view, Overlay):
            view._draw_space()
            view._draw_pixels()
        else:
            view.draw_space()
            view.draw_pixels()
    return card


def markers(card: Card, colour: tuple[float, ...], corners: int) -> int:
    return sum(len(each.positions) for each in card.drawn if each.kind == "TRIS" and each.uniforms.get("color") == colour) // (3 * corners)


@pytest.mark.parametrize("in_front", [False, True])
def test_the_overlay_shows_joints_poles_counts_and_limbs(cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch, in_front: bool) -> None:
    cage.show_in_front = in_front
    card = draw(Overlay(), monkeypatch)
    joints = [each for each in card.drawn if each.program == "POLYLINE_UNIFORM_COLOR" and each.colour == with_alpha(PURPLE, 0.85)]
    assert len(joints) == 1 and joints[0].state["depth_test"] == ("NONE" if in_front else "LESS_EQUAL")
    assert markers(card, SKY, 3) > 0 and markers(card, ORANGE, 5) > 0 and markers(card, VERMILION, 4) == 0
    assert markers(card, PAPER, 12) + markers(card, YELLOW, 12) == sum(len(limb.joints) for limb in fork_plan().limbs)
    (ring,) = [each for each in card.drawn if each.uniforms.get("color") == GREEN and each.kind == "LINES"]
    assert str(len(ring.positions) // 2) in card.words and "trunk" in card.words
    assert all(0 < x < card.size[0] and 0 < y < card.size[1] for x, y in card.words.values())


def test_what_is_switched_off_is_not_drawn(cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = bpy.context.scene.ringwright
    settings.show_poles = settings.show_limbs = settings.show_joints = False
    card = draw(Overlay(), monkeypatch)
    assert not markers(card, SKY, 3) and not markers(card, YELLOW, 12) and "trunk" not in card.words
    settings.overlay = False
    assert not draw(Overlay(), monkeypatch).drawn


def test_a_cage_under_edit_shows_its_triangles(cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch) -> None:
    bpy.context.view_layer.objects.active = cage
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.mesh.quads_convert_to_tris()
    card = draw(Overlay(), monkeypatch)
    (odd,) = [each for each in card.drawn if each.uniforms.get("color") == with_alpha(VERMILION, 0.45)]
    bpy.ops.object.mode_set(mode="OBJECT")
    assert len(odd.positions) == 3 * len(cage.data.polygons)


def test_a_deviation_map_has_a_legend(cage: bpy.types.Object, built: PolyMesh, monkeypatch: pytest.MonkeyPatch) -> None:
    view = Overlay()
    view.show_heat(Heat(built.positions, built.triangles(), np.tile([1.0, 0.5, 0.0, 1.0], (built.vertex_count, 1)), 0.25))
    card = draw(view, monkeypatch)
    (heat,) = [each for each in card.drawn if each.program == "SMOOTH_COLOR"]
    assert heat.state["face_culling"] == "BACK" and "0.25 % of the target" in card.words


def test_a_draft_shows_rings_joints_and_words_beside_the_pointer(cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch) -> None:
    joints = fork_plan().limbs[0].joints
    ring = joints[0] + np.column_stack([np.cos(np.arange(6)), np.sin(np.arange(6)), np.zeros(6)])
    _, region = viewport()
    view = DraftView(draft=LimbDraft(tuple(map(tuple, joints[:-1]))), hover=joints[-1], rings=np.stack([ring, ring + [0, 0, 1]]),
                     words="6 sides", join_words="joins trunk", pointer=np.array([200.0, 100.0]), region=region,
                     reflect=lambda points: points * [-1, 1, 1])
    card = draw(view, monkeypatch)
    assert markers(card, GREEN, 16) + markers(card, YELLOW, 16) == len(joints) - 1 and markers(card, PAPER, 16) == 1
    assert card.words["6 sides"][0] > 200 and card.words["joins trunk"][1] > card.words["6 sides"][1] > 100
    view.region = None
    assert not draw(view, monkeypatch).words


def test_places_show_their_names_and_what_comes_next(cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch) -> None:
    joints = fork_plan().limbs[0].joints
    _, region = viewport()
    view = PlacesView(places={"wrist": joints[0], "knuckle": joints[-1]}, lines=[joints], hover=joints[0], words="Click the tip",
                      region=region)
    card = draw(view, monkeypatch)
    assert {"wrist", "knuckle", "Click the tip"} == set(card.words)
    assert markers(card, GREEN, 16) == 1 and markers(card, YELLOW, 16) == 1 and markers(card, PAPER, 16) == 1


def test_words_beside_the_pointer_stay_left_of_the_region_s_right_edge(cage: bpy.types.Object, monkeypatch: pytest.MonkeyPatch) -> None:
    _, region = viewport()
    words = "Click the tip of the fourth toe, or leave it out with the space bar"
    far = draw(PlacesView(words=words, region=region, pointer=np.array([region.width - 40.0, 100.0])), monkeypatch)
    near = draw(PlacesView(words=words, region=region, pointer=np.array([10.0, 100.0])), monkeypatch)
    (plate,) = (each for each in far.drawn if each.kind == "TRIS")
    assert plate.positions[:, 0].max() <= region.width
    assert near.words[words][0] > 10.0


def test_a_tools_view_goes_with_the_extension(cage: bpy.types.Object) -> None:
    view = PlacesView()
    view.start()
    handles = view._handles
    assert hanging_view.hanging_view() is view and len(handles) == 2
    hanging_view.stop_all()
    assert hanging_view.hanging_view() is None
    for handle in handles:
        with pytest.raises(ValueError, match="handler"):  # the host no longer knows the callback
            bpy.types.SpaceView3D.draw_handler_remove(handle, "WINDOW")


def test_a_ray_through_a_pixel_goes_through_its_point(cage: bpy.types.Object) -> None:
    area, region = viewport()
    found = viewports.Viewport(area, region, area.spaces.active.region_3d)
    points = np.concatenate([limb.joints for limb in fork_plan().limbs])
    places, front = project(region, found.view, points)
    assert front.all()
    for point, place in zip(points, places, strict=True):
        origin, way = found.ray(place)
        gap = point - origin - np.dot(point - origin, way) * way
        same, beside = found.shift(point, place), found.shift(point, place + [1.0, 0.0])
        pixel = np.linalg.norm(beside - same)
        assert 0 < pixel < 0.1 and np.linalg.norm(gap) < 0.5 * pixel and np.linalg.norm(same - point) < 0.5 * pixel


PIXELS = """
import json, sys
import bpy, gpu
import numpy as np
try:
    gpu.init()
    canvas = gpu.types.GPUOffScreen(200, 100)
except (AttributeError, SystemError, RuntimeError):
    sys.exit()
print("There is a card", flush=True)
from mathutils import Matrix
import ringwright
from ringwright.addon import gpu_shapes
ringwright.register()
gpu_shapes.interface_scale = lambda: 1.0
flat = Matrix(((2 / 200, 0, 0, -1), (0, 2 / 100, 0, -1), (0, 0, -1, 0), (0, 0, 0, 1)))
with canvas.bind():
    gpu.state.active_framebuffer_get().clear(color=(0, 0, 0, 1))
    gpu.matrix.load_matrix(Matrix.Identity(4))
    gpu.matrix.load_projection_matrix(flat)
    with gpu_shapes.blended():
        gpu_shapes.draw_markers(np.array([[30.0, 50.0]]), 16, 10.0, gpu_shapes.ORANGE)
        gpu_shapes.draw_lines(np.array([[[60.0, 20, 0], [60, 80, 0]]]), gpu_shapes.SKY, 8.0)
        square = np.array([[80.0, 30, 0], [110, 30, 0], [110, 60, 0], [80, 60, 0]])
        batch = gpu_shapes.coloured_batch(square, np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32), np.tile([0.0, 1, 0, 1], (4, 1)))
        gpu_shapes.draw_coloured_batch(batch)
        gpu_shapes.draw_words(np.array([[150.0, 50.0]]), ["MMMM"], gpu_shapes.PAPER, 14.0)
    values = np.array(gpu.state.active_framebuffer_get().read_color(0, 0, 200, 100, 4, 0, "UBYTE").to_list()).reshape(100, 200, 4)
print(json.dumps({"marker": values[50, 30].tolist(), "line": values[50, 60].tolist(), "square": values[45, 95].tolist(),
                  "empty": values[5, 5].tolist(), "words": int(values[40:60, 125:175, :3].min(axis=2).max())}))
"""


def test_real_pixels_where_the_host_has_a_card_without_a_window() -> None:
    """On a process of its own: a card that is not there may take it down."""
    ran = subprocess.run([sys.executable, "-c", PIXELS], capture_output=True,
                         text=True, timeout=120, check=False)
    if "There is a card" not in ran.stdout:
        pytest.skip("this host has no graphics card without a window")
    assert ran.returncode == 0, ran.stderr
    seen = json.loads(next(line for line in ran.stdout.splitlines() if line.startswith("{")))
    for name, colour in (("marker", ORANGE), ("line", SKY)):
        assert np.allclose(seen[name][:3], np.array(colour[:3]) * 255, atol=3)
    assert seen["square"][:3] == [0, 255, 0] and seen["empty"][:3] == [0, 0, 0] and seen["words"] > 150
