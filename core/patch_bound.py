"""Fewest poles that a border allows, whatever fills it.

Every vertex is short by (quads that are regular there) - (quads that it has): 4 are regular inside, 2 along a side, 1 at a corner. A
vertex that is short by one (two, ...) is one pole (two, ...), and so is one that has as many too many. The square quads make the patch
flat but for these, so the balance of curvature and turning (the discrete Gauss-Bonnet theorem: Bunin, "A continuum theory for
unstructured mesh generation in two dimensions", 2008) says for a disc with c corners

    sum of all shortages = 4 - c                                                            (1)

which leaves at least |4 - c| poles. That is the plain bound.

A side that is longer than all others together costs more. Every border edge begins a strip of quads that leaves the patch at another
border edge, and two strips share no border edge. So if one side has more edges than all others together, some strip leaves and comes back
to that side. Cut the patch along the middle of this strip, a straight line: it parts a disc from the rest whose border is the line, a
piece of the side, and two right angles where they meet; no corner of the patch lies on it. By (1) its vertices are short by 4 - 2 = 2
together. (Where the strip crosses itself, its innermost loop parts a disc with one right angle, inside or outside: 3 or 5.) Let all
vertices that are short be short by s, s >= 2. By (1) the others have s - (4 - c) too many, so the patch has

    s + s - (4 - c) >= c                                                                    (2)

poles: at least c. With four corners and more that is 4 over the plain bound, with three 2, with fewer nothing. No filling can keep within
two poles of the plain bound there. (Our own derivation; the exhaustive search of tests/support/brute_force_patch.py agrees.)

Four corners without a pole make a grid, whose opposite sides are alike; by (1) the number of poles is even, so others have two at least.
"""

from __future__ import annotations


def pole_bound(corner_count: int) -> int:
    """Fewest poles that the balance (1) allows for that many corners, whatever the sides' lengths."""
    return abs(4 - corner_count)


def has_overlong_side(counts: tuple[int, ...]) -> bool:
    """Whether one side has more edges than all others together.

    counts : edges of every side, each from a corner to the next
    """
    return 2 * max(counts) > sum(counts)


def least_poles(counts: tuple[int, ...], corner_count: int) -> int:
    """Fewest poles that (1) and (2) allow for a border's corners and its sides' lengths.

    counts : edges of every side; the whole border where there is no corner or one
    corner_count : corners of the border
    """
    bound = pole_bound(corner_count)
    if corner_count >= 2 and has_overlong_side(counts):
        return max(bound, corner_count)
    if corner_count == 4 and counts[:2] != counts[2:]:
        return 2
    return bound
