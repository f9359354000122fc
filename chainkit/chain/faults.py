"""The faults of one file, told together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from types import TracebackType
from typing import Any, TypeVar

from chainkit.errors import ChainFileError

MOST = 20
"""Faults after which a file is read no further."""

Found = TypeVar("Found")


class Faults:
    """Gathers the faults of the blocks it is wrapped around, so that reading goes on behind each.

    >>> faults = Faults()
    >>> with faults:
    ...     raise ChainFileError("this")
    >>> with faults:
    ...     raise ChainFileError("that")
    >>> faults.tell()
    Traceback (most recent call last):
    chainkit.errors.ChainFileError: chain:1:1: this
    chain:1:1: that
    """

    def __init__(self) -> None:
        self._found: list[ChainFileError] = []

    def __enter__(self) -> None:
        """Begin a block whose fault is independent of those before."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        if not isinstance(fault, ChainFileError):
            return False
        self._found += fault.faults
        if len(self._found) >= MOST:
            self.tell()
        return True

    def tell(self) -> None:
        """Raise what was gathered, as one fault; nothing if there was none."""
        if self._found:
            raise ChainFileError.together(self._found) from None


def each(work: Callable[..., Found], *columns: Iterable[Any]) -> list[Found]:
    """Results of `work` on each row of `columns`, or the faults of all rows."""
    faults, found = Faults(), []
    for row in zip(*columns, strict=True):
        with faults:
            found.append(work(*row))
    faults.tell()
    return found
