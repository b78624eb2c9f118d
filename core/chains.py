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


def build_chains(partner: IntArray) -> Chains:
    """Order elements along their chains; each chain is told once, in one of its two directions.

    partner : (2 N,) int32, the end that each end is joined to (an involution without fixed points), -1 for none
    Every chain starts at its smallest end that can start it; chains are ordered by that end.
    Source: pointer jumping (Wyllie, The Complexity of Parallel Computations, 1979).
    """
    ends = np.arange(len(partner), dtype=np.int32)
    previous = np.where(partner >= 0, partner ^ 1, -1).astype(np.int32)
    head = _smallest_on_cycle(previous)
    closed_entry = head >= 0
    cut = np.where(head == ends, -1, previous).astype(np.int32)
    first, rank = _rank(cut)
    kept = first < first[ends ^ 1]
    closed_kept = kept & closed_entry
    # The mirror of a cycle starts at another end, so the two directions are told apart by their first ends.
    entries = ends[kept]
    order = np.lexsort((rank[entries], first[entries]))
    entries = entries[order]
    starts = np.flatnonzero(rank[entries] == 0)
    offsets = np.append(starts, len(entries)).astype(np.int32)
    return Chains(entries, offsets, closed_kept[entries[starts]])


def _smallest_on_cycle(previous: IntArray) -> IntArray:
    """Smallest member of the cycle through every state, -1 for states that are on none."""
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
    """First state of every state's chain and the steps from there; chains must not close."""
    first = np.where(previous < 0, np.arange(len(previous)), previous).astype(np.int32)
    rank = (previous >= 0).astype(np.int32)
    while True:
        further = first[first]
        if np.array_equal(further, first):
            return first, rank
        rank += rank[first]
        first = further
