"""Long work beside the editor's own: an ordinary core call on a thread of its own, which can be cancelled.

It must touch none of the host's data. It may be cancelled whenever it asks its surface something, which it does every
few hundredths of a second; the editor draws and takes events all the while.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from ..core.polymesh import BoolArray, FloatArray
from ..core.surface import ClosestPoints, RayHits, SurfaceView

Result = TypeVar("Result")
Pause = Callable[[], None]
"""Called by the work where it may be ended."""
PATIENCE = 5.0
"""Seconds that the end of cancelled work is waited for."""


class Cancelled(Exception):
    """Ends work that was cancelled; it never leaves its thread."""


class Background(Generic[Result]):
    """Work under way."""

    def __init__(self, work: Callable[[Pause], Result]) -> None:
        """Begin the work."""
        self._work = work
        self._cancelled = threading.Event()
        self._result: Result | None = None
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="Ringwright", daemon=True)
        self._thread.start()

    @property
    def has_ended(self) -> bool:
        """Whether there is a result or an error."""
        return not self._thread.is_alive()

    def result(self) -> Result:
        """What the work returned, or raise what it raised; waits for its end."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._result  # type: ignore[return-value]

    def cancel(self) -> None:
        """Have the work end at its next pause; its result is lost."""
        self._cancelled.set()

    def wait(self) -> None:
        """Wait for the end of cancelled work, before the program that it runs in goes away."""
        self._thread.join(PATIENCE)

    def _run(self) -> None:
        try:
            self._result = self._work(self._pause)
        except Cancelled:
            pass
        except BaseException as error:
            self._error = error

    def _pause(self) -> None:
        if self._cancelled.is_set():
            raise Cancelled


@dataclass(frozen=True)
class PausingSurface(SurfaceView):
    """A surface whose queries are the work's pauses."""

    pause: Pause

    def closest(self, points: FloatArray) -> ClosestPoints:
        """Nearest surface points of (n, 3) points."""
        self.pause()
        return self.surface.closest(points)

    def cast(self, origins: FloatArray, directions: FloatArray) -> RayHits:
        """First hits of rays from (n, 3) origins along (n, 3) directions."""
        self.pause()
        return self.surface.cast(origins, directions)

    def inside(self, points: FloatArray) -> BoolArray:
        """Whether each of (n, 3) points lies inside."""
        self.pause()
        return self.surface.inside(points)
