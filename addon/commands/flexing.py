"""What `inspect --flex` adds: the mesh bound to the plan's bones, bent at every joint, judged."""

from __future__ import annotations

from dataclasses import replace

from ...core.flex import flex_test, skinned
from ...core.flex_report import with_flex
from ...core.plan import LimbPlan
from ...core.profiles import Profile
from ...core.rig_fit import check_rig_fit
from ...core.skeleton import skeleton_of
from .inspecting import Inspected


def with_flex_test(inspected: Inspected, plan: LimbPlan, profile: Profile) -> Inspected:
    """The same with the flex test of the plan's joints and its findings.

    Raises MeshError where the mesh belongs to another plan.
    """
    skeleton = skeleton_of(plan)
    check_rig_fit(inspected.mesh, skeleton)
    flex = flex_test(skinned(inspected.mesh, skeleton), profile.joints)
    return replace(inspected, inspection=with_flex(inspected.inspection, flex, profile))
