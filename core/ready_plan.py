"""Fit a ready-made plan into a target from the few places that an artist points at.

Every place is brought into the middle of the flesh. A limb between two places takes its joints from them; a digit is
marched from its tip to where it leaves its trunk, and its joints lie where its middle line bends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from .errors import PlanError
from .frames import arc_lengths, unit
from .measure import REACH
from .medial_line import MedialLine, ball_middle, joints_along, limb_slice, march_from_tip
from .mirror import AXES, mirrored
from .outward import FlippedSurface
from .plan import Fork, Limb, LimbPlan, Socket, Splice, check_plan
from .plan_edits import order_across
from .plan_templates import LimbRule, PlanTemplate
from .polymesh import FloatArray
from .skeleton import SIDE_NAMES, free_names
from .surface import Surface

AWAY = 0.05
"""A place may lie this share of the target's diagonal off it; one farther off was not meant for this target."""
SAME_PLACE = 1e-4
"""Two places nearer than this share of the diagonal are one."""
ON_SKIN = 1e-3
"""A place nearer to the skin than this share of the diagonal lies on it and is brought into the flesh."""
FARTHEST_MOVE = 1.5
"""Area radii that a place may move into the middle of its slice."""
LONGEST_IN_ROW = 1.6
"""Free length of a row's longest digit over its shortest (a middle finger against the little one: 1.4; common practice)."""
MOST_HIDDEN = 0.8
"""Share of the way from where a digit leaves its trunk to the trunk's beginning that its root may reach into it."""
CHECKS = 12
"""Points of a straight piece that must lie inside the target."""


def fit_plan(template: PlanTemplate, places: Mapping[str, FloatArray], surface: Surface, unit_name: str = "m",
             plane: str = "x") -> LimbPlan:
    """Fit a ready-made plan; all counts are left to be chosen.

    places : (3,) float64 by the template's names, on the target's skin or inside it; of a two-sided template one side's
    surface : the target; its faces may be wound either way
    plane : "x", "y" or "z", across which a two-sided template is mirrored
    Raises PlanError that names the place: missing, unknown, off the target, or where no limb runs on from a tip.
    """
    places = {name: np.asarray(place, dtype=np.float64) for name, place in places.items()}
    _check(template, places, surface)
    fit = _Fit(template, places, _outward(surface, places), plane)
    side = fit.side_limbs()
    names = _both_sides(template, side, plane, places) if template.two_sided else {name: (name,) for name in side}
    limbs = [limb for name, own in side.items() for limb in _twins(own, names[name], plane)]
    plan = _joined(template, fit, tuple(limbs), names, unit_name)
    plan = replace(plan, symmetry=plane if template.two_sided else None)
    check_plan(plan)
    return plan


def line_from(template: PlanTemplate, places: Mapping[str, FloatArray], name: str, surface: Surface) -> FloatArray:
    """The line that one place adds to what is pointed at, (n, 3) float64: along a limb from its tip, or straight to the place before.

    places : (3,) float64 by name, those so far
    surface : normals point outward
    Raises PlanError where no limb runs on from a tip.
    """
    rules = [rule for rule in template.limbs if rule.places[-1] == name]
    before = [rule.places[-2] for rule in rules if len(rule.places) > 1 and rule.places[-2] in places]
    if not template.is_tip(name):
        return np.stack([places[before[0]], places[name]]) if before else places[name][None]
    tip = ball_middle(surface, places[name])
    begin = before or [place for place in template.trunk_places(name) if place in places]
    goal = places[begin[0]] if begin else tip
    line = march_from_tip(surface, tip, goal, stops_at_trunk=not before)
    if len(line.points) < 2:
        raise PlanError(f"{template.label}: no limb runs on from {template.place(name).words}; point at its end.")
    return line.points


def with_ready_plan(plan: LimbPlan, fitted: LimbPlan) -> LimbPlan:
    """A plan with the limbs and joins of another added, renamed where a name is taken; the mirror plane comes with a first one."""
    names: dict[str, str] = {}
    limbs = list(plan.limbs)
    for limb in fitted.limbs:
        names[limb.name] = free_names([*(each.name for each in limbs), limb.name])[-1]
        limbs.append(replace(limb, name=names[limb.name]))
    return replace(
        plan, limbs=tuple(limbs), symmetry=plan.symmetry if plan.limbs else fitted.symmetry,
        forks=(*plan.forks, *(replace(fork, trunk=names[fork.trunk], branches=tuple(names[each] for each in fork.branches))
                              for fork in fitted.forks)),
        sockets=(*plan.sockets, *(Socket(names[socket.trunk], names[socket.branch]) for socket in fitted.sockets)),
        splices=(*plan.splices, *(replace(splice, upper=names[splice.upper], lower=names[splice.lower]) for splice in fitted.splices)))


