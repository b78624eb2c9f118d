"""The command line: one parser for `ringwright ...` and for `blender --background --command ringwright ...`.

Exit codes: 0 fine, 1 findings of severity error, 2 the input was refused, 130 interrupted, 141 nobody reads what it prints. Whatever
a user can cause is one line on the error stream, without a traceback.
"""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import NoReturn

from ..core.errors import RingwrightError
from .quiet import quiet_host

COMMANDS = {"build": "build", "inspect": "inspect", "rings": "rings", "splice": "splicing", "stepdown": "splicing", "patch": "patch",
            "settle": "settle", "symmetry": "mirroring", "mirror": "mirroring", "export": "hand_over", "demo": "demo"}
"""Every command and its module, which is imported only where it is asked for: all of them take longer than a small command."""
REFUSED = 2
INTERRUPTED = 130
UNREAD = 141


class UsageError(RingwrightError):
    """Arguments that make no sense."""


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence, without the usage above it."""

    def error(self, message: str) -> NoReturn:
        """Raise UsageError instead of printing the usage and leaving the process."""
        raise UsageError(f"{message[:1].upper()}{message[1:].rstrip('.')}; see {self.prog} --help.")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    arguments : without the program's name; None takes the process's own
    Returns the exit code.
    """
    words = sys.argv[1:] if arguments is None else list(arguments)
    try:
        with _stoppable():
            options = make_parser(words[0] if words else "").parse_args(words)
            with quiet_host():
                importlib.import_module("bpy")  # some hosts greet with a line when they start
            code = int(options.run(options))
            sys.stdout.flush()
            return code
    except BrokenPipeError:
        return _unread()
    except RingwrightError as error:
        return _say(str(error), REFUSED)
    except KeyboardInterrupt:
        return _say("interrupted; no output was left half written.", INTERRUPTED)
    except SystemExit as leave:  # --help
        return int(leave.code or 0)


def make_parser(command: str = "") -> argparse.ArgumentParser:
    """The parser of one command's family, or of all where there is no command of that name."""
    parser = Parser(prog="ringwright", description="From a dense sculpt to an all-quad cage that bends.")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in dict.fromkeys([COMMANDS[command]] if command in COMMANDS else COMMANDS.values()):
        importlib.import_module(f"{__package__}.commands.{module}").add_commands(commands)
    return parser


@contextmanager
def _stoppable() -> Iterator[None]:
    """Inside the block an interrupt or a request to end unwinds the stack, so that scratch files are removed."""

    def stop(*_: object) -> NoReturn:
        raise KeyboardInterrupt

    # the host may have handlers of its own, which would not unwind
    kept = [(number, signal.signal(number, stop)) for number in (signal.SIGINT, signal.SIGTERM)]
    try:
        yield
    finally:
        for number, handler in kept:
            signal.signal(number, handler or signal.SIG_DFL)  # None: one that is not Python's


def _unread() -> int:
    """The exit code where whoever read the output has left, as `head` does; what is still to be printed goes nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return UNREAD


def _say(message: str, code: int) -> int:
    print(f"ringwright: {' '.join(message.split())}", file=sys.stderr)
    return code
