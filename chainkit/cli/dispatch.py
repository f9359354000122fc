"""Runs one command and turns faults into one-line messages and exit codes."""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import NoReturn

from chainkit.errors import ChainkitError, UsageError

INTERRUPTED = 130
TERMINATED = 143


class Parser(argparse.ArgumentParser):
    """Argument parser whose faults join the tree of `chainkit.errors`."""

    def error(self, message: str) -> NoReturn:
        """Raise the fault instead of printing and leaving."""
        raise UsageError(f"{message}\n({self.prog} --help tells the options)")


def run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    """Run `command` with `words`; returns the exit code."""
    try:
        with _leaving_on_sigterm():
            return _run(command, words, commands)
    except ChainkitError as fault:
        print(f"chainkit: {fault}", file=sys.stderr)
        return fault.exit_code
    except KeyboardInterrupt:
        print("chainkit: interrupted; nothing was left behind", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has left (`chainkit … | head`): not a fault of anyone.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


@contextmanager
def _leaving_on_sigterm() -> Iterator[None]:
    """Leave by an exception on SIGTERM, so that unfinished files are removed as on Ctrl-C."""

    def leave(number: int, frame: object) -> NoReturn:
        sys.exit(TERMINATED)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    if command not in commands:
        from chainkit.units import nearest

        raise UsageError(f"no command {command!r}{nearest(command, commands)}")
    module = importlib.import_module(f"chainkit.cli.{command}")
    parser = Parser(prog=f"chainkit {command}", description=module.__doc__, allow_abbrev=False)
    module.add_arguments(parser)
    return int(module.run(parser.parse_args(words)))
