"""Runs one command and turns faults into one-line messages and exit codes."""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from typing import NoReturn

from chainkit.errors import ChainkitError, UsageError

INTERRUPTED = 130
TERMINATED = 143


class Formatter(argparse.HelpFormatter):
    """Help as wide as the terminal, asked for without argparse's costly import of shutil."""

    def __init__(self, prog: str) -> None:
        try:
            columns = int(os.environ.get("COLUMNS", "")) or 80
        except ValueError:
            columns = os.get_terminal_size().columns if sys.stdout.isatty() else 80
        super().__init__(prog, width=max(columns - 2, 20))


class Parser(argparse.ArgumentParser):
    """Argument parser whose faults join the tree of `chainkit.errors`."""

    def error(self, message: str) -> NoReturn:
        """Raise the fault instead of printing and leaving."""
        raise UsageError(f"{message}\n({self.prog} --help tells the options)")


def run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    """Run `command` with `words`; returns the exit code."""
    try:
        _leave_on_sigterm()
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


def _leave_on_sigterm() -> None:
    """Leave by an exception on SIGTERM, so that unfinished files are removed as on Ctrl-C."""

    def leave(number: int, frame: object) -> NoReturn:
        sys.exit(TERMINATED)

    try:
        signal.signal(signal.SIGTERM, leave)
    except ValueError:  # not in the main thread: whoever runs us there handles signals
        return


def _run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    if command not in commands:
        from chainkit.units import nearest

        raise UsageError(f"no command {command!r}{nearest(command, commands)}")
    module = importlib.import_module(f"chainkit.cli.{command}")
    parser = Parser(
        prog=f"chainkit {command}",
        description=module.__doc__,
        allow_abbrev=False,
        formatter_class=Formatter,
    )
    module.add_arguments(parser)
    return int(module.run(parser.parse_args(words)))
