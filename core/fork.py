"""Run side-by-side branches into one trunk: webs of quads between neighbours, one ring round them all.

Every branch ring starts at its right web: vertices 0 to w of the web toward the next branch, then the
front edges, then the web toward the previous branch, then the back edges. Each end of a web makes two
5-poles: four a web, the fewest that the pole balance allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .polymesh import FloatArray, IntArray


@dataclass(frozen=True)
class BranchEdges:
    """How one branch ring of a fork is shared out.

    right, left : edges given to the webs toward the next and the previous branch (0: none there)
    front : edges from the right web to the left one, counter-clockwise
    back : edges from the left web to the right one
    """

    right: int
    left: int
    front: int
    back: int


def branch_edges(sides: Sequence[int], webs: Sequence[int]) -> tuple[BranchEdges, ...]:
    """Share out the edges of every branch ring.

    sides : ring count of every branch in order across
    webs : quads of every web, one fewer
    """
    shared = []
    for index, count in enumerate(sides):
        right = webs[index] if index < len(webs) else 0
        left = webs[index - 1] if index else 0
        free = count - right - left
        front = (free + index % 2) // 2 if left and right else free
        shared.append(BranchEdges(right, left, front, free - front))
    return tuple(shared)


def web_quads(rings: Sequence[IntArray], edges: Sequence[BranchEdges]) -> IntArray:
    """Quads of all webs, (sum of webs, 4) int32, counter-clockwise seen from outside.

    rings : per branch (n,) int32 vertices, counter-clockwise seen from its tip, vertex 0 first of the right web
    """
    quads = []
    pairs = facing_pairs(rings, edges)
    for index in range(len(rings) - 1):
        near, far = pairs[index].T
        quads.append(np.column_stack([near[1:], near[:-1], far[:-1], far[1:]]))
    return np.concatenate(quads).astype(np.int32)


def facing_pairs(rings: Sequence[IntArray], edges: Sequence[BranchEdges]) -> list[IntArray]:
    """Vertices that face each other across every web, a (w + 1, 2) int32 array a web."""
    pairs = []
    for index in range(len(rings) - 1):
        right = rings[index][np.arange(edges[index].right + 1)]
        pairs.append(np.column_stack([right, _left_web(rings[index + 1], edges[index + 1])[::-1]]).astype(np.int32))
    return pairs


def fork_ring(rings: Sequence[IntArray], edges: Sequence[BranchEdges]) -> IntArray:
    """The ring round all branches, the trunk's last ring, counter-clockwise seen from the tip.

    Starts at the first branch's last right web vertex, runs round its outer edges, along the back of
    the branches and returns along their fronts.
    """
    last = len(rings) - 1
    loop: list[int] = []
    for index in range(last + 1):
        start = edges[index].right if index == 0 else edges[index].right + edges[index].front + edges[index].left
        stop = len(rings[index]) if index < last else len(rings[index]) + edges[index].front
        loop += [int(rings[index][k % len(rings[index])]) for k in range(start, stop + 1)]
    for index in range(last - 1, 0, -1):
        start = edges[index].right
        loop += [int(rings[index][k]) for k in range(start, start + edges[index].front + 1)]
    return np.array(loop, dtype=np.int32)


def _left_web(ring: IntArray, edges: BranchEdges) -> IntArray:
    start = edges.right + edges.front
    return ring[(start + np.arange(edges.left + 1)) % len(ring)]


def branch_phase(edges: BranchEdges, count: int, to_next: float | None, to_previous: float | None) -> float:
    """Angle of a branch ring's vertex 0, so that its webs face its neighbours.

    to_next, to_previous : radians, where the neighbours lie; None where there is none
    """
    step = 2 * np.pi / count
    wanted = []
    if to_next is not None:
        wanted.append(to_next - 0.5 * edges.right * step)
    if to_previous is not None:
        wanted.append(to_previous - (edges.right + edges.front + 0.5 * edges.left) * step)
    return float(np.angle(np.mean(np.exp(1j * np.array(wanted)))))


def may_crowd(edges: Sequence[BranchEdges]) -> bool:
    """Whether the webs of a fork may crowd together: between two neighbours a single edge in front or at the back would grow too wide,
    and branches that have but one neighbour each have room."""
    inner = edges[1:-1]
    return bool(inner) and all(min(each.front, each.back) > 1 for each in inner)


def crowded_turns(edges: BranchEdges, share: float) -> FloatArray:
    """Where the vertices of a branch ring stand when the edges of its webs take so much less of the ring than its other edges.

    A branch that bends alone parts from its neighbours across the gaps, so the quads beside a web should be narrow.
    share : length of a web's edge over that of the others, 1 for an even ring
    Returns (n,) float64, turns from where vertex 0 of an even ring stands; the middles of the webs stay where they were.
    """
    count = edges.right + edges.left + edges.front + edges.back
    steps = np.ones(count)
    second = edges.right + edges.front
    steps[: edges.right] = steps[second : second + edges.left] = share
    turns = np.concatenate([[0.0], np.cumsum(steps / steps.sum())])
    ends = [pair for pair in ((0, edges.right), (second, second + edges.left)) if pair[0] < pair[1]]
    strayed = [0.5 * (turns[first] + turns[last]) - 0.5 * (first + last) / count for first, last in ends]
    return np.asarray(turns[:-1] - np.mean(strayed or [0.0]), dtype=np.float64)


def neighbour_angles(centres: FloatArray, tangents: FloatArray, frames: FloatArray) -> list[tuple[float | None, float | None]]:
    """Where every branch's next and previous neighbour lies, in radians round its own first ring.

    centres, tangents, frames : (k, 3) float64 of the branches' first rings, in order across
    """
    def angle(index: int, other: int) -> float | None:
        if not 0 <= other < len(centres):
            return None
        across = centres[other] - centres[index]
        sideways = np.cross(tangents[index], frames[index])
        return float(np.arctan2(across @ sideways, across @ frames[index]))

    return [(angle(index, index + 1), angle(index, index - 1)) for index in range(len(centres))]
