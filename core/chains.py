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


SPLITTER_SHARE = 64
"""One end in so many is a splitter: walks stay short, and few of them are left to be joined up."""


def build_chains(partner: IntArray) -> Chains:
    """Order elements along their chains; each chain is told once, in one of its two directions.

    partner : (2 N,) int32, the end that each end is joined to (an involution without fixed points), -1 for none
    An open chain starts at the smaller of the two ends that can start it, a closed one at its smallest end; chains
    are ordered by that end. Time grows in proportion to the ends.
    Source: list ranking by walks between splitters (Helman and JaJa 1999), pointer jumping (Wyllie 1979) for the
    walks themselves and for short cycles that hold no splitter.
    """
    ends = len(partner)
    if ends == 0:
        return Chains(np.zeros(0, dtype=np.int32), np.zeros(1, dtype=np.int32), np.zeros(0, dtype=np.bool_))
    head, rank = _heads(partner)
    kept = np.flatnonzero(head < head[np.arange(ends) ^ 1]).astype(np.int32)
    starts = kept[rank[kept] == 0]
    chain_at = np.empty(ends, dtype=np.int32)
    chain_at[starts] = np.arange(len(starts), dtype=np.int32)
    chain = chain_at[head[kept]]
    lengths = np.bincount(chain, minlength=len(starts))
    offsets = np.concatenate(([0], np.cumsum(lengths))).astype(np.int32)
    entries = np.empty(len(kept), dtype=np.int32)
    entries[offsets[chain] + rank[kept]] = kept
    return _told_from_smallest(Chains(entries, offsets, partner[starts] >= 0))


def _told_from_smallest(chains: Chains) -> Chains:
    """Closed chains turned to start at their smallest end, reversed where that is the other direction's; all in order."""
    lengths = np.diff(chains.offsets)
    smallest = np.minimum.reduceat(chains.entries >> 1, chains.offsets[:-1])
    chain = np.repeat(np.arange(chains.count), lengths)
    at = np.flatnonzero((chains.entries >> 1) == smallest[chain])
    place = np.zeros(chains.count, dtype=np.int64)
    place[chain[at]] = at - chains.offsets[:-1][chain[at]]
    backward = chains.closed & (chains.entries[chains.offsets[:-1] + place] % 2 == 1)
    place[~chains.closed] = 0
    start = chains.entries[chains.offsets[:-1] + place] ^ backward
    order = np.argsort(start)
    offsets = np.concatenate(([0], np.cumsum(lengths[order]))).astype(np.int32)
    step = np.arange(len(chains.entries)) - np.repeat(offsets[:-1], lengths[order])
    way = np.repeat(np.where(backward, -1, 1)[order], lengths[order])
    wrapped = np.repeat(place[order], lengths[order]) + way * step
    length = np.repeat(lengths[order], lengths[order])
    wrapped += np.where(wrapped < 0, length, 0) - np.where(wrapped >= length, length, 0)
    entries = chains.entries[np.repeat(chains.offsets[:-1][order], lengths[order]) + wrapped]
    return Chains(entries ^ (way < 0), offsets, chains.closed[order])


def _heads(partner: IntArray) -> tuple[IntArray, IntArray]:
    """A head common to every end's directed chain, (2 N,) int32, and the steps from it, (2 N,) int32."""
    ends = len(partner)
    # Slot -1 stands for "no further end": it stops every walk.
    following = np.append(partner.reshape(-1, 2)[:, ::-1].ravel(), -1).astype(np.int32)
    splitter = np.append(partner < 0, True)
    splitter[:-1] |= (np.arange(ends, dtype=np.uint32) * np.uint32(2654435769)) < np.uint32(2**32 // SPLITTER_SHARE)
    splitters = np.flatnonzero(splitter[:-1]).astype(np.int32)
    owner, steps, last, length = _walk(following, splitter, splitters)
    head, base = _rank_splitters(splitters, last, length)
    walked = owner >= 0
    rank = np.where(walked, base[owner] + steps, 0).astype(np.int32)
    heads = np.where(walked, head[owner], -1).astype(np.int32)
    rest = np.flatnonzero(~walked).astype(np.int32)
    if len(rest):
        local = np.empty(ends, dtype=np.int32)
        local[rest] = np.arange(len(rest), dtype=np.int32)
        first, steps_there = _rank(_cut_cycles(local[partner[rest] ^ 1]))
        heads[rest], rank[rest] = rest[first], steps_there
    return heads, rank


def _walk(following: IntArray, splitter: BoolArray, splitters: IntArray) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Walk from all splitters at once until each meets the next one or its chain's end.

    Returns the splitter (index) and the steps of every end, then the last end (-1: none) and the steps of every walk.
    """
    owner = np.full(len(following) - 1, -1, dtype=np.int32)
    steps = np.zeros(len(following) - 1, dtype=np.int32)
    last = np.empty(len(splitters), dtype=np.int32)
    length = np.empty(len(splitters), dtype=np.int32)
    walker = np.arange(len(splitters), dtype=np.int32)
    owner[splitters] = walker
    here = following[splitters]
    step = 1
    while len(walker):
        stopped = splitter[here]
        if stopped.any():
            last[walker[stopped]], length[walker[stopped]] = here[stopped], step
            here, walker = here[~stopped], walker[~stopped]
        owner[here], steps[here] = walker, step
        here = following[here]
        step += 1
    return owner, steps, last, length


def _rank_splitters(splitters: IntArray, last: IntArray, length: IntArray) -> tuple[IntArray, IntArray]:
    """Head (an end) of every splitter's chain and the steps from there."""
    index = np.searchsorted(splitters, np.maximum(last, 0)).astype(np.int32)
    previous = np.full(len(splitters), -1, dtype=np.int32)
    met = last >= 0
    previous[index[met]] = np.flatnonzero(met)
    first, rank = _rank(_cut_cycles(previous), length)
    return splitters[first], rank


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


def _rank(previous: IntArray, length: IntArray | None = None) -> tuple[IntArray, IntArray]:
    """First member of every member's chain and the steps from there; chains must not close.

    length : (n,) int32, steps from every member to the next one; left out: one
    """
    linked = previous >= 0
    first = np.where(linked, previous, np.arange(len(previous))).astype(np.int32)
    rank = linked.astype(np.int32) if length is None else np.where(linked, length[previous], 0).astype(np.int32)
    while True:
        further = first[first]
        if np.array_equal(further, first):
            return first, rank
        rank += rank[first]
        first = further
