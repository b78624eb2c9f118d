"""Fewest poles of a quad patch by exhaustive search, independent of the templates in core/.

The search lays quads into the border one by one: it takes an edge of the region that is left and tries every quad on it, its two other
corners being new inner vertices or any vertices of the region's border. A quad may cut the region into up to three, each of which is
searched alone. Every vertex carries the number of quads that it still wants (4 inside, 2 along the border, 1 at a corner); what is over or
missing when it is closed is paid as poles. The pole balance of what is left bounds the price from below.

Where two regions meet, an edge between the same two vertices might be drawn twice; the search does not look for that, so its answer is a
lower bound of the fewest poles over simple patches. Inner vertices of two quads are not allowed.
"""

from __future__ import annotations

from functools import cache
from itertools import product

WANTED_INSIDE = 4
Region = tuple[int, ...]


def fewest_poles(counts: tuple[int, ...], most_quads: int, most_poles: int) -> int | None:
    """Fewest poles (sum of |4 - valence|, border included) that a patch of such sides can have.

    counts : edges of every side; every side starts at a corner
    most_quads : quads that may follow one another in the search
    Returns None where no patch of at most ``most_poles`` poles was found.
    """
    wanted = tuple(want for count in counts for want in [1] + [2] * (count - 1))
    for poles in range(most_poles + 1):
        if _can_fill_all([wanted], poles, most_quads):
            return poles
    return None


def _canonical(wanted: Region) -> Region:
    turned = [wanted[i:] + wanted[:i] for i in range(len(wanted))]
    mirrored = wanted[::-1]
    return min(turned + [mirrored[i:] + mirrored[:i] for i in range(len(wanted))])


def _least(wanted: Region) -> int:
    return max(abs(4 - sum(2 - want for want in wanted)), sum(max(0, 1 - want) for want in wanted))


def _can_fill_all(regions: list[Region], poles: int, quads: int) -> bool:
    """Whether all regions fill with that many poles together."""
    if any(len(region) % 2 or len(region) < 4 for region in regions):
        return False
    least = [_least(region) for region in regions]
    if sum(least) > poles:
        return False
    if not regions:
        return True
    spare = poles - sum(least)
    if len(regions) == 1:
        return _can_fill(_canonical(regions[0]), poles, quads)
    return any(_can_fill(_canonical(regions[0]), least[0] + more, quads)
               and _can_fill_all(regions[1:], poles - least[0] - more, quads) for more in range(spare + 1))


@cache
def _can_fill(wanted: Region, poles: int, quads: int) -> bool:
    """Try every quad on the edge whose ends want least."""
    if quads == 0:
        return False
    size = len(wanted)
    first = min(range(size), key=lambda i: (wanted[i] + wanted[(i + 1) % size], min(wanted[i], wanted[(i + 1) % size])))
    turned = wanted[first:] + wanted[:first]
    return any(_try_quad(turned, right, left, poles, quads - 1)
               for right in [*range(2, size), None] for left in [*range(size - 1, 1, -1), None]
               if right is None or left is None or right < left)


def _try_quad(wanted: Region, right: int | None, left: int | None, poles: int, quads: int) -> bool:
    """Lay the quad (0, 1, right, left); None stands for a new inner vertex, numbered past the region's own."""
    size = len(wanted)
    new_right, new_left = size, size + 1
    loops = _loops(size, right, left, new_right, new_left)
    corners = (0, 1, new_right if right is None else right, new_left if left is None else left)
    want = [*wanted, WANTED_INSIDE, WANTED_INSIDE]
    for corner in corners:
        want[corner] -= 1
    where = {corner: [k for k, loop in enumerate(loops) if corner in loop] for corner in corners}
    closed = [corner for corner in corners if not where[corner]]
    if any(want[corner] > 1 for corner in closed):
        return False
    price = sum(abs(want[corner]) for corner in closed)
    shared = [corner for corner in corners if len(where[corner]) == 2]
    if price > poles:
        return False
    for parts in product(*(range(1, max(want[corner], 0) + poles + 1) for corner in shared)):
        share = {(corner, where[corner][0]): part for corner, part in zip(shared, parts, strict=True)}
        share |= {(corner, where[corner][1]): want[corner] - part for corner, part in zip(shared, parts, strict=True)}
        regions = [tuple(share.get((vertex, k), want[vertex]) for vertex in loop) for k, loop in enumerate(loops)]
        if _can_fill_all(regions, poles - price, quads):
            return True
    return False


def _loops(size: int, right: int | None, left: int | None, new_right: int, new_left: int) -> list[list[int]]:
    """Borders of what is left after the quad."""
    if right is None and left is None:
        return [[*range(1, size), 0, new_left, new_right]]
    if right is None:
        assert left is not None
        return [[*range(1, left + 1), new_right]] + ([[*range(left, size), 0]] if left < size - 1 else [])
    if left is None:
        return ([[*range(1, right + 1)]] if right > 2 else []) + [[*range(right, size), 0, new_left]]
    loops = [[*range(1, right + 1)]] if right > 2 else []
    loops += [[*range(right, left + 1)]] if left > right + 1 else []
    return loops + ([[*range(left, size), 0]] if left < size - 1 else [])
