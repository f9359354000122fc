"""The faults of one file, told together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from types import TracebackType
from typing import Any, TypeVar

from chainkit.errors import ChainFileError, ChainkitError, Known
from chainkit.units import near

MOST = 200
"""Different faults after which a file is read no further."""

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
        self._found: dict[str, ChainFileError] = {}
        self._is_cut = False

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
        # What an alias repeats counts once.
        self._found |= {str(one): one for one in fault.faults}
        self._is_cut = fault.is_cut or len(self._found) >= MOST
        if self._is_cut:
            self.tell()
        return True

    def tell(self) -> None:
        """Raise what was gathered, as one fault; nothing if there was none."""
        if self._found:
            raise ChainFileError.together(self._found.values(), self._is_cut) from None


def one_of(words: Iterable[str], key: str | None = None, value: str | None = None) -> Known:
    """What is known of `value`, or of the key itself, where one of a few words is due."""
    found = key or "" if value is None else value
    return Known(key, value, lambda: words, lambda: near(found, words))


def as_plain(fault: ChainkitError, source: str) -> dict[str, Any]:
    """The faults of the file `source`, and whether reading was broken off, as plain values."""
    is_cut = isinstance(fault, ChainFileError) and fault.is_cut
    return {"file": source, "faults": _each_as_plain(fault, source), "is_cut": is_cut}


def _each_as_plain(fault: ChainkitError, source: str) -> list[dict[str, Any]]:
    """Each fault by itself, None for what is not known of it."""
    if isinstance(fault, ChainFileError):
        return [_as_plain(one) for one in fault.faults]
    nothing = dict.fromkeys(("line", "column", "key", "value", "allowed", "nearest"))
    return [{"file": source, **nothing, "message": line} for line in str(fault).split("\n")]


def _as_plain(fault: ChainFileError) -> dict[str, Any]:
    known = fault.known
    return {
        "file": fault.source,
        "line": fault.line or None,
        "column": fault.column or None,
        "key": known.key,
        "value": known.value,
        "allowed": list(known.allowed()) or None,
        "nearest": known.nearest() or None,
        "message": fault.message,
    }


def each(work: Callable[..., Found], *columns: Iterable[Any]) -> list[Found]:
    """Results of `work` on each row of `columns`, or the faults of all rows."""
    faults, found = Faults(), []
    for row in zip(*columns, strict=True):
        with faults:
            found.append(work(*row))
    faults.tell()
    return found
