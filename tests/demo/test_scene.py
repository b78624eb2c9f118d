"""The demo's .blend and picture, made with a small stand-in target and cage."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

bpy = pytest.importorskip("bpy")

FOLDER = Path(__file__).resolve().parents[2] / "demo.blend-generator"
QUADS = np.array([[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4]])
"""Five sides of a box; corners count up along z, then y, then x."""


@pytest.fixture(scope="module")
def generator():
    spec = importlib.util.spec_from_file_location("demo_generate", FOLDER / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def saved(generator, tmp_path_factory):
    scene = generator.load("scene")
    forelimb = generator.load("sculpt").make_forelimb(1, grid_step=0.008)
    low, high = forelimb.positions.min(axis=0), forelimb.positions.max(axis=0)
    corners = np.stack(np.meshgrid(*zip(low, high, strict=True), indexing="ij"), axis=-1).reshape(-1, 3)
    cage = scene.MeshArrays(corners, QUADS.ravel(), np.arange(0, QUADS.size + 1, 4))
    scene.build_scene(scene.triangle_arrays(forelimb.positions, forelimb.triangles), forelimb.joints, cage)
    path = tmp_path_factory.mktemp("scene") / "demo.blend"
    scene.save_scene(path)
    return path, forelimb, corners


def test_file_holds_target_joints_and_cage(saved):
    path, forelimb, corners = saved
    bpy.ops.wm.open_mainfile(filepath=str(path), load_ui=False)
    target, joints, cage = (bpy.data.objects[name] for name in ("Target", "Joints", "Cage"))
    assert len(target.data.polygons) == len(forelimb.triangles)
    assert not target.data.validate()
    positions = np.array([vertex.co for vertex in cage.data.vertices])
    assert np.allclose(positions, corners, atol=1e-6)
    assert [tuple(polygon.vertices) for polygon in cage.data.polygons] == [tuple(quad) for quad in QUADS]
    assert len(joints.data.bones) == sum(len(chain) - 1 for chain in forelimb.joints.values())
    for name, chain in forelimb.joints.items():
        assert np.allclose(joints.data.bones[f"{name}.1"].head_local, chain[0], atol=1e-5)
        assert np.allclose(joints.data.bones[f"{name}.{len(chain) - 1}"].tail_local, chain[-1], atol=1e-5)
    assert bpy.context.scene.camera is not None


def test_lines_lie_on_the_target(generator, saved):
    bpy.ops.wm.open_mainfile(filepath=str(saved[0]), load_ui=False)
    target, cage = bpy.data.objects["Target"], bpy.data.objects["Cage"]
    lines = generator.load("picture").edges_on_target(cage, target)
    assert lines.shape[0] == len(cage.data.edges)
    for point in lines.reshape(-1, 3):
        _, nearest, _, _ = target.closest_point_on_mesh(point.tolist())
        assert np.linalg.norm(np.array(nearest) - point) < 1e-4


def test_every_part_is_in_the_camera_and_the_picture_is_drawn(generator, saved, tmp_path):
    picture = generator.load("picture")
    png = tmp_path / "picture.png"
    before = saved[0].read_bytes()
    picture.render_picture(saved[0], png, quick=True)
    assert saved[0].read_bytes() == before
    image = bpy.data.images.load(str(png))
    width, height = image.size
    assert width == picture.WIDTH // 4
    pixels = np.array(image.pixels[:]).reshape(height, width, 4)[:, :, :3]
    backdrop = np.median(np.concatenate([pixels[0], pixels[-1]]), axis=0)
    drawn = np.abs(pixels - backdrop).max(axis=2) > 0.08
    for third in np.array_split(drawn, 3):
        assert third.mean() > 0.10
    inner = slice(2, -2)        # the host's denoiser leaves specks in the very corners
    assert not drawn[[0, -1], inner].any() and not drawn[inner, [0, -1]].any(), "nothing is cut off"