def _check(template: PlanTemplate, places: Mapping[str, FloatArray], surface: Surface) -> None:
    known = [place.name for place in template.places]
    for name, place in places.items():
        if name not in known:
            raise PlanError(f'{template.label}: there is no place "{name}"; the places are {", ".join(known)}.')
        if place.shape != (3,) or not np.isfinite(place).all():
            raise PlanError(f'{template.label}: the place "{name}" must be three finite numbers.')
    missing = [place for place in template.places if not place.optional and place.name not in places]
    if missing:
        raise PlanError(f"{template.label}: {missing[0].words} is missing; point at it.")
    points = np.array(list(places.values()))
    far = np.flatnonzero((surface.closest(points).distances > AWAY * surface.diagonal) & ~surface.inside(points))
    if len(far):
        raise PlanError(f'{template.label}: the place "{list(places)[far[0]]}" lies far off the target; point at the target itself.')
    apart = np.linalg.norm(points[:, None] - points, axis=2) + np.eye(len(points)) * surface.diagonal
    first, second = np.unravel_index(int(apart.argmin()), apart.shape)
    if apart[first, second] < SAME_PLACE * surface.diagonal:
        names = list(places)
        raise PlanError(f'{template.label}: "{names[first]}" and "{names[second]}" are the same place; point at each of them.')


def _outward(surface: Surface, places: Mapping[str, FloatArray]) -> Surface:
    """The target with normals that point outward, told by rays that come from outside its box."""
    aims = surface.closest(np.array(list(places.values()))).positions
    directions = np.tile(np.concatenate([np.eye(3), -np.eye(3)]), (len(aims), 1))
    aims = np.repeat(aims, 6, axis=0)
    hits = surface.cast(aims - 2 * surface.diagonal * directions, directions)
    facing = np.einsum("ij,ij->i", hits.normals, directions)[hits.hit]
    return FlippedSurface(surface) if np.count_nonzero(facing > 0) > np.count_nonzero(facing < 0) else surface


