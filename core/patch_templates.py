"""Templates of patches: a rectangle of quads in the middle, the patch's corners tied to places on its rim, rows of quads around it.

The rectangle's rim has eight places, counter-clockwise from the lower left; its sides may split once, at the odd places:

    6 --a1-- 5 --a2-- 4
    |        |        |
    b2       |        b2
    |        |        |
    7 ------ + ------ 3
    |        |        |
    b1       |        b1
    |        |        |
    0 --a1-- 1 --a2-- 2

A patch corner at an even place costs nothing. An even place without a corner is a 3-pole; every corner too many at an even place, and
every corner at an odd one, is a 5-pole. Rows of quads along the patch's sides carry the poles inwards. So a template fixes the poles, and
four spans and one row count a side say how many quads lie between them: side i has (its stretch of the rim) + rows[i - 1] + rows[i + 1]
edges.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from .patch_bound import pole_bound
from .polymesh import IntArray

PLACES = 8
RIM_SPANS = (0, 1, 2, 3, 1, 0, 3, 2)
"""Which span (a1, a2, b1, b2) lies between a place and the next."""
MOST_CORNERS_AT_A_PLACE = 3
TIERS = (0, 1, 2)


@dataclass(frozen=True)
class Template:
    """Where the patch's corners sit on the rectangle's rim.

    starts : place of every patch corner, in the patch's order; ``(0,)`` for a patch without corners
    steps : places that every side runs on; they sum to 8
    active : which of the four spans may be above zero
    """

    starts: tuple[int, ...]
    steps: tuple[int, ...]
    active: tuple[bool, bool, bool, bool]

    @property
    def tier(self) -> int:
        """How plain the template is: 0 with 3- and 5-poles at the rectangle's corners only, 1 with poles of 6, 2 with split sides."""
        if any(start % 2 for start in self.starts):
            return 2
        return int(max(self.starts.count(place) for place in self.starts) > 2)

    def side_spans(self) -> IntArray:
        """How often every span lies on every side, (sides, 4) int32."""
        table = np.zeros((len(self.starts), 4), dtype=np.int32)
        for side, (start, steps) in enumerate(zip(self.starts, self.steps, strict=True)):
            for step in range(steps):
                table[side, RIM_SPANS[(start + step) % PLACES]] += 1
        return table


@lru_cache(maxsize=64)
def templates(corner_count: int, poles: int) -> tuple[Template, ...]:
    """Every template of that many corners and poles, each up to a turn of the rectangle.

    corner_count : corners of the patch, 0 or more
    poles : sum of |4 - valence| over the template's poles; a 6-pole counts as two
    Where a single pole is enough, or none, the rectangle is a point and the rows alone say where: one template stands for all.
    """
    if corner_count == 0:
        return (Template((0,), (PLACES,), (True, False, True, False)),) if poles == 4 else ()
    found: dict[tuple[tuple[int, ...], tuple[int, ...]], Template] = {}
    for corners_at in _corner_numbers(corner_count, poles):
        places = [place for place in range(PLACES) for _ in range(corners_at[place])]
        steps = [(places + [places[0] + PLACES])[i + 1] - places[i] for i in range(corner_count)]
        for turn in range(corner_count):
            starts = tuple(places[turn:] + places[:turn])
            turned = tuple(steps[turn:] + steps[:turn])
            key = (min(tuple((place + quarter) % PLACES for place in starts) for quarter in (0, 2, 4, 6)), turned)
            if key not in found:
                found[key] = Template(starts, turned, _active_spans(corners_at, corner_count, poles))
    ordered = sorted(found.values(), key=lambda template: (sum(template.active), template.starts, template.steps))
    return tuple(ordered[:1] if poles == pole_bound(corner_count) <= 1 else ordered)


@dataclass(frozen=True)
class TemplateGroup:
    """Templates with the same active spans.

    members : the templates
    tables : (members, sides, 4) int32, how often every span lies on every side
    active : which spans may be above zero
    """

    members: tuple[Template, ...]
    tables: IntArray
    active: tuple[bool, bool, bool, bool]


def grouped(members: tuple[Template, ...]) -> tuple[TemplateGroup, ...]:
    """Templates of one corner count, gathered by their active spans."""
    groups: dict[tuple[bool, bool, bool, bool], list[Template]] = {}
    for template in members:
        groups.setdefault(template.active, []).append(template)
    return tuple(TemplateGroup(tuple(alike), np.stack([template.side_spans() for template in alike]), active)
                 for active, alike in groups.items())


@lru_cache(maxsize=128)
def template_groups(corner_count: int, poles: int, tier: int) -> tuple[TemplateGroup, ...]:
    """Groups of all templates of that many corners and poles, and of one tier."""
    return grouped(tuple(template for template in templates(corner_count, poles) if template.tier == tier))


def _corner_numbers(corner_count: int, poles: int) -> list[tuple[int, ...]]:
    even = range(MOST_CORNERS_AT_A_PLACE + 1)
    most_odd = min(2, poles) + 1
    numbers = []
    for at_even in product(even, repeat=4):
        cost_even = sum(abs(corners - 1) for corners in at_even)
        rest = corner_count - sum(at_even)
        if rest < 0 or cost_even + rest != poles:
            continue
        numbers += [tuple(number for pair in zip(at_even, at_odd, strict=True) for number in pair)
                    for at_odd in product(range(most_odd), repeat=4) if sum(at_odd) == rest]
    return numbers


def _active_spans(corners_at: tuple[int, ...], corner_count: int, poles: int) -> tuple[bool, bool, bool, bool]:
    if poles == pole_bound(corner_count) <= 1:
        return (False, False, False, False)
    return (True, bool(corners_at[1] or corners_at[5]), True, bool(corners_at[3] or corners_at[7]))
