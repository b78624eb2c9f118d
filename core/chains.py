"""Elements with two ends each, put in order along open and closed chains.

Boundary loops, edge loops, face strips and the face fans round a vertex are all such chains.
An end is numbered ``2 * element + 0`` or ``2 * element + 1``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .polymesh import BoolArray, IntArray


@dataclass(frozen=True)
class Chains:
    """Chains of elements in walking order.

    entries : (K,) int32, the end by which each element is entered, chains one after the other
    offsets : (M + 1,) int32, chain i owns entries[offsets[i]:offsets[i + 1]]
    closed : (M,) bool, whether the last element leads back to the first
    """

    entries: IntArray
    offsets: IntArray
    closed: BoolArray

    @property
    def count(self) -> int:
        """Number of chains."""
        return len(self.closed)

    @property
    def elements(self) -> IntArray:
        """Element of every entry, (K,) int32."""
        return self.entries >> 1

    def entries_of(self, chain: int) -> IntArray:
        """Entries of one chain in walking order."""
        return self.entries[self.offsets[chain] : self.offsets[chain + 1]]

    def only(self, wanted: BoolArray) -> Chains:
        """The chains where ``wanted`` (M,) is true."""
        lengths = np.diff(self.offsets)
        offsets = np.concatenate(([0], np.cumsum(lengths[wanted]))).astype(np.int32)
        return Chains(self.entries[np.repeat(wanted, lengths)], offsets, self.closed[wanted])

    def only_closed(self) -> Chains:
        """The chains that close."""
        return self.only(self.closed)


def pair_ends(keys: npt.NDArray[np.int32]) -> IntArray:
    """Partner of every end: the one other end with the same key.

    keys : (2 N,) int, key of every end; a negative key pairs with nothing
    Returns (2 N,) int32, -1 where a key occurs once or more than twice.
    """
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    same = ordered[1:] == ordered[:-1]
    pair = same & (ordered[1:] >= 0)
    pair[1:] &= ~same[:-1]
    pair[:-1] &= ~same[1:]
    first = np.flatnonzero(pair)
    partner = np.full(len(keys), -1, dtype=np.int32)
    partner[order[first]] = order[first + 1]
    partner[order[first + 1]] = order[first]
    return partner


SPLITTER_SHARE = 12
"""One element in so many is a splitter."""

MOST_STEPS = 16
"""Steps after which walks end: between most splitters they have met by then, and the elements still between become splitters."""

FEW = 8192
"""Elements up to which jumping alone is as fast as walking."""


def build_chains(partner: IntArray) -> Chains:
    """Order elements along their chains; each chain is told once, in one of its two directions.

    partner : (2 N,) int32, the end that each end is joined to (an involution without fixed points), -1 for none
    An open chain starts at the smaller of the two ends that can start it, a closed one at its smallest end; chains
    are ordered by that end. Time grows in proportion to the ends.
    Source: list ranking by walks between splitters (Helman and JaJa 1999), here out of both ends of every splitter
    until two walks meet; pointer jumping (Wyllie 1979) for what is left.
    """
    if len(partner) == 0:
        return Chains(np.zeros(0, dtype=np.int32), np.zeros(1, dtype=np.int32), np.zeros(0, dtype=np.bool_))
    return _told_from_smallest(_chains_of(partner))


def turned_order(offsets: IntArray, first: npt.NDArray[np.int64], backward: BoolArray) -> IntArray:
    """Places that every chain's members take when it is told from another member or the other way round.

    offsets : (M + 1,) int, chain i owns the places offsets[i] to offsets[i + 1]; none is empty
    first : (M,) int, place of the member to begin with, counted from the chain's own start
    backward : (M,) bool, chains to tell the other way round
    Returns (K,) int32 such that members[order] are the turned chains.
    """
    lengths = np.diff(offsets)
    starts = offsets[:-1]
    # Steps between neighbouring places, then one jump into every chain and one where its walk wraps round.
    step = np.repeat(np.where(backward, -1, 1), lengths).astype(np.int32) if backward.any() else np.ones(offsets[-1], dtype=np.int32)
    last = np.where(backward, (first + 1) % lengths, (first - 1) % lengths)
    step[starts] = starts + first
    step[starts[1:]] -= (starts + last)[:-1].astype(np.int32)
    wrap = np.where(backward, first + 1, lengths - first)
    wraps = wrap < lengths
    step[(starts + wrap)[wraps]] += np.where(backward, lengths, -lengths)[wraps].astype(np.int32)
    return np.cumsum(step, dtype=np.int32)


def _told_from_smallest(chains: Chains) -> Chains:
    """Closed chains turned to start at their smallest end, open ones at the smaller of their starts; all in order."""
    starts, lengths = chains.offsets[:-1], np.diff(chains.offsets)
    smallest = np.minimum.reduceat(chains.entries, starts)
    at = np.flatnonzero(chains.entries == np.repeat(smallest, lengths)) - starts
    far_start = chains.entries[chains.offsets[1:] - 1] ^ 1
    backward = np.where(chains.closed, smallest & 1 == 1, far_start < chains.entries[starts])
    first = np.where(chains.closed, at, np.where(backward, lengths - 1, 0))
    begin = np.where(chains.closed, smallest & ~1, np.minimum(far_start, chains.entries[starts]))
    entries = chains.entries[turned_order(chains.offsets, first, backward)]
    if backward.any():
        entries ^= np.repeat(backward, lengths)
    order = np.argsort(begin)
    if np.array_equal(order, np.arange(len(order))):
        return Chains(entries, chains.offsets, chains.closed)
    offsets = np.concatenate(([0], np.cumsum(lengths[order]))).astype(np.int32)
    moved = np.repeat(starts[order] - offsets[:-1], lengths[order]) + np.arange(len(entries), dtype=np.int32)
    return Chains(entries[moved], offsets, chains.closed[order])


def _chains_of(partner: IntArray) -> Chains:
    """All chains, told from any start in any direction and order."""
    count = len(partner) // 2
    if count <= FEW:
        return _chains_by_jumping(partner)
    element = np.arange(count, dtype=np.uint32)
    walks = _walk(partner, np.flatnonzero(element * np.uint32(2654435769) < np.uint32(2**32 // SPLITTER_SHARE)).astype(np.int32))
    if 2 * len(walks.splitters) > count:  # mostly chains too short to hold a splitter
        return _chains_by_jumping(partner)
    return _laid_out(walks, _chains_of(walks.met))


@dataclass(frozen=True)
class _Walks:
    """Walks out of both ends of S splitters; walk 2 i + b leaves splitter i by its end b.

    splitters : (S,) int32, elements; every element is one or lies on one walk
    steps : (ends entered, walks) of every step, each (w,) int32
    lengths : (2 S,) int32, elements of every walk
    met : (2 S,) int32, walk that each walk met; -1: the chain ends
    """

    splitters: IntArray
    steps: list[tuple[IntArray, IntArray]]
    lengths: IntArray
    met: IntArray


def _walk(partner: IntArray, splitters: IntArray) -> _Walks:
    """Walk from the splitters; elements that no walk reaches in time become splitters without a walk."""
    count, walks = len(partner) // 2, 2 * len(splitters)
    # Walks own what they pass; a splitter stands for its two walks. The slot at the end stands for "no further end":
    # like an element that is taken, it stops every walk.
    owner = np.full(count + 1, -1, dtype=np.int32)
    owner[splitters] = walks + 2 * np.arange(len(splitters), dtype=np.int32)
    owner[-1] = walks
    walk = np.arange(walks, dtype=np.int32)
    stop = np.empty(walks, dtype=np.int32)
    lengths = np.zeros(walks, dtype=np.int32)
    steps: list[tuple[IntArray, IntArray]] = []
    here = partner.reshape(-1, 2)[splitters].ravel()
    for _ in range(MOST_STEPS):
        free = owner[here >> 1] < 0
        halted = walk[~free]
        stop[halted], lengths[halted] = here[~free], len(steps)
        here, walk = here[free], walk[free]
        element = here >> 1
        owner[element] = walk
        won = owner[element] == walk
        if not won.all():
            halted = walk[~won]
            stop[halted], lengths[halted] = here[~won], len(steps)
            here, walk = here[won], walk[won]
        steps.append((here, walk))
        here = partner[here ^ 1]
    stop[walk], lengths[walk] = here, len(steps)
    left = np.flatnonzero(owner[:-1] < 0).astype(np.int32)
    owner[left] = walks + 2 * np.arange(len(splitters), len(splitters) + len(left), dtype=np.int32)
    # A walk that meets another meets its far end; one that meets a splitter, the end that it comes in by.
    stop = np.concatenate([stop, partner.reshape(-1, 2)[left].ravel()])
    lengths = np.concatenate([lengths, np.zeros(2 * len(left), dtype=np.int32)])
    taker = owner[stop >> 1]
    met = np.where(stop < 0, -1, np.where(taker >= walks, taker - walks + (stop & 1), taker)).astype(np.int32)
    return _Walks(np.concatenate([splitters, left]), steps, lengths, met)


def _laid_out(walks: _Walks, order: Chains) -> Chains:
    """Chains of all elements from the chains of the splitters."""
    entered, chosen = order.entries, order.elements
    sizes = 1 + walks.lengths[0::2] + walks.lengths[1::2]
    places = np.concatenate(([0], np.cumsum(sizes[chosen]))).astype(np.int32)
    entries = np.empty(places[-1], dtype=np.int32)
    centre = places[:-1] + walks.lengths[entered]
    entries[centre] = 2 * walks.splitters[chosen] + (entered & 1)
    base = np.empty(2 * len(walks.splitters), dtype=np.int32)
    base[2 * chosen], base[2 * chosen + 1] = centre, centre
    way = np.ones(len(base), dtype=np.int32)
    way[entered] = -1
    for step, (here, walk) in enumerate(walks.steps, start=1):
        onward = way[walk]
        entries[base[walk] + step * onward] = here ^ (onward < 0)
    return Chains(entries, places[order.offsets], order.closed)


def _chains_by_jumping(partner: IntArray) -> Chains:
    """All chains by pointer jumping along both directions."""
    ends = len(partner)
    previous = _cut_cycles(np.where(partner < 0, -1, partner ^ 1).astype(np.int32))
    head, rank = _rank(previous)
    kept = np.flatnonzero(head < head[np.arange(ends) ^ 1]).astype(np.int32)
    starts = kept[rank[kept] == 0]
    chain_at = np.empty(ends, dtype=np.int32)
    chain_at[starts] = np.arange(len(starts), dtype=np.int32)
    chain = chain_at[head[kept]]
    offsets = np.concatenate(([0], np.cumsum(np.bincount(chain, minlength=len(starts))))).astype(np.int32)
    entries = np.empty(len(kept), dtype=np.int32)
    entries[offsets[chain] + rank[kept]] = kept
    return Chains(entries, offsets, partner[starts] >= 0)


def _cut_cycles(previous: IntArray) -> IntArray:
    """The same links without the one that enters each cycle's smallest member."""
    smallest = _smallest_on_cycle(previous)
    return np.where(smallest == np.arange(len(previous)), -1, previous).astype(np.int32)


def _smallest_on_cycle(previous: IntArray) -> IntArray:
    """Smallest member of the cycle through every member, -1 for members that are on none."""
    smallest = np.arange(len(previous), dtype=np.int32)
    jump = previous.copy()
    while True:
        alive = jump >= 0
        if not alive.any():
            return np.full(len(previous), -1, dtype=np.int32)
        lowest = np.where(alive, np.minimum(smallest, smallest[jump]), smallest)
        further = np.where(alive, jump[jump], -1).astype(np.int32)
        if np.array_equal(lowest, smallest) and np.array_equal(further >= 0, alive):
            return np.where(alive, smallest, -1).astype(np.int32)
        smallest, jump = lowest, further


def _rank(previous: IntArray) -> tuple[IntArray, IntArray]:
    """First member of every member's chain and the steps from there; chains must not close."""
    linked = previous >= 0
    first = np.where(linked, previous, np.arange(len(previous))).astype(np.int32)
    rank = linked.astype(np.int32)
    while True:
        further = first[first]
        if np.array_equal(further, first):
            return first, rank
        rank += rank[first]
        first = further