class _Fit:
    """The limbs of one side while they are found; every limb and every place is found once."""

    def __init__(self, template: PlanTemplate, places: Mapping[str, FloatArray], surface: Surface, plane: str) -> None:
        self.template, self.surface, self.plane = template, surface, plane
        self.rules = {rule.name: rule for rule in template.limbs if all(place in places for place in rule.places)}
        self.inner = {name: ball_middle(surface, place) if template.is_tip(name) else self._into_flesh(name, place)
                      for name, place in places.items()}
        self.inner |= {name: self._centred(name) for name in places if not template.is_tip(name)}
        self.lines: dict[str, MedialLine] = {}
        self.limbs: dict[str, Limb] = {}

    def side_limbs(self) -> dict[str, Limb]:
        """Every limb that its places allow, by its rule's name; a lone branch of a fork is its trunk's own end."""
        return {name: self.limb(name) for name in self.rules if not self._is_lone_branch(name)}

    def branches(self, trunk: str) -> list[str]:
        """Branches of a trunk's fork that are there."""
        return [branch for name, branches in self.template.forks for branch in branches if name == trunk and branch in self.rules]

    def limb(self, name: str) -> Limb:
        """A limb of one side."""
        if name not in self.limbs:
            self.limbs[name] = self._found(self.rules[name])
        return self.limbs[name]

    def _found(self, rule: LimbRule) -> Limb:
        branches = self.branches(rule.name)
        if len(branches) == 1 and self._is_lone_branch(branches[0]):
            return Limb(rule.name, self._to_tip(rule.places[-1], self.rules[branches[0]].places[-1], rule.shares), tip="closed")
        if rule.closed and len(rule.places) > 1:
            return Limb(rule.name, self._to_tip(rule.places[-2], rule.places[-1], rule.shares), joint_loops=rule.joint_loops, tip="closed")
        if rule.closed:
            return Limb(rule.name, self._digit(rule), tip="closed")
        if len(rule.places) > 1:
            return Limb(rule.name, self._between(rule))
        if not branches:
            raise PlanError(f"{self.template.label}: the {rule.name} ends in nothing; point at one tip at least.")
        roots = np.mean([self.limb(branch).joints[0] for branch in branches], axis=0)
        return Limb(rule.name, np.stack([self.inner[rule.places[-1]], roots]))

    def _is_lone_branch(self, name: str) -> bool:
        """Whether a digit is the only one of its row: then its trunk goes on into it."""
        return self.rules[name].closed and any(self.branches(trunk) == [name] for trunk, _ in self.template.forks if trunk in self.rules)

    def _digit(self, rule: LimbRule) -> FloatArray:
        """Joints of a limb that is marched from its tip to where it leaves its trunk."""
        begin, line = self._trunk_begin(rule), self._free_line(rule)
        free = float(arc_lengths(line)[-1])
        last, back = line[-1], line[max(0, len(line) - 5)]
        way = unit(unit(last - back) + unit(begin - last))
        reach = min(rule.hidden * free, MOST_HIDDEN * float(np.linalg.norm(begin - last)))
        path = np.concatenate([self._deepest_inside(last, last + reach * way)[None], line[::-1]])
        return joints_along(path, np.array(rule.shares), float(np.median(self._marched(rule).radii)))

    def _free_line(self, rule: LimbRule) -> FloatArray:
        """What of a digit's line stands free; in a row of digits none is far longer than the shortest, it has run into the trunk."""
        row = next((branches for trunk, _ in self.template.forks if rule.name in (branches := self.branches(trunk))), [rule.name])
        lengths = {name: arc_lengths(line.points) + line.radii[0] for name in row for line in (self._marched(self.rules[name]),)}
        longest = LONGEST_IN_ROW * min(float(each[-1]) for each in lengths.values())
        kept = int(np.count_nonzero(lengths[rule.name] <= longest))
        return self._marched(rule).points[: max(kept, 2)]

    def _trunk_begin(self, rule: LimbRule) -> FloatArray:
        """Where the trunk begins that a digit leaves."""
        return self.inner[self.template.trunk_places(rule.places[-1])[0]]

    def _marched(self, rule: LimbRule) -> MedialLine:
        if rule.name not in self.lines:
            line = march_from_tip(self.surface, self.inner[rule.places[-1]], self._trunk_begin(rule), stops_at_trunk=True)
            if len(line.points) < 2:
                words = self.template.place(rule.places[-1]).words
                raise PlanError(f"{self.template.label}: no limb runs on from {words}; point at its end.")
            self.lines[rule.name] = line
        return self.lines[rule.name]

    def _deepest_inside(self, start: FloatArray, end: FloatArray) -> FloatArray:
        """The farthest point on the way that is still inside the target."""
        points = start + np.linspace(0.0, 1.0, CHECKS + 1)[1:, None] * (end - start)
        inside = self.surface.inside(points)
        count = int(np.argmin(inside)) if not inside.all() else CHECKS
        return np.asarray(points[count - 1] if count else start + 0.02 * (end - start), dtype=np.float64)

    def _to_tip(self, begin: str, tip: str, shares: tuple[float, ...]) -> FloatArray:
        """Joints along the middle line from a place to a limb's tip."""
        start = self.inner[begin]
        line = march_from_tip(self.surface, self.inner[tip], start, stops_at_trunk=False)
        rest = line.points[-1] + np.linspace(0.0, 1.0, CHECKS)[:, None] * (start - line.points[-1])
        if len(line.points) < 2 or (line.opened and not self.surface.inside(rest[:-1]).all()):
            words = [self.template.place(name).words for name in (tip, begin)]
            raise PlanError(f"{self.template.label}: no limb runs from {words[0]} to {words[1]}; point at both ends of one limb.")
        beside = np.linalg.norm(line.points - start, axis=1) < line.radii
        kept = line.points[: max(1, int(np.argmax(beside)) if beside.any() else len(beside))]
        path = np.concatenate([start[None], kept[::-1]])
        return joints_along(path, np.array(shares), float(np.median(line.radii)))

    def _between(self, rule: LimbRule) -> FloatArray:
        """Joints of an open limb: its places, and points between the last two in the middle of their slices."""
        joints = [self.inner[place] for place in rule.places]
        start, end = joints[-2:]
        inner = []
        for share in np.cumsum(rule.shares)[:-1] / np.sum(rule.shares):
            point = start + share * (end - start)
            inner.append(self._moved(point, unit(end - start), middle=self.template.place(rule.places[-1]).middle))
        return np.array([*joints[:-1], *inner, joints[-1]])

    def _into_flesh(self, name: str, place: FloatArray) -> FloatArray:
        """A place on the skin in the middle of the largest ball that touches it there; one that lies inside stays."""
        found = self.surface.closest(place[None])
        deep = bool(self.surface.inside(place[None])[0]) and float(found.distances[0]) > ON_SKIN * self.surface.diagonal
        point = place if deep else ball_middle(self.surface, place)
        return self._on_plane(point) if self.template.place(name).middle else point

    def _centred(self, name: str) -> FloatArray:
        """A place in the middle of the slice across the limbs that meet there."""
        place, point = self.template.place(name), self.inner[name]
        ways = [unit(point - before) for before in self._beside(name, -1)] + [unit(after - point) for after in self._beside(name, 1)]
        axis = np.sum(ways, axis=0)
        return self._moved(point, unit(axis), middle=place.middle) if place.centred and np.linalg.norm(axis) > 0.1 else point

    def _moved(self, point: FloatArray, axis: FloatArray, *, middle: bool) -> FloatArray:
        """The middle of the slice through a point; the point itself where the slice is open or its middle lies elsewhere."""
        found, radius, reach = limb_slice(self.surface, point, axis)
        if reach <= REACH * radius and np.linalg.norm(found - point) <= FARTHEST_MOVE * radius:
            point = found
        return self._on_plane(point) if middle else point

    def _beside(self, name: str, step: int) -> list[FloatArray]:
        """Places before (-1) or behind (1) one along its limbs; behind a trunk that forks the middle of its branches' tips."""
        found = []
        for rule in self.rules.values():
            if name in rule.places and 0 <= rule.places.index(name) + step < len(rule.places):
                found.append(self.inner[rule.places[rule.places.index(name) + step]])
            elif name == rule.places[-1] and step > 0 and not self.template.place(name).middle and self.branches(rule.name):
                found.append(np.mean([self.inner[self.rules[branch].places[-1]] for branch in self.branches(rule.name)], axis=0))
        return found

    def _on_plane(self, point: FloatArray) -> FloatArray:
        return np.where(np.arange(3) == AXES[self.plane], 0.0, point)


