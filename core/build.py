"""The main line: a limb plan and a target go in, a finished cage comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .assemble import Assembly, assemble, tips_first
from .counts import CountPlan, limb_size, solve_counts
from .errors import PlanError
from .frames import unit
from .joined import continuation
from .measure import Measure, measure_limb
from .outward import outward_surface
from .plan import Fork, Limb, LimbPlan, Splice
from .polymesh import FloatArray
from .surface import Surface


def measure_limbs(plan: LimbPlan, surface: Surface) -> dict[str, Measure]:
    """Measure every limb of a plan, branches before their trunks.

    surface : normals point outward
    """
    measures: dict[str, Measure] = {}
    for name in tips_first(plan):
        limb, join = plan.limb(name), plan.tip_join(name)
        root = plan.root_join(name)
        end = np.mean([measures[branch].centres[0] for branch in join.branches], axis=0) if isinstance(join, Fork) else None
        obstacles = [measures[socket.branch].tube() for socket in plan.sockets_of(name)]
        measures[name] = measure_limb(limb, surface, leaves_trunk=root is not None and not isinstance(root, Splice), open_root=root is None,
                                      continuation=continuation(plan, name), end=end, up=_up(plan, limb), obstacles=obstacles)
    return measures


def _up(plan: LimbPlan, limb: Limb) -> FloatArray | None:
    """The plan's up, or for the branches of a fork one direction alike: square to the trunk and to the row of branches."""
    join = plan.root_join(limb.name)
    if limb.up is not None or not isinstance(join, Fork):
        return limb.up
    first, last = plan.limb(join.branches[0]), plan.limb(join.branches[-1])
    across = unit(last.joints[0] - first.joints[0])
    normal = np.cross(unit(limb.joints[1] - limb.joints[0]), across)
    return unit(normal) if np.linalg.norm(normal) > 0.1 else None
