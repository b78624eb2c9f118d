"""The fit of the limit surface on the demo's forelimb."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import trimesh

from ringwright.core.adjacency import build_adjacency
from ringwright.core.build import build_cage
from ringwright.core.limit_fit import fit_limit
from ringwright.core.plan import read_plan
from support.reference_deviation import reference_deviation
from support.reference_surface import ReferenceSurface
from support.subdivision import catmull_clark

FOLDER = Path(__file__).resolve().parents[2] / "demo.blend-generator"
TIMES = 2.0  # goal; measured 5.5: the sculpt has detail that a cage this light cannot follow


@pytest.mark.slow
def test_subdivided_cage_lies_closer(tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(FOLDER / "generate.py"), "--out", str(tmp_path)], check=True, capture_output=True)
    sculpt = trimesh.load(tmp_path / "forelimb.ply", process=False)
    surface = ReferenceSurface(sculpt.vertices, sculpt.faces)
    cage = build_cage(read_plan((tmp_path / "forelimb.toml").read_text(encoding="utf-8")), surface).mesh
    fitted = cage.with_positions(fit_limit(cage, surface, build_adjacency(cage).boundary_vertex).positions)
    plain, limit = (reference_deviation(catmull_clark(mesh, 3), surface, 40_000) for mesh in (cage, fitted))
    assert limit.mean < plain.mean / TIMES
    assert limit.percentile_99 < plain.percentile_99
