"""Runs one command and turns faults into one-line messages and exit codes."""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from typing import NoReturn

from chainkit.cli import show
from chainkit.cli.firstuse import tell_of_compiling
from chainkit.errors import ChainkitError, UsageError

INTERRUPTED = 130


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
        raise UsageError(f"{message} ({self.prog} --help tells the options)")


def run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    """Run `command` with `words`; returns the exit code."""
    try:
        _leave_on_signals()
        code = _run(command, words, commands)
        sys.stdout.flush()
        return code
    except ChainkitError as fault:
        show.note(str(fault))
        return fault.exit_code
    except KeyboardInterrupt:
        show.note("interrupted; nothing was left behind")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has left (`chainkit … | head`): not a fault of anyone.
        _silence_stdout()
        return 0
    except OSError as fault:
        _silence_stdout()
        show.note((fault.strerror or str(fault)).lower())
        return 4


def joined(words: Sequence[str]) -> list[str]:
    """`words` with each negative value joined to its option.

    argparse takes ``-3dB`` for an option; none of ours begins with a digit.
    """
    found: list[str] = []
    for word in words:
        last = found[-1] if found else ""
        expects = last.startswith("--") and "=" not in last and "--" not in found
        if expects and word[:1] == "-" and word[1:].lstrip(".")[:1].isdecimal():
            found[-1] = f"{last}={word}"
        else:
            found.append(word)
    return found


def _silence_stdout() -> None:
    """Let what is still to be printed go nowhere, so that leaving does not fail on it again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _leave_on_signals() -> None:
    """Leave by an exception on SIGTERM and SIGHUP: unfinished files are removed as on Ctrl-C."""

    def leave(number: int, frame: object) -> NoReturn:
        sys.exit(128 + number)

    try:
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), leave)
    except ValueError:  # not in the main thread: whoever runs us there handles signals
        return


def _run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    if command not in commands:
        from chainkit.units import nearest

        known = ", ".join(commands)
        raise UsageError(f"no command {command!r}; {known}{nearest(command, commands)}")
    module = importlib.import_module(f"chainkit.cli.{command}")
    parser = Parser(
        prog=f"chainkit {command}",
        description=module.__doc__,
        allow_abbrev=False,
        formatter_class=Formatter,
    )
    module.add_arguments(parser)
    arguments = parser.parse_args(joined(words))
    tell_of_compiling(command)
    return int(module.run(arguments))
