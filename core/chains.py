"""Elements with two ends each, put in order along open and closed chains.

Boundary loops, edge loops and face strips are all such chains.
An end is numbered ``2 * element + 0`` or ``2 * element + 1``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .picked import picked
from .polymesh import BoolArray, IntArray, offsets_of


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

    def only(self, wanted: BoolArray) -> Chains:
        """The chains where ``wanted`` (M,) is true."""
        lengths = np.diff(self.offsets)
        return Chains(self.entries[np.repeat(wanted, lengths)], offsets_of(lengths[wanted]), self.closed[wanted])

    def only_closed(self) -> Chains:
        """The chains that close."""
        return self.only(self.closed)


def build_chains(partner: IntArray) -> Chains:
    """Order elements along their chains; each chain is told once, in one of its two directions.

    partner : (2 N,) int32, the end that each end is joined to (an involution without fixed points), -1 for none
    An open chain starts at the smaller of the two ends that can start it, a closed one at its smallest end; chains
    are ordered by that end. Time grows in proportion to the ends.
    Source: list ranking by walks between splitters (Helman and JaJa 1999), here out of both ends of every splitter
    until two walks meet. What is left is a shorter chain of splitters alone, ordered in the same way until it is short
    enough to be walked one by one. Splitters are local minima of scrambled numbers, so that no chain is without one,
    however short.
    """
    # A free end leads back into itself: walks that come by it turn round, and need not be told apart.
    free = np.flatnonzero(partner < 0)
    joined = partner.astype(np.int32)
    joined[free] = free
    return _told_from_smallest(_chains_of(joined))


def told_anew(starts: IntArray, lengths: IntArray, first: IntArray, backward: BoolArray) -> IntArray:
    """Places of the members of chains that are told in another order, from another member or the other way round.

    starts, lengths : (M,) int, where each chain begins and how many members it has, at least one, in the order to tell
    first : (M,) int, member to begin with, counted from the chain's own start
    backward : (M,) bool, chains to tell the other way round
    Returns (K,) int32 such that members[places] are the chains told anew, one after the other.
    """
    way = 1 - 2 * backward.astype(np.int32)
    # Steps between neighbouring places, then one jump into every chain and one where its walk wraps round.
    step = np.repeat(way, lengths)
    fresh = np.cumsum(lengths) - lengths
    last = starts + (first - way) % lengths
    step[fresh] = starts + first
    step[fresh[1:]] -= last[:-1]
    wrap = np.where(backward, first + 1, lengths - first)
    wraps = np.flatnonzero(wrap < lengths)
    step[(fresh + wrap)[wraps]] -= (way * lengths)[wraps]
    return np.cumsum(step, dtype=np.int32)


def _told_from_smallest(chains: Chains) -> Chains:
    """Closed chains turned to start at their smallest end, open ones at the smaller of their starts; all in order."""
    if chains.count == 0:
        return chains
    starts, lengths = chains.offsets[:-1], np.diff(chains.offsets)
    smallest = np.minimum.reduceat(chains.entries, starts)
    place = np.flatnonzero(chains.entries == np.repeat(smallest, lengths)) - starts
    near_start, far_start = chains.entries[starts], chains.entries[chains.offsets[1:] - 1] ^ 1
    backward = np.where(chains.closed, smallest & 1 == 1, far_start < near_start)
    first = np.where(chains.closed, place, np.where(backward, lengths - 1, 0))
    order = np.argsort(np.where(chains.closed, smallest & ~1, np.minimum(far_start, near_start)))
    starts, lengths, backward = starts[order], lengths[order], backward[order]
    entries = picked(chains.entries, told_anew(starts, lengths, first[order], backward))
    entries ^= np.repeat(backward, lengths)
    return Chains(entries, offsets_of(lengths), chains.closed[order])


FEW = 2048
"""Elements that are walked one by one as quickly as by whole arrays."""


def _chains_of(partner: IntArray) -> Chains:
    """All chains, told from any start in any direction and order; a free end is its own partner."""
    if len(partner) <= 2 * FEW:
        return _walked_one_by_one(partner)
    walks = _walk(partner, _splitters(partner))
    if len(walks.met) > len(partner) // 2:  # mostly chains of one or two elements
        return _walked_one_by_one(partner)
    return _laid_out(walks, _chains_of(walks.met))


NEARBY = 3
"""Steps to both sides within which a splitter is the lowest."""

STEP_BITS = 3
STEPS = 1 << STEP_BITS
"""Steps of a walk out of a splitter, its own place counted; between splitters few walks are as long."""


def _splitters(partner: IntArray) -> IntArray:
    """Elements whose scrambled number is the lowest among their neighbours within some steps, (S,) int32.

    Every chain has one: on average one element in 2 NEARBY + 1, however long or short the chain.
    """
    elements = np.arange(len(partner) // 2, dtype=np.int32)
    reached = partner.reshape(-1, 2)
    for step in range(NEARBY):
        if step > 0:
            reached = picked(partner, reached ^ 1)
        own, beside = _scrambled(elements), _scrambled(reached >> 1)
        lowest = np.flatnonzero((own <= beside[:, 0]) & (own <= beside[:, 1]))
        elements, reached = picked(elements, lowest), reached.take(lowest, axis=0)
    return elements


def _scrambled(numbers: IntArray) -> npt.NDArray[np.uint32]:
    """Numbers made to look random, each still different from all others: odd factors and a shift, as hash functions use them."""
    mixed = numbers.view(np.uint32) * np.uint32(2654435769)
    mixed ^= mixed >> np.uint32(16)
    mixed *= np.uint32(2246822519)
    return mixed


@dataclass(frozen=True)
class _Walks:
    """Walks out of both ends of S splitters until they meet; walk 2 i + b leaves splitter i by its end b.

    walk : (N,) int32, the walk that each element lies on; a splitter counts to its walk 2 i + 1
    step : (N,) int32, steps from the splitter
    entered : (N,) int32, side (0 or 1) by which the walk enters the element
    lengths : (2 S,) int32, elements of every walk, without the splitter
    met : (2 S,) int32, walk that each walk met; itself where the chain ends
    """

    walk: IntArray
    step: IntArray
    entered: IntArray
    lengths: IntArray
    met: IntArray


def _walk(partner: IntArray, splitters: IntArray) -> _Walks:
    """Walk from the splitters, a fixed number of steps; every element belongs to the walk that reaches it soonest.

    So every walk owns what it passes up to where it meets another, and nothing beyond. Elements that no walk reaches
    become splitters without walks.
    """
    walks = 2 * len(splitters)
    rows = np.empty((STEPS + 1, walks), dtype=np.int32)
    rows[0, 0::2], rows[0, 1::2] = 2 * splitters + 1, 2 * splitters  # walk 2 i leaves by end 0, so it comes in by end 1
    for row in range(STEPS):
        rows[row + 1] = picked(partner, rows[row] ^ 1)
    # Walk, step and side by which the walk enters, in one number; of all walks over an element the soonest writes last.
    mark = np.full(len(partner) // 2, -1, dtype=np.int32)
    of_walk = np.arange(walks, dtype=np.int32) << 1 + STEP_BITS
    for row in reversed(range(STEPS)):
        mark[(rows[row] >> 1).astype(np.intp)] = of_walk + ((rows[row] & 1) + (row << 1))
    missed = np.flatnonzero(mark < 0)
    mark[missed] = walks + 1 + 2 * np.arange(len(missed)) << 1 + STEP_BITS
    walk, step = mark >> 1 + STEP_BITS, mark >> 1 & STEPS - 1
    lengths = np.bincount(walk, minlength=walks + 2 * len(missed)).astype(np.int32)
    lengths[1::2] -= 1
    beyond = picked(rows.ravel(), (lengths[:walks] + 1) * walks + np.arange(walks, dtype=np.int32))
    beyond = np.concatenate([beyond, partner.reshape(-1, 2).take(missed, axis=0).ravel()])
    # A walk that comes to a splitter meets the walk out of the end that it comes in by.
    met, at_splitter = picked(walk, beyond >> 1), picked(step, beyond >> 1) == 0
    return _Walks(walk, step, mark & 1, lengths, np.where(at_splitter, met & ~1 | beyond & 1, met))


def _laid_out(walks: _Walks, order: Chains) -> Chains:
    """Chains of all elements from the chains of the splitters."""
    begins = offsets_of((1 + walks.lengths[0::2] + walks.lengths[1::2]).take(order.elements))
    # A chain comes in along one walk of a splitter, backward, and leaves along the other.
    inward, outward = order.entries, order.entries ^ 1
    centre, way = np.empty_like(walks.lengths), np.ones_like(walks.lengths)
    centre[inward] = centre[outward] = begins[:-1] + walks.lengths[inward]
    way[inward] = -1
    ways = picked(way, walks.walk)
    entries = np.empty(len(walks.walk), dtype=np.int32)
    places = picked(centre, walks.walk) + walks.step * ways
    entries[places.astype(np.intp)] = (2 * np.arange(len(entries), dtype=np.int32) + walks.entered) ^ (ways < 0)
    return Chains(entries, begins[order.offsets], order.closed)


def _walked_one_by_one(partner: IntArray) -> Chains:
    """All chains by going from element to element; elements that are a chain alone are told first."""
    elements = np.arange(len(partner) // 2, dtype=np.int32)
    alone = (partner[0::2] >> 1 == elements) & (partner[1::2] >> 1 == elements)
    entries = (2 * np.flatnonzero(alone)).tolist()
    offsets = list(range(len(entries) + 1))
    free = (partner == np.arange(len(partner))) & ~np.repeat(alone, 2)
    onward = partner.reshape(-1, 2)[:, ::-1].ravel().tolist()
    for start in [*np.flatnonzero(free).tolist(), *(2 * np.flatnonzero(~alone)).tolist()]:
        entry = start
        while (following := onward[entry]) >= 0:
            entries.append(entry)
            onward[entry] = onward[entry ^ 1] = -1  # passed
            entry = following
        if len(entries) > offsets[-1]:
            offsets.append(len(entries))
    told, own = np.array(entries, dtype=np.int32), np.array(offsets, dtype=np.int32)
    begins = told[own[:-1]]
    return Chains(told, own, partner[begins] != begins)