def _both_sides(template: PlanTemplate, limbs: Mapping[str, Limb], plane: str,
                places: Mapping[str, FloatArray]) -> dict[str, tuple[str, ...]]:
    """Names of every limb on both sides, the side that was pointed at first; the left of a figure is the positive side."""
    own = [places[place][AXES[plane]] for rule in template.limbs if rule.sided for place in rule.places if place in places]
    sides = SIDE_NAMES[plane] if np.sum(own) >= 0 else SIDE_NAMES[plane][::-1]
    sided = {rule.name for rule in template.limbs if rule.sided}
    return {name: (name + sides[0], name + sides[1]) if name in sided else (name,) for name in limbs}


def _twins(limb: Limb, names: tuple[str, ...], plane: str) -> list[Limb]:
    return [replace(limb, name=name, joints=mirrored(limb.joints, plane) if index else limb.joints) for index, name in enumerate(names)]


def _joined(template: PlanTemplate, fit: _Fit, limbs: tuple[Limb, ...], names: Mapping[str, tuple[str, ...]], unit_name: str) -> LimbPlan:
    """The plan with the joins whose limbs are there; what is sided joins on its own side, or both sides join one trunk."""
    pairs = [(own, other) for first, second in template.sockets if first in names and second in names
             for own, other in _side_by_side(names[first], names[second])]
    sockets = tuple(Socket(trunk, branch) for trunk, branch in pairs)
    splices = tuple(Splice(upper, lower) for first, second in template.splices if first in names and second in names
                    for upper, lower in _side_by_side(names[first], names[second]))
    plan = LimbPlan(limbs, (), sockets, splices, unit_name)
    forks = []
    for trunk, _ in template.forks:
        present = [branch for branch in fit.branches(trunk) if branch in names] if trunk in names else []
        for side, own in enumerate(names.get(trunk, ())):
            sides = slice(None) if len(names[trunk]) == 1 else slice(side, side + 1)
            branches = [name for branch in present for name in names[branch][sides]]
            if len(branches) > 1:
                forks.append(Fork(own, order_across(plan, own, branches)))
    return replace(plan, forks=tuple(forks))


def _side_by_side(first: tuple[str, ...], second: tuple[str, ...]) -> list[tuple[str, str]]:
    """Names that join: one on its own side, or a single one with both sides."""
    longest = max(len(first), len(second))
    return [(first[min(index, len(first) - 1)], second[min(index, len(second) - 1)]) for index in range(longest)]
