"""The counts of a built cage in short: what panels show of limbs and joins, kept with the cage as text."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np

from .counts import CountPlan, LimbCounts
from .plan import Fork, Limb, LimbPlan


@dataclass(frozen=True)
class LimbFigures:
    """Edges of a limb's first, its most usual and its last ring, and the rows of every bone that stands free of its trunk."""

    root: int
    body: int
    tip: int
    spans: tuple[int, ...]


@dataclass(frozen=True)
class CountFigures:
    """Figures of every limb by name, and the webs of every fork in the plan's order."""

    limbs: Mapping[str, LimbFigures]
    webs: tuple[tuple[int, ...], ...]


UNKNOWN = CountFigures({}, ())
"""Of a plan that has not been built."""


@dataclass(frozen=True)
class JoinCounts:
    """What meets at a join.

    kind : "fork", "socket" or "splice"
    index : number among the joins of its kind
    trunk : the limb that is joined at its tip or its side
    branches : the limbs that begin there
    below, above : edges on the trunk's and on the branches' side, None where not known yet
    """

    kind: str
    index: int
    trunk: str
    branches: tuple[str, ...]
    below: int | None
    above: int | None

    @property
    def step_downs(self) -> int:
        """Step-downs that bring one count to the other."""
        return 0 if self.below is None or self.above is None else abs(self.below - self.above) // 2


def count_figures(counts: CountPlan) -> CountFigures:
    """The figures of solved counts."""
    return CountFigures({name: _limb_figures(limb) for name, limb in counts.limbs.items()}, counts.webs)


def _limb_figures(limb: LimbCounts) -> LimbFigures:
    values, times = np.unique(limb.rings, return_counts=True)
    return LimbFigures(int(limb.rings[0]), int(values[np.argmax(times)]), int(limb.rings[-1]), tuple(map(int, limb.spans)))


def figures_text(figures: CountFigures) -> str:
    """Figures as one line of text."""
    return json.dumps({"limbs": {name: asdict(limb) for name, limb in figures.limbs.items()}, "webs": figures.webs})


def read_figures(text: str) -> CountFigures:
    """Figures from their text; unknown where it is none."""
    try:
        data = json.loads(text)
        limbs = {name: LimbFigures(limb["root"], limb["body"], limb["tip"], tuple(limb["spans"])) for name, limb in data["limbs"].items()}
        return CountFigures(limbs, tuple(map(tuple, data["webs"])))
    except (ValueError, KeyError, TypeError, AttributeError):
        return UNKNOWN


def sides_of(limb: Limb, figures: CountFigures) -> int | None:
    """Sides that the plan gives a limb, or that were chosen when it was built."""
    known = figures.limbs.get(limb.name)
    return limb.sides if limb.sides is not None else None if known is None else known.body


def spans_of(limb: Limb, figures: CountFigures) -> tuple[int, ...]:
    """Rows of every bone: of the plan, or as they were chosen; 0 where not known, as for a bone inside the trunk."""
    if limb.spans is not None:
        return limb.spans
    bones, known = len(limb.joints) - 1, figures.limbs.get(limb.name)
    chosen = () if known is None else known.spans[:bones]
    return (0,) * (bones - len(chosen)) + chosen


def webs_of(fork: Fork, index: int, figures: CountFigures) -> tuple[int, ...]:
    """Quads of every web of the plan's fork of that number: of the plan, or as they were chosen; 0 where not known."""
    gaps = len(fork.branches) - 1
    chosen = figures.webs[index] if index < len(figures.webs) else ()
    return fork.webs or (chosen if len(chosen) == gaps else (0,) * gaps)


def join_counts(plan: LimbPlan, figures: CountFigures) -> list[JoinCounts]:
    """What meets at every join of a plan, forks first, then sockets, then splices."""
    sides = {limb.name: sides_of(limb, figures) for limb in plan.limbs}
    joins = []
    for index, fork in enumerate(plan.forks):
        webs, counts = webs_of(fork, index, figures), [sides[branch] for branch in fork.branches]
        above = None if None in counts or 0 in webs else sum(filter(None, counts)) - sum(2 * web - 2 for web in webs)
        below = above if plan.limb(fork.trunk).sides is None else sides[fork.trunk]
        joins.append(JoinCounts("fork", index, fork.trunk, fork.branches, below, above))
    joins += [JoinCounts("socket", index, socket.trunk, (socket.branch,), sides[socket.branch], sides[socket.branch])
              for index, socket in enumerate(plan.sockets)]
    joins += [JoinCounts("splice", index, splice.lower, (splice.upper,), sides[splice.lower], sides[splice.upper])
              for index, splice in enumerate(plan.splices)]
    return joins
