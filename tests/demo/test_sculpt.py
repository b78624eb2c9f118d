"""The demo's sculpt is a target that a build can rely on."""

from __future__ import annotations

import importlib.util
import time
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import trimesh

FOLDER = Path(__file__).resolve().parents[2] / "demo.blend-generator"
SECONDS_ALLOWED = 20.0


def load_generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("demo_generate", FOLDER / "generate.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def generator() -> ModuleType:
    return load_generator()


@pytest.fixture(scope="module")
def timed(generator):
    sculpt = generator.load("sculpt")
    start = time.process_time()
    forelimb = sculpt.make_forelimb(1)
    return forelimb, time.process_time() - start


@pytest.fixture(scope="module")
def forelimb(timed):
    return timed[0]


@pytest.fixture(scope="module")
def shell(forelimb):
    return trimesh.Trimesh(forelimb.positions, forelimb.triangles, process=False)


def edge_uses(triangles):
    edges = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    return np.unique(edges, axis=0, return_counts=True)


def test_triangle_count(forelimb):
    assert 300_000 <= len(forelimb.triangles) <= 500_000
    assert np.isfinite(forelimb.positions).all()


def test_takes_less_than_twenty_seconds_of_processor_time(timed):
    assert timed[1] < SECONDS_ALLOWED


def test_one_component(shell):
    assert shell.body_count == 1
    assert len(np.unique(shell.faces)) == len(shell.vertices)


def test_watertight_but_for_one_flat_loop(generator, forelimb, shell):
    edges, uses = edge_uses(forelimb.triangles)
    assert set(uses) == {1, 2}
    rim = edges[uses == 1]
    _, degree = np.unique(rim, return_counts=True)
    assert (degree == 2).all()
    graph = trimesh.graph.connected_components(rim)
    assert len(graph) == 1
    point, normal = generator.load("creature").cut_plane()
    assert np.abs((forelimb.positions[np.unique(rim)] - point) @ normal).max() < 1e-9
    assert ((forelimb.positions - point) @ normal).min() > -1e-9
    assert shell.euler_number == 1, "a disc: no tunnel between two digits"


def test_faces_look_outward(shell):
    assert shell.is_winding_consistent
    assert shell.volume > 0


def test_no_vertex_pinches_two_sheets(forelimb, shell):
    corners = np.bincount(forelimb.triangles.ravel(), minlength=len(forelimb.positions))
    edges, uses = edge_uses(forelimb.triangles)
    spokes = np.bincount(edges.ravel(), minlength=len(forelimb.positions))
    on_rim = np.zeros(len(forelimb.positions), dtype=int)
    on_rim[np.unique(edges[uses == 1])] = 1
    assert (spokes - corners == on_rim).all()
    assert shell.area_faces.min() > 0


def test_every_joint_lies_well_inside(forelimb):
    edges, uses = edge_uses(forelimb.triangles)
    rim = edges[uses == 1]
    middle = forelimb.positions[np.unique(rim)].mean(axis=0)
    lid = np.column_stack([rim, np.full(len(rim), len(forelimb.positions))])
    closed = trimesh.Trimesh(np.vstack([forelimb.positions, middle]), np.vstack([forelimb.triangles, lid]), process=False)
    joints = np.vstack(list(forelimb.joints.values()))
    assert closed.contains(joints).all()
    assert trimesh.proximity.closest_point(closed, joints)[1].min() > 0.015


def test_noise_is_band_limited(generator):
    """The bound that the noise's docstring states, over 40 random lines of 64 units."""
    skin = generator.load("skin")
    rng = np.random.default_rng(0)
    power, steps = np.zeros(4097), np.linspace(0.0, 64.0, 8192)
    for _ in range(40):
        line = rng.normal(size=3)
        noise = skin.gradient_noise(steps[:, None] * line / np.linalg.norm(line), rng)
        power += np.abs(np.fft.rfft(noise * np.hanning(8192))) ** 2
        assert 0.8 < np.ptp(noise) < 2.6
    frequency = np.fft.rfftfreq(8192, 64.0 / 8191)
    assert power[frequency < 0.8].sum() > 0.95 * power.sum()
    assert power[frequency > 0.2].sum() > 0.5 * power.sum(), "not a constant either"


def test_octaves_reach_from_a_limb_to_a_few_grid_steps(generator):
    spacings = [spacing for spacing, _ in generator.load("skin").OCTAVES]
    assert len(spacings) >= 4
    assert spacings[0] > 0.05
    assert spacings[-1] < 3.0 * generator.load("sculpt").GRID_STEP


def test_same_seed_same_sculpt_other_seed_other_skin(generator):
    sculpt = generator.load("sculpt")
    first, again, other = (sculpt.make_forelimb(seed, grid_step=0.006) for seed in (4, 4, 5))
    assert np.array_equal(first.positions, again.positions)
    assert np.array_equal(first.triangles, again.triangles)
    assert first.positions.shape != other.positions.shape or np.abs(first.positions - other.positions).max() > 1e-4


def test_neighbouring_digits_leave_a_gap(generator, forelimb, shell):
    """Half way between the joints of two neighbours there is air; the thumb's first joint still lies in the palm's flesh."""
    names = list(generator.load("creature").DIGITS)
    for first, second, outer in [*((a, b, 1) for a, b in pairwise(names)), ("index", "thumb", 2)]:
        between = (forelimb.joints[first][outer:] + forelimb.joints[second][outer:]) / 2.0
        distance = trimesh.proximity.closest_point(shell, between)[1]
        assert distance.min() > 0.008
        assert not shell.contains(between).any()
