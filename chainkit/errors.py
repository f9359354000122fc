"""Every fault a user can cause: one tree, one exit code a class.

ChainkitError
├── UsageError           2  a wrong command, option or call
│   └── ChainFileError   2  a fault in a chain file or songbook, with its place
├── AudioFileError       3  a sound file that cannot be read or used
└── OutputError          4  an output that cannot be written
    └── ClippingError    4  an integer output that would clip

Faults of the programmer are ``ValueError`` and ``TypeError`` and may show a traceback.
"""

from __future__ import annotations


class ChainkitError(Exception):
    """A fault that the user can understand and cure; its text is the message shown."""

    exit_code = 1


class UsageError(ChainkitError):
    """A wrong command, option or call."""

    exit_code = 2


class ChainFileError(UsageError):
    """A fault in a chain file or songbook.

    Parameters
    ----------
    message : str
        What was given, what is allowed, and the nearest right spelling.
    source : str
        The file, as the user named it.
    line, column : int
        Place of the fault, counted from 1.
    """

    def __init__(self, message: str, source: str = "chain", line: int = 1, column: int = 1) -> None:
        super().__init__(f"{source}:{line}:{column}: {message}")
        self.message = message
        self.source = source
        self.line = line
        self.column = column


class AudioFileError(ChainkitError):
    """A sound file that cannot be read or used."""

    exit_code = 3


class OutputError(ChainkitError):
    """An output that cannot be written."""

    exit_code = 4


class ClippingError(OutputError):
    """An integer output that would clip.

    Parameters
    ----------
    message : str
        Names the first frame, the count, the overshoot and the gain that would cure it.
    """
