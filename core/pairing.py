"""Least-cost pairing of the members of one set, exact."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .polymesh import FloatArray

Index = npt.NDArray[np.int64]
Link = tuple[int, int]


def pair_up(cost: FloatArray, alone: float) -> Index:
    """Partner of every member in the pairing of least total cost, (n,) int64; -1 for those left alone.

    cost : (n, n) float, symmetric; cost[i, j] of pairing i with j; infinite forbids
    alone : cost of leaving one member alone; a pair is worth having where it costs less than two of these
    """
    first, second = np.nonzero(np.triu(cost < 2.0 * alone, 1))
    return pair_linked(len(cost), np.column_stack([first, second]), 2.0 * alone - cost[first, second])


def pair_linked(count: int, links: npt.ArrayLike, gains: npt.ArrayLike) -> Index:
    """Partner of every member in the pairing of greatest total gain, (count,) int64; -1 for those left alone.

    count : members
    links : (k, 2) int, members that may pair
    gains : (k,) float, what each such pair gains, above 0
    Source: maximum-weight matching with blossoms and prices (Edmonds 1965), one tree at a time.
    """
    ends = np.asarray(links, dtype=np.int64).reshape(-1, 2)
    search = _Search(count, list(zip(ends[:, 0].tolist(), ends[:, 1].tolist(), np.asarray(gains, dtype=np.float64).tolist(), strict=True)))
    for member in range(count):
        if search.mate[member] < 0 and search.price[member] > 0.0:
            search.settle_member(member)
    return np.array(search.mate, dtype=np.int64)


@dataclass
class _Search:
    """A pairing under way.

    Members 0 to n - 1 are groups of one; an odd ring of groups that the tree closed is a group of its own (a blossom). In a
    group all members but its base are paired. The gain of a link never exceeds the prices of its ends plus those of the
    groups that hold both; pairs are links whose gain equals that sum, and who is settled alone has the price 0.

    links : (member, member, gain)
    mate : partner of every member, -1: none
    price : of every member
    outermost : group of every member that no other group holds
    base : member of every group that is paired outside it or alone
    members : of every group
    ring : groups in every group's ring, its base's first; links between neighbours, the last one back to the first
    group_price : of every group
    side : of outermost groups in the tree: 1 an even number of links away from its root, -1 an odd number
    came : link over which the tree came to a group, from outside to inside
    """

    count: int
    links: list[tuple[int, int, float]]
    mate: list[int] = field(init=False)
    price: list[float] = field(init=False)
    outermost: list[int] = field(init=False)
    near: list[list[tuple[int, float]]] = field(init=False)
    base: dict[int, int] = field(init=False)
    members: dict[int, list[int]] = field(init=False)
    ring: dict[int, tuple[list[int], list[Link]]] = field(default_factory=dict)
    group_price: dict[int, float] = field(default_factory=dict)
    side: dict[int, int] = field(default_factory=dict)
    came: dict[int, Link | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.near = [[] for _ in range(self.count)]
        for one, other, gain in self.links:
            self.near[one].append((other, gain))
            self.near[other].append((one, gain))
        self.mate = [-1] * self.count
        self.price = [max((gain for _, gain in near), default=0.0) / 2.0 for near in self.near]
        self.outermost = list(range(self.count))
        self.base = {member: member for member in range(self.count)}
        self.members = {member: [member] for member in range(self.count)}

    def settle_member(self, root: int) -> None:
        """Pair one more member, or leave one alone, without loss: grow a tree from it until one of both is free to do."""
        self.side, self.came = {self.outermost[root]: 1}, {self.outermost[root]: None}
        while True:
            step, what, one, other = self._next_event()
            self._shift_prices(step)
            if what == "rest":
                self.price[one] = 0.0
                self._pair_towards_root(one, -1)
                return
            if what == "open":
                self._open_group(one)
            elif self.side.get(self.outermost[other]) == 1:
                self._close_ring(one, other)
            elif self.mate[self.base[self.outermost[other]]] < 0:
                self._rebase(self.outermost[other], other)
                self._pair_towards_root(one, other)
                self.mate[other] = one
                return
            else:
                self._grow(one, other)

    def _next_event(self) -> tuple[float, str, int, int]:
        """The least shift of prices that frees a step: a link to take, a member to leave alone, a group to open."""
        step, what, one, other = float("inf"), "", -1, -1
        price, outermost, sides = self.price, self.outermost, self.side
        for group, side in sides.items():
            if side < 0:
                if group >= self.count and self.group_price[group] / 2.0 < step:
                    step, what, one = self.group_price[group] / 2.0, "open", group
                continue
            for member in self.members[group]:
                own = price[member]
                if own < step:
                    step, what, one = own, "rest", member
                for neighbour, gain in self.near[member]:
                    slack = max(own + price[neighbour] - gain, 0.0)
                    if slack < 2.0 * step:
                        beyond = outermost[neighbour]
                        at = sides.get(beyond, 0)
                        slack = slack / 2.0 if at == 1 else slack
                        if at >= 0 and beyond != group and slack < step:
                            step, what, one, other = slack, "link", member, neighbour
        return step, what, one, other

    def _shift_prices(self, step: float) -> None:
        if step == 0.0:
            return
        for group, side in self.side.items():
            for member in self.members[group]:
                self.price[member] -= side * step
            if group >= self.count:
                self.group_price[group] += 2.0 * side * step

    def _grow(self, one: int, other: int) -> None:
        """Take a pair into the tree: its near group at an odd number of links, its far one at an even number."""
        near = self.outermost[other]
        base = self.base[near]
        far = self.outermost[self.mate[base]]
        self.side[near], self.came[near] = -1, (one, other)
        self.side[far], self.came[far] = 1, (base, self.mate[base])

    def _way_up(self, group: int) -> list[int]:
        way = [group]
        link = self.came[group]
        while link is not None:
            way.append(self.outermost[link[0]])
            link = self.came[way[-1]]
        return way

    def _close_ring(self, one: int, other: int) -> None:
        """Two even groups of the tree are linked: the ring that this closes becomes one even group."""
        up, down = self._way_up(self.outermost[one]), self._way_up(self.outermost[other])
        while len(up) > 1 and len(down) > 1 and up[-2] == down[-2]:
            up.pop()
            down.pop()
        top = up[-1]
        parts = up[::-1] + down[:-1]
        links = [self._came_to(part) for part in up[-2::-1]]
        links.append((one, other))
        links += [self._came_to(part)[::-1] for part in down[:-1]]
        group = self.count + len(self.ring)
        while group in self.base:
            group += 1
        self.ring[group] = (parts, links)
        self.base[group], self.group_price[group] = self.base[top], 0.0
        self.members[group] = [member for part in parts for member in self.members[part]]
        self.came[group] = self.came[top]
        for part in parts:
            del self.side[part]
        self.side[group] = 1
        for member in self.members[group]:
            self.outermost[member] = group

    def _came_to(self, group: int) -> Link:
        link = self.came[group]
        if link is None:
            raise AssertionError("only the tree's root came over no link")
        return link

    def _open_group(self, group: int) -> None:
        """An odd group whose price has fallen to nothing falls apart; the parts on the pairs' way through it stay in the tree."""
        parts, links = self.ring.pop(group)
        for part in parts:
            for member in self.members[part]:
                self.outermost[member] = part
        link = self._came_to(group)
        place = parts.index(self.outermost[link[1]])
        del self.side[group], self.base[group], self.members[group], self.group_price[group]
        size, forward = len(parts), place % 2 == 1
        side = -1
        while True:
            part = parts[place]
            self.side[part], self.came[part] = side, link
            if place == 0:
                return
            link = links[place] if forward else links[place - 1][::-1]
            place = (place + 1) % size if forward else place - 1
            side = -side

    def _pair_towards_root(self, member: int, partner: int) -> None:
        """Give a member of an even group a new partner (-1: none) and move every pair up to the root one link on."""
        while True:
            group = self.outermost[member]
            self._rebase(group, member)
            self.mate[member] = partner
            link = self.came[group]
            if link is None:
                return
            above = self.outermost[link[0]]
            outer, inner = self._came_to(above)
            self._rebase(above, inner)
            self.mate[inner] = outer
            member, partner = outer, inner

    def _rebase(self, group: int, member: int) -> None:
        """Pair a group's members within it so that the given one is left for outside."""
        self.base[group] = member
        if group < self.count:
            return
        parts, links = self.ring[group]
        place = next(index for index, part in enumerate(parts) if member in self.members[part])
        parts, links = parts[place:] + parts[:place], links[place:] + links[:place]
        self.ring[group] = (parts, links)
        self._rebase(parts[0], member)
        for index in range(1, len(parts), 2):
            one, other = links[index]
            self._rebase(parts[index], one)
            self._rebase(parts[index + 1], other)
            self.mate[one], self.mate[other] = other, one
