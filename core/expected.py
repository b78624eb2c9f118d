"""What a limb plan says about the finished cage: pieces, open ends, budget."""

from __future__ import annotations

from .findings import Expectation
from .plan import LimbPlan
from .two_sided import is_two_sided


def expected_of(plan: LimbPlan) -> Expectation:
    """The number of pieces, of open ends and of quads that a plan's cage must have.

    A plan that is doubled across its plane may weld pieces and open ends on its plane, so only its budget is judged.
    """
    if plan.symmetry is not None and not is_two_sided(plan):
        return Expectation(quads=plan.quad_budget, symmetry=plan.symmetry)
    joins = [(fork.trunk, branch) for fork in plan.forks for branch in fork.branches]
    joins += [(socket.trunk, socket.branch) for socket in plan.sockets] + [(splice.upper, splice.lower) for splice in plan.splices]
    open_roots = sum(plan.root_join(limb.name) is None for limb in plan.limbs)
    open_tips = sum(plan.tip_join(limb.name) is None and limb.tip == "open" for limb in plan.limbs)
    return Expectation(_pieces([limb.name for limb in plan.limbs], joins), open_roots + open_tips, plan.quad_budget, plan.symmetry)


def _pieces(names: list[str], joins: list[tuple[str, str]]) -> int:
    """Number of groups of limbs that joins hold together."""
    group = {name: name for name in names}
    for first, second in joins:
        kept, gone = group[first], group[second]
        group = {name: kept if own == gone else own for name, own in group.items()}
    return len(set(group.values()))
