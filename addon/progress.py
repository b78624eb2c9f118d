"""Progress on the error stream where that is a terminal, nothing where it is not."""

from __future__ import annotations

import sys
from types import TracebackType


class TerminalProgress:
    """Call it with the stage that begins and the share of the work before it; leaving the with statement clears the line."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def __call__(self, stage: str, share: float) -> None:
        """Show the stage in place of the one before."""
        if self._shown:
            print(f"\r\033[K{share:4.0%} {stage} ...", end="", file=sys.stderr, flush=True)

    def __enter__(self) -> TerminalProgress:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._shown:
            print("\r\033[K", end="", file=sys.stderr, flush=True)
