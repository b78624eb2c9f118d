"""Keep the host's importers and exporters from writing to the terminal."""

from __future__ import annotations

import ctypes
import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout


@contextmanager
def quiet_host() -> Iterator[None]:
    """Send everything written to the standard streams inside the block to nowhere, what compiled code writes included."""
    log_level = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        with _streams_to_nowhere(), open(os.devnull, "w", encoding="utf-8") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere):
            yield
    finally:
        logging.disable(log_level)


@contextmanager
def _streams_to_nowhere() -> Iterator[None]:
    """The process's own output streams, below Python's, to the null device."""
    _flush()
    kept = [os.dup(stream) for stream in (1, 2)]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        for stream in (1, 2):
            os.dup2(nowhere, stream)
        yield
    finally:
        _flush()
        for stream, original in zip((1, 2), kept, strict=True):
            os.dup2(original, stream)
            os.close(original)
        os.close(nowhere)


def _flush() -> None:
    """Empty Python's and the C library's buffers, or their text comes out where the streams point next."""
    for stream in (sys.stdout, sys.stderr):
        if stream is not None and not stream.closed:
            stream.flush()
    if os.name == "posix":
        ctypes.CDLL(None).fflush(None)
