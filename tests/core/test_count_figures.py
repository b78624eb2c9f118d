"""Counts in short: what a build chose, what the plan gives, what meets at a join."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.build import build_cage
from ringwright.core.count_figures import (
    UNKNOWN,
    CountFigures,
    JoinCounts,
    count_figures,
    figures_text,
    join_counts,
    read_figures,
    sides_of,
    spans_of,
    webs_of,
)
from ringwright.core.plan_edits import change_limb, change_webs
from ringwright.core.polymesh import PolyMesh
from ringwright.core.rings import boundary_rings
from support.hand_plan import hand_plan
from support.reference_surface import ReferenceSurface
from support.shapes import hand


@pytest.fixture(scope="module")
def built() -> tuple[CountFigures, PolyMesh]:
    result = build_cage(hand_plan(palm={"sides": 16}), ReferenceSurface(*hand(90)))
    return count_figures(result.counts), result.mesh


@pytest.mark.parametrize(("below", "above", "step_downs"), [(16, 10, 3), (10, 16, 3), (12, 12, 0), (None, 12, 0), (12, None, 0)])
def test_step_downs_bring_one_count_to_the_other(below: int | None, above: int | None, step_downs: int) -> None:
    assert JoinCounts("splice", 0, "arm", ("hand",), below, above).step_downs == step_downs


def test_the_figures_are_those_of_the_cage(built: tuple[CountFigures, PolyMesh]) -> None:
    figures, mesh = built
    (end,) = boundary_rings(mesh, build_adjacency(mesh)).edge_counts
    assert figures.limbs["forearm"].root == end
    assert figures.limbs["palm"].body == 16
    assert figures.limbs["palm"].tip == sum(figures.limbs[name].root for name in ("little", "ring", "middle", "index")) - sum(
        2 * web - 2 for web in figures.webs[0])
    for name, limb in figures.limbs.items():
        assert len(spans_of(hand_plan().limb(name), figures)) == len(hand_plan().limb(name).joints) - 1
        assert sides_of(hand_plan().limb(name), figures) == limb.body


def test_they_come_back_from_their_text(built: tuple[CountFigures, PolyMesh]) -> None:
    figures, _ = built
    assert read_figures(figures_text(figures)) == figures
    for broken in ("", "{}", "[1]", '{"limbs": {"a": 1}, "webs": []}', '{"limbs": 3}'):
        assert read_figures(broken) == UNKNOWN


def test_the_plan_comes_before_what_was_chosen(built: tuple[CountFigures, PolyMesh]) -> None:
    figures, _ = built
    plan = change_webs(change_limb(hand_plan(), "index", sides=12, spans=(5, 4, 3)), 0, (1, 2, 3))
    assert sides_of(plan.limb("index"), figures) == 12 and spans_of(plan.limb("index"), figures) == (5, 4, 3)
    assert webs_of(plan.forks[0], 0, figures) == (1, 2, 3)


def test_joins_tell_their_counts(built: tuple[CountFigures, PolyMesh]) -> None:
    figures, _ = built
    fork, socket, splice = join_counts(hand_plan(palm={"sides": 16}), figures)
    assert (fork.kind, fork.below, fork.above) == ("fork", 16, figures.limbs["palm"].tip)
    assert fork.step_downs == abs(figures.limbs["palm"].tip - 16) // 2
    assert (socket.trunk, socket.branches, socket.above) == ("palm", ("thumb",), figures.limbs["thumb"].root)
    assert (splice.below, splice.above) == (figures.limbs["forearm"].body, 16)


def test_before_a_build_only_what_the_plan_gives_is_known() -> None:
    fork, socket, splice = join_counts(hand_plan(), UNKNOWN)
    assert {fork.above, socket.above, splice.below, splice.above} == {None} and fork.step_downs == 0
    given = hand_plan(**{name: {"sides": 8} for name in ("little", "ring", "middle", "index")}, webs=(2, 2, 2))
    assert join_counts(given, UNKNOWN)[0].above == 26
    thick = replace(given, limbs=tuple(replace(limb, sides=20) if limb.name == "palm" else limb for limb in given.limbs))
    assert join_counts(thick, UNKNOWN)[0].step_downs == 3
