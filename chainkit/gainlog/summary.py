"""The statistics of each stage's gain reduction that go into the render record."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.chain.stream import Audio
from chainkit.dsp.kernels_rows import A_DB, gain_rows

BINS = 100 * A_DB  # percentiles are good to 0.01 dB up to 100 dB of reduction
SOUNDING = 50.0
"""Rows less than this many dB below the loudest one count as sounding."""
LEAST = -32767  # hundredths of a dB


@dataclass(frozen=True)
class Reductions:
    """Statistics of one stage's gain reduction, in dB, over all frames.

    Parameters
    ----------
    greatest, mean, p95 : float, dB
        p95 is the 95th percentile, to 0.01 dB.
    share_above_1_db : float, 0 to 1
        Share of time with more than 1 dB of reduction.
    """

    greatest: float
    mean: float
    p95: float
    share_above_1_db: float


class RowLevels:
    """Levels in dB, a row each, in 16 bits, for two hours of rows to be small.

    They are kept to 0.01 dB and held within ±327.67 dB.
    """

    def __init__(self) -> None:
        self._hundredths = array("h")

    def add(self, levels: Audio) -> None:
        """Keep the levels of further rows."""
        held = np.clip(np.rint(100.0 * levels), LEAST, -LEAST)
        self._hundredths.frombytes(held.astype(np.int16).tobytes())

    def __len__(self) -> int:
        return len(self._hundredths)

    @property
    def hundredths(self) -> NDArray[np.int16]:
        """Hundredths of a dB, (rows,)."""
        return np.asarray(self._hundredths)


class Summary:
    """Gathers the reduction of one stage.

    Parameters
    ----------
    idle : float, dB
        The stage's gain with nothing turned down.

    Attributes
    ----------
    means : RowLevels
        Mean reduction of each row.
    """

    def __init__(self, idle: float) -> None:
        self._idle = idle
        self._histogram = np.zeros(BINS, dtype=np.int64)
        self._totals = np.array([0.0, -np.inf, 0.0])
        self.means = RowLevels()

    def add(self, gain: Audio, hop: int) -> Audio:
        """Take rows of gain in dB, (frames, lanes); the lowest of each is found on the way."""
        low, mean = np.empty((2, len(gain) // hop))
        gain_rows(gain, self._idle, hop, low, mean, self._histogram, self._totals)
        self.means.add(mean)
        return low

    @property
    def reductions(self) -> Reductions | None:
        """Statistics over all frames so far; None before the first."""
        frames = int(self._histogram.sum())
        if not frames:
            return None
        above = np.searchsorted(np.cumsum(self._histogram), 0.95 * frames)
        total, greatest, count = self._totals
        return Reductions(float(greatest), float(total / frames), above / A_DB, count / frames)


def inside_and_outside(
    summaries: Mapping[str, Summary], levels: RowLevels, events: Iterable[tuple[int, int]]
) -> dict[str, tuple[float | None, float | None]]:
    """Mean reduction in dB of each stage inside some rows and outside them.

    Outside counts sounding rows only: those less than 50 dB below the loudest row.

    Parameters
    ----------
    summaries : mapping of str to Summary
    levels : RowLevels
        Of the voice.
    events : iterable of (int, int)
        First row of each, and the one behind its last.
    """
    level = levels.hundredths
    inside = np.zeros(len(level), dtype=bool)
    for first, last in events:
        inside[first:last] = True
    quiet = max(int(level.max(initial=LEAST)) - round(100.0 * SOUNDING), LEAST)
    outside = ~inside & (level > quiet)
    means = {name: found.means.hundredths for name, found in summaries.items() if found.means}
    return {name: (_mean(mean[inside]), _mean(mean[outside])) for name, mean in means.items()}


def _mean(hundredths: NDArray[np.int16]) -> float | None:
    return float(hundredths.mean()) / 100.0 if len(hundredths) else None
