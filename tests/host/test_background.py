"""Work on a thread of its own: it ends with a result or an error, and at its next pause where it is cancelled."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from ringwright.addon.background import Background, Pause, PausingSurface
from ringwright.core.errors import PlanError
from ringwright.core.surface import ClosestPoints, RayHits


class Still:
    """A surface of nothing, which counts what it is asked."""

    bounds, diagonal, asked = np.zeros((2, 3)), 1.0, 0

    def closest(self, points: np.ndarray) -> ClosestPoints:
        self.asked += 1
        return ClosestPoints(points, points, np.zeros(len(points)))

    def cast(self, origins: np.ndarray, directions: np.ndarray) -> RayHits:
        self.asked += 1
        return RayHits(np.zeros(len(origins), bool), origins, directions, np.zeros(len(origins)))

    def inside(self, points: np.ndarray) -> np.ndarray:
        self.asked += 1
        return np.zeros(len(points), bool)


def test_a_result_comes_back() -> None:
    work = Background(lambda pause: 6 * 7)
    assert work.result() == 42 and work.has_ended


def test_what_the_work_raises_is_raised_where_its_result_is_taken() -> None:
    def refuse(pause: Pause) -> None:
        raise PlanError("No such limb.")

    with pytest.raises(PlanError, match="No such limb"):
        Background(refuse).result()


@pytest.mark.parametrize("query", ["closest", "cast", "inside"])
def test_cancelled_work_ends_at_its_next_query(query: str) -> None:
    surface, began, may_go_on = Still(), threading.Event(), threading.Event()
    points = np.zeros((2, 3))

    def work(pause: Pause) -> str:
        paused = PausingSurface(surface, pause)
        arguments = (points, points) if query == "cast" else (points,)
        getattr(paused, query)(*arguments)
        began.set()
        may_go_on.wait()
        getattr(paused, query)(*arguments)
        return "not reached"

    under_way = Background(work)
    began.wait()
    assert not under_way.has_ended
    under_way.cancel()
    may_go_on.set()
    under_way.wait()
    assert under_way.has_ended and under_way.result() is None and surface.asked == 1
