"""What a viewport shows of a plan before its cage is built: rows, step-downs, the counts that meet at its joins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .adjacency import build_adjacency
from .count_figures import CountFigures, JoinCounts, count_figures, join_counts
from .counts import CountPlan
from .plan import LimbPlan
from .poles import count_poles, find_step_downs
from .polymesh import FloatArray, PolyMesh


@dataclass(frozen=True)
class JoinLabel:
    """Where the counts of a join are written, (3,) float64, and the join."""

    place: FloatArray
    join: JoinCounts


@dataclass(frozen=True)
class Planned:
    """A plan as it would be built, in the target's coordinates.

    edges : (e, 2, 3) float64, all edges of the draft
    step_downs : (k, 2, 3) float64, from the 3-pole to the 5-pole of every step-down
    figures : the counts that the build would choose
    """

    edges: FloatArray
    step_downs: FloatArray
    figures: CountFigures


def planned(draft: PolyMesh, counts: CountPlan) -> Planned:
    """What a draft shows.

    draft : the cage before it settles
    counts : its counts
    """
    adjacency = build_adjacency(draft)
    places = find_step_downs(draft, count_poles(draft, adjacency))
    ends = np.array([[place.three_pole, place.five_pole] for place in places], dtype=np.int64).reshape(-1, 2)
    return Planned(draft.positions[adjacency.edge_verts], draft.positions[ends], count_figures(counts))


def join_labels(plan: LimbPlan, figures: CountFigures) -> list[JoinLabel]:
    """The counts of every join, at the trunk's tip or where a socket's branch begins."""
    labels = []
    for join in join_counts(plan, figures):
        place = plan.limb(join.branches[0]).joints[0] if join.kind == "socket" else plan.limb(join.trunk).joints[-1]
        labels.append(JoinLabel(np.asarray(place, dtype=np.float64), join))
    return labels
