"""Every fault a user can cause: one tree, one exit code a class.

ChainkitError
├── UsageError           2  a wrong command, option or call
│   ├── ChainFileError   2  a fault in a chain file or songbook, with its place
│   └── SampleFormatError 2 a sample format that a container does not have
├── LostError            1  a scheduler or its workers that are gone
├── AudioFileError       3  a sound file that cannot be read or used
└── OutputError          4  an output that cannot be written
    ├── ExistsError      4  an output that is there already and is kept
    └── ClippingError    4  an integer output that would clip

Faults of the programmer are ``ValueError`` and ``TypeError`` and may show a traceback.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

INTERRUPTED = 130
"""Exit code of what Ctrl-C ended: 128 and the number of the signal."""


class ChainkitError(Exception):
    """A fault that the user can understand and cure.

    Its text is the message, in words that hold in Python as well. The class knows what the command
    line makes of it.

    Attributes
    ----------
    exit_code : int
    override : str
        The option that has it done all the same, and what that does; empty where there is none.
    """

    exit_code = 1
    override = ""

    @property
    def told(self) -> str:
        """The message as the command line tells it."""
        return f"{self}; {self.override}" if self.override else str(self)


def reason(fault: OSError) -> str:
    """The system's reason, as it stands inside a sentence."""
    return (fault.strerror or str(fault)).lower()


class UsageError(ChainkitError):
    """A wrong command, option or call."""

    exit_code = 2


class Known(NamedTuple):
    """What is known of a fault apart from its words; machines read it.

    Parameters
    ----------
    key : str or None
        The key that is wrong, or whose value is.
    value : str or None
        As it was written; None where the key itself is wrong or missing.
    allowed, nearest : callable
        Give what may stand there, and which of it is nearest to what does, empty where none is;
        asked only where they are shown, for the time that it takes.
    """

    key: str | None = None
    value: str | None = None
    allowed: Callable[[], Iterable[str]] = tuple
    nearest: Callable[[], str] = str


NOTHING = Known()


class ChainFileError(UsageError):
    """A fault in a chain file or songbook, or several, a line of text each.

    Parameters
    ----------
    message : str
        What was given, what is allowed, and the nearest right spelling.
    source : str
        The file, as the user named it.
    line, column : int
        Place of the fault, counted from 1; line 0 where the source has no lines, as an option.
    others : tuple of ChainFileError
        Those further on in the file.
    known : Known
    is_cut : bool
        Reading was broken off, so there may be more; the last line of the text says so.
    """

    def __init__(
        self,
        message: str,
        source: str = "chain",
        line: int = 1,
        column: int = 1,
        others: tuple[ChainFileError, ...] = (),
        *,
        known: Known = NOTHING,
        is_cut: bool = False,
    ) -> None:
        place = f"{source}:{line}:{column}" if line else source
        told = [f"{place}: {message}", *map(str, others)]
        if is_cut:
            files = ", ".join(dict.fromkeys([source, *(other.source for other in others)]))
            told += [f"{files}: not read behind these {len(told)} faults; there may be more"]
        super().__init__("\n".join(told))
        self.message = message
        self.source: str = source
        self.line = line
        self.column = column
        self.others = others
        self.known = known
        self.is_cut = is_cut

    @property
    def faults(self) -> tuple[ChainFileError, ...]:
        """Each fault by itself, in the order of their places."""
        return (self._with(), *self.others)

    @classmethod
    def together(cls, faults: Iterable[ChainFileError], is_cut: bool = False) -> ChainFileError:
        """`faults`, at least one, as one; what an alias repeats is told once."""
        different = {str(fault): fault for fault in faults}.values()
        first, *others = sorted(different, key=lambda f: (f.source, f.line, f.column))
        return first._with(tuple(others), is_cut)

    def _with(
        self, others: tuple[ChainFileError, ...] = (), is_cut: bool = False
    ) -> ChainFileError:
        """The first fault alone, with `others` in place of its own."""
        place = (self.source, self.line, self.column)
        return ChainFileError(self.message, *place, others, known=self.known, is_cut=is_cut)


class SampleFormatError(UsageError):
    """A sample format that a container does not have.

    Parameters
    ----------
    message : str
    container, subtype : str
        As `chainkit.audio.formats` names them.
    possible : sequence of str
        The sample formats that `container` can be written with.
    """

    def __init__(
        self, message: str, container: str = "", subtype: str = "", possible: Sequence[str] = ()
    ) -> None:
        super().__init__(message)
        self.container = container
        self.subtype = subtype
        self.possible = possible


class LostError(ChainkitError):
    """A scheduler or its workers that are gone before the work is done."""


class AudioFileError(ChainkitError):
    """A sound file that cannot be read or used."""

    exit_code = 3


class OutputError(ChainkitError):
    """An output that cannot be written.

    Attributes
    ----------
    why : str
        The system's reason, where it gave one.
    """

    exit_code = 4
    why = ""

    @classmethod
    def for_want_of(cls, path: object, why: str) -> OutputError:
        """The fault that `path` cannot be written, and why."""
        fault = cls(f"{path} cannot be written: {why}")
        fault.why = why
        return fault


class ExistsError(OutputError):
    """An output that is there already and is kept, unless it is asked to be replaced."""

    override = "--force replaces what is there"


class ClippingError(OutputError):
    """An integer output that would clip.

    Parameters
    ----------
    message : str
        Names the first frame, the count, the overshoot and the gain that would cure it.
    """

    override = "--allow-clipping keeps it"
