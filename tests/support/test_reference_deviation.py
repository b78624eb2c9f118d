"""The measure of deviation against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.polymesh import PolyMesh
from support.reference_deviation import reference_deviation
from support.reference_surface import ReferenceSurface
from support.shapes import cylinder


def _tube(around: int, low: float, high: float) -> PolyMesh:
    shape = cylinder(radius=1.0, length=high - low, around=around, along=8)
    return PolyMesh.from_quads(shape.positions + [0.0, 0.0, low], shape.triangles)


def test_inscribed_tube_lies_as_far_off_as_its_chords() -> None:
    target = ReferenceSurface.from_mesh(_tube(2048, 0.0, 10.0))
    measured = reference_deviation(_tube(8, 0.0, 10.0), target, samples=20_000)
    percent = 100.0 / np.linalg.norm([2.0, 2.0, 10.0])
    deepest = 1.0 - np.cos(np.pi / 8.0)
    assert measured.cage_to_target.max() == pytest.approx(percent * deepest, rel=1e-3)
    assert measured.target_to_cage.max() == pytest.approx(percent * deepest, rel=1e-3)
    half = np.pi / 8.0
    apothem, chord_half = np.cos(half), np.sin(half)
    mean_radius = 0.5 + 0.5 * apothem**2 / chord_half * np.arcsinh(np.tan(half))  # of the points on a chord
    assert measured.cage_to_target.mean() == pytest.approx(percent * (1.0 - mean_radius), rel=0.02)
    assert measured.target_to_cage.mean() == pytest.approx(percent * (np.sin(half) / half - np.cos(half)), rel=0.02)


def test_what_the_cage_does_not_cover_is_left_out() -> None:
    measured = reference_deviation(_tube(64, 2.0, 8.0), ReferenceSurface.from_mesh(_tube(64, 0.0, 10.0)), samples=20_000)
    assert measured.covered == pytest.approx(0.6, abs=0.02)
    assert measured.target_to_cage.max() < 1e-6
