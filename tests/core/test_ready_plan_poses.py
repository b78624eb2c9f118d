"""Ready-made plans on sculpts of other poses and proportions: a sound cage from the same clicks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ringwright.core.build import build_cage
from ringwright.core.expected import expected_of
from ringwright.core.inspection import inspect_mesh
from ringwright.core.plan_templates import template_of
from ringwright.core.quality import scaled_jacobian
from ringwright.core.ready_plan import fit_plan
from support import posed_parts
from support.creatures import Part

pytestmark = pytest.mark.slow

SCULPTS: dict[str, tuple[str, Callable[[], Part]]] = {
    "bent hand": ("hand", lambda: posed_parts.hand_part(35.0)),
    "clenched hand": ("hand", lambda: posed_parts.hand_part(60.0)),
    "short-fingered hand": ("hand", lambda: posed_parts.hand_part(0.0, length=0.7, spread=1.3)),
    "long-fingered hand": ("hand", lambda: posed_parts.hand_part(10.0, length=1.5, thick=0.75, spread=1.4)),
    "straight arm": ("arm", lambda: posed_parts.arm_part((0, 0, 0), (9, 0, 0), (17, 0, 0))),
    "arm bent squarely": ("arm", lambda: posed_parts.arm_part((0, 0, 0), (9, 0, -1), (9.6, -8, -1), bend=25.0)),
    "foot on its toes": ("foot", lambda: posed_parts.foot_part(45.0)),
    "long-toed foot": ("foot", lambda: posed_parts.foot_part(0.0, length=1.7, thick=0.8, width=1.2)),
    "T-pose": ("biped", lambda: posed_parts.biped_part(0.0)),
    "stocky A-pose": ("biped", lambda: posed_parts.biped_part(42.0, limbs=0.8, girth=1.25)),
}


@pytest.mark.parametrize("name", SCULPTS)
def test_a_sound_cage(name: str) -> None:
    kind, make = SCULPTS[name]
    part = make()
    surface = part.surface()
    built = build_cage(fit_plan(template_of(kind), part.places, surface), surface)
    mesh = built.mesh
    inspection = inspect_mesh(mesh, tally=built.tally, joint_zones=built.zones, expectation=expected_of(built.plan))
    assert (mesh.face_sizes == 4).all() and inspection.poles.excess == 0
    assert inspection.counts.components == 1 and len(inspection.counts.boundary_loops) == 1
    assert [finding.reason for finding in inspection.findings if finding.severity == "error"] == []
    assert scaled_jacobian(mesh.positions[mesh.quads()]).min() > 0.2
    assert np.percentile(surface.closest(mesh.positions).distances, 97) < 4e-3 * surface.diagonal


def test_fingers_of_a_clenched_hand_reach_their_knuckles() -> None:
    """The first bone past the knuckle stands free, however sharply the finger bends behind it."""
    part = posed_parts.hand_part(60.0)
    plan = fit_plan(template_of("hand"), part.places, part.surface())
    for name in posed_parts.FINGER_LENGTHS:
        knuckle, middle = part.joints[name][:2]
        share = float((plan.limb(name).joints[0] - knuckle) @ (middle - knuckle) / ((middle - knuckle) @ (middle - knuckle)))
        assert share < 0.7, name
