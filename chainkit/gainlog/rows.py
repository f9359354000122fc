"""A signal in rows of so many frames: a value for each, whatever the blocks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from chainkit.chain.stream import Audio
from chainkit.dsp.levels import power_to_db, to_db


class RowValues:
    """A value for each row of a signal.

    Parameters
    ----------
    hop : int, frames a row
    measure : callable
        Gives a value for each row of a piece (frames, lanes), with the frames a row.
    """

    def __init__(self, hop: int, measure: Callable[[Audio, int], Audio]) -> None:
        self._hop = hop
        self._rows = _Rows(hop)
        self._measure = measure

    def add(self, x: Audio) -> Audio:
        """Values of the rows that `x` completes."""
        found = [self._measure(piece, self._hop) for piece in self._rows.add(x)]
        return np.concatenate([np.empty(0), *found])

    def finish(self) -> Audio:
        """Value of the last row when it is not full."""
        found = [self._measure(piece, len(piece)) for piece in self._rows.finish()]
        return np.concatenate([np.empty(0), *found])


def peaks(x: Audio, hop: int) -> Audio:
    """Greatest magnitude of each row in dBFS."""
    rows = x.reshape(len(x) // hop, -1)
    return to_db(np.maximum(rows.max(axis=1), -rows.min(axis=1)))


def powers(x: Audio, hop: int) -> Audio:
    """RMS level of each row in dBFS."""
    rows = x.reshape(len(x) // hop, -1)
    return power_to_db(np.einsum("ij,ij->i", rows, rows) / rows.shape[1])


class _Rows:
    """Cuts a signal into rows, whatever its blocks.

    Parameters
    ----------
    hop : int, frames a row
    """

    def __init__(self, hop: int) -> None:
        self._hop = hop
        self._open: list[Audio] = []
        self._filled = 0

    def add(self, x: Audio) -> list[Audio]:
        """Frames of the rows that `x` completes, in pieces of whole rows."""
        missing = -self._filled % self._hop
        whole = missing + max(0, len(x) - missing) // self._hop * self._hop
        pieces = []
        if self._filled and len(x) >= missing:
            pieces.append(np.concatenate([*self._open, x[:missing]]))
            self._open, self._filled = [], 0
        if whole > missing:
            pieces.append(x[missing:whole])
        rest = x[whole:] if len(x) >= missing else x
        if len(rest):
            self._open.append(rest.copy())
            self._filled += len(rest)
        return pieces

    def finish(self) -> list[Audio]:
        """Frames of the last row when it is not full."""
        return [np.concatenate(self._open)] if self._open else []
