"""Runs one command and turns faults into messages, a line each, and exit codes."""

from __future__ import annotations

import argparse
import importlib
import itertools
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NoReturn

from chainkit.cli import show
from chainkit.cli.firstuse import tell_of_compiling
from chainkit.errors import ChainkitError, UsageError, reason
from chainkit.leaving import leave_on_signals
from chainkit.units import nearest


class Formatter(argparse.HelpFormatter):
    """Help as wide as the terminal, asked for without argparse's costly import of shutil."""

    def __init__(self, prog: str) -> None:
        try:
            columns = int(os.environ.get("COLUMNS", "")) or 80
        except ValueError:
            columns = os.get_terminal_size().columns if sys.stdout.isatty() else 80
        super().__init__(prog, width=max(columns - 2, 20))


class Once(argparse.Action):
    """Stores what is given, and refuses an option that is given twice, or a file named twice.

    Of two values one would be lost without a word.
    """

    def __call__(self, parser: Any, namespace: Any, values: Any, option: str | None = None) -> None:
        """Store `values`."""
        given: set[str] = namespace.__dict__.setdefault("_given", set())
        if option is not None and self.dest in given:
            raise argparse.ArgumentError(self, "given twice; leave one")
        named = values if isinstance(values, list) else []
        if twice := [name for name in named if named.count(name) > 1]:
            raise argparse.ArgumentError(self, f"{twice[0]} is named twice; leave one")
        given.add(self.dest)
        setattr(namespace, self.dest, values)


class Parser(argparse.ArgumentParser):
    """Argument parser whose faults join the tree of `chainkit.errors`."""

    _words: Sequence[str] = ()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for action in (None, "store"):
            self.register("action", action, Once)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As ever; a fault may ask what was given."""
        self._words = args or ()
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        """Raise the fault instead of printing and leaving."""
        hints = "".join(self._misspelled())
        raise UsageError(f"{message}{hints} ({self.prog} --help tells the options)")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        """Refuse what is none of the choices, and name the nearest."""
        if action.choices is not None and value not in action.choices:
            hint = nearest(value, action.choices) if isinstance(value, str) else ""
            told = f"{value!r} is not one of {', '.join(map(str, action.choices))}{hint}"
            if action.option_strings:
                raise argparse.ArgumentError(action, told)
            self.error(told)  # what it is called in the usage is no name

    def _misspelled(self) -> Iterator[str]:
        """For each word that is no option, but nearly one, which it is."""
        known = {*self._option_string_actions}
        for action in self._actions:
            if isinstance(action.choices, dict):  # commands with options of their own
                known |= {option for parser in action.choices.values() for option in parser.options}
        for word in itertools.takewhile("--".__ne__, self._words):
            option = word.partition("=")[0]
            hint = nearest(option, known) if option[:1] == "-" and option not in known else ""
            if hint:
                yield f"; no option {option}{hint}"

    @property
    def options(self) -> Iterable[str]:
        """The options that are known."""
        return self._option_string_actions


def run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    """Run `command` with `words`; returns the exit code."""
    try:
        leave_on_signals()
        code = _run(command, words, commands)
        sys.stdout.flush()
        return code
    except ChainkitError as fault:
        show.note(fault.told)
        return fault.exit_code
    except BrokenPipeError:
        # The reader of our output has left (`chainkit … | head`): not a fault of anyone.
        _silence_stdout()
        return 0
    except OSError as fault:
        place = fault.filename or ("standard output" if _stdout_fails() else "")
        _silence_stdout()
        show.note(f"{place}: {reason(fault)}" if place else reason(fault))
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


def refuse_empty(command: str, words: Sequence[str]) -> None:
    """Refuse words that name no file and no value.

    Raises
    ------
    UsageError
        A word, or the value joined to an option, is empty or a lone hyphen.
    """
    before = command
    for word in words:
        option, equals, value = word.partition("=")
        joined_to = option if equals and option.startswith("--") else ""
        value = value if joined_to else word
        if not value:
            told = f"{joined_to} is" if joined_to else f"the word behind {before!r} is"
            raise UsageError(f"{told} empty; is a shell variable not set?")
        if value == "-":
            raise UsageError("'-' is no file: nothing is read from or written to a pipe")
        before = word


def _taken_for_options(words: Sequence[str], options: Iterable[str]) -> str:
    """A hint where files, there or to be written, have names that begin with a hyphen."""
    found = [
        word
        for before, word in itertools.pairwise(("", *words))
        if word[:1] == "-" and (os.path.exists(word) or (before in options and _has_ending(word)))
    ]
    return f"; for the file of that name write ./{found[0]}" if found else ""


def _has_ending(word: str) -> bool:
    return os.path.splitext(word)[1][1:2].isalpha()


def _stdout_fails() -> bool:
    """Whether nothing can be printed."""
    try:
        print(flush=True)
    except OSError:
        return True
    return False


def _silence_stdout() -> None:
    """Let what is still to be printed go nowhere, so that leaving does not fail on it again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run(command: str, words: Sequence[str], commands: Sequence[str]) -> int:
    if command not in commands:
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
    refuse_empty(command, words)
    try:
        arguments = parser.parse_args(joined(words))
    except UsageError as fault:
        raise UsageError(f"{fault}{_taken_for_options(words, parser.options)}") from None
    tell_of_compiling(command)
    return int(module.run(arguments))
