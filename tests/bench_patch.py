"""Time of filling a border, against the host's own grid fill on the same border.

Run it alone on a quiet machine; every figure is the best of some runs, in processor seconds. The goals are those of a border that an
artist fills while dragging a number: 100 ms for 64 edges, 1 s for 256.
"""

from __future__ import annotations

import time

# The host's module brings the others along, so it comes first.
# isort: off
import bpy  # noqa: F401
# isort: on
import numpy as np

from ringwright.core import patch_topology
from ringwright.core.patch import fill_loop
from ringwright.core.polymesh import FloatArray
from support.borders import ellipse_border, polygon_border, random_smooth_border, regular_corners
from support.host_grid_fill import grid_fill

GOALS = {64: 100, 256: 1000}
"""Edges, and the milliseconds that filling them may take."""
BENT = 12
"""Random borders, strongly bent and not convex, of which the slowest counts."""
RUNS = 3


def seconds_of(border: FloatArray) -> float:
    """Best processor time of filling a border, patterns searched anew every time."""
    times = []
    for _ in range(RUNS):
        patch_topology._fill_patterns.cache_clear()
        begin = time.process_time()
        fill_loop(border)
        times.append(time.process_time() - begin)
    return min(times)


def host_seconds_of(border: FloatArray) -> float:
    """Best processor time of the host's grid fill; infinite where it refuses."""
    filled = [grid_fill(border) for _ in range(RUNS)]
    return min((each.seconds for each in filled if each is not None), default=float("inf"))


def compare(name: str, borders: list[FloatArray]) -> None:
    """Print the slowest of some borders, ours and the host's, and their ratio."""
    edges = len(borders[0])
    ours = [seconds_of(border) for border in borders]
    slowest = int(np.argmax(ours))
    host = host_seconds_of(borders[slowest])
    times = f"{ours[slowest] / host:.0f} times the host's grid fill" if np.isfinite(host) else "the host's grid fill refuses it"
    print(f"{edges:>4} edges, {name}: {1e3 * ours[slowest]:.0f} ms, median {1e3 * float(np.median(ours)):.0f} "
          f"(goal {GOALS[edges]}); {times} ({1e3 * host:.1f} ms)")


def main() -> None:
    """Print the figures."""
    for edges in GOALS:
        side, rest = edges // 4, edges - 4 * (edges // 5)
        compare("round", [ellipse_border(edges)])
        compare("square, even sides", [polygon_border(regular_corners(4), (side,) * 4)])
        compare("square, uneven sides", [polygon_border(regular_corners(4), (side + 4, side - 4, side - 2, side + 2))])
        compare("pentagon", [polygon_border(regular_corners(5), (*(edges // 5,) * 4, rest))])
        compare(f"slowest of {BENT} bent ones", [random_smooth_border(np.random.default_rng(seed), edges) for seed in range(BENT)])


if __name__ == "__main__":
    main()
