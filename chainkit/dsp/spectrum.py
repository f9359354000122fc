"""Long-term spectrum of a voice while it sounds, in fractional-octave bands.

Bands follow IEC 61260-1:2014, base 10: with G = 10^0.3, edges lie at 1000·G^(k / 2b) Hz. All of
its 1/1 to 1/24 octave bands meet on a grid of 1/24 octaves, so the powers are gathered on that
grid and summed into the bands asked for.

The signal is cut into Hann windows of about 0.6 s that overlap by half; each window's power
spectrum is shared out to the grid, a bin that an edge cuts going to both sides in proportion.
The windows are kept apart by level, in steps of 1 dB, so that at the end those in which the voice
does not sound can be left out. Bands narrower than 5.6 Hz (3.4 bins) are not given: a sine in
their middle would spill over their edges.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.fourier import fast_length
from chainkit.dsp.shorttime import BandSpectra

FRACTIONS = (1, 3, 6, 12, 24)
_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)  # third octaves of a decade
_FIRST, _LAST = -132, 108  # grid edges: 22.387 Hz, 22387 Hz
_NARROWEST = 5.6  # Hz
_COVERED = 0.9  # of a band's width that must lie below half the sample rate
_WINDOW = 0.6  # seconds, rounded up to a length that transforms fast
_LOWEST, _CLASSES = -150, 350  # dBFS of the first level class, classes of 1 dB: to +200 dBFS

REGIONS = {"low_mid": (200.0, 500.0), "presence": (2000.0, 5000.0), "air": (10000.0, 16000.0)}
"""Lowest and highest nominal third-octave mid-band in Hz of each balance region."""


def midband(x: int, fraction: int) -> float:
    """Exact mid-band frequency in Hz of the band number `x` (IEC 61260-1, 5.4).

    Band 0 of an odd `fraction` is 1000 Hz; that of an even one lies half a band above it.
    """
    return 1000.0 * 10.0 ** (0.3 * (2 * x + (fraction + 1) % 2) / (2 * fraction))


def nominal(frequency: float) -> float:
    """Nominal mid-band in Hz of the third octave that holds a frequency (ISO 266:1997)."""
    decade, third = divmod(round(10.0 * float(np.log10(frequency))), 10)
    return _NOMINAL[third] * 10.0**decade


@dataclass(frozen=True)
class Band:
    """One fractional-octave band.

    Attributes
    ----------
    midband_hz, lower_hz, upper_hz : float
    level_dbfs : float or None
        RMS level of the band; None for silence.
    """

    midband_hz: float
    lower_hz: float
    upper_hz: float
    level_dbfs: float | None


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Mean power of the sounding parts on the grid of 1/24 octaves.

    Attributes
    ----------
    powers : ndarray, (240,)
        Mean square in each grid band.
    rate : int, Hz
    """

    powers: NDArray[np.float64]
    rate: int

    def bands(self, fraction: int = 3) -> list[Band]:
        """Levels in bands of 1/`fraction` octave from 25 Hz up to half the sample rate.

        Parameters
        ----------
        fraction : int, one of `FRACTIONS`

        Raises
        ------
        ValueError
            Another `fraction`.
        """
        if fraction not in FRACTIONS:
            raise ValueError(f"fraction {fraction} is none of {FRACTIONS}")
        return [
            Band(midband(x, fraction), low, high, _level(self._between(start, stop)))
            for x, start, stop in _band_numbers(fraction)
            for low, high in [(_edge(start), _edge(stop))]
            if high - low >= _NARROWEST and self._covers(low, high)
        ]

    def balance(self, region: str) -> float | None:
        """Level of a region of `REGIONS` against the whole spectrum in dB.

        None when the region lies above half the sample rate, or for silence.
        """
        low, high = REGIONS[region]
        start, stop = (_third_edge(low, -0.5), _third_edge(high, 0.5))
        part, whole = self._between(start, stop), float(self.powers.sum())
        if not part or not self._covers(_edge(start), _edge(stop)):
            return None
        return float(10.0 * np.log10(part / whole))

    def _between(self, start: int, stop: int) -> float:
        return float(self.powers[start - _FIRST : stop - _FIRST].sum())

    def _covers(self, low: float, high: float) -> bool:
        return np.log(min(high, self.rate / 2.0) / low) >= _COVERED * np.log(high / low)


class SpectrumMeter:
    """Streaming spectrum; the same bits however the programme is cut into blocks.

    Parameters
    ----------
    rate : int, Hz
    channels : int
        The powers of the channels are averaged.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._channels = channels
        self._hop = fast_length(round(_WINDOW * rate / 2.0))
        grid = _edge(np.arange(_FIRST, _LAST + 1)) * 2 * self._hop / rate
        # The level of a window needs the rest too: what lies below the grid and above it, but not
        # bins 0 and 1, to which the window spreads a DC offset.
        edges = np.concatenate([[1.5], grid, [self._hop + 0.5]])
        self._spectra = BandSpectra(channels, 2 * self._hop, (self._hop, 1), edges)
        squares = np.hanning(2 * self._hop + 1)[:-1] ** 2
        self._share = np.concatenate([[0.0], np.cumsum(squares / squares.sum())])
        self._frames = 0
        self._window = 0
        self._powers = np.zeros((_CLASSES, _LAST - _FIRST))
        self._weights = np.zeros(_CLASSES)

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        self._frames += len(x)
        self._sort(self._spectra.add(x))

    def _sort(self, batches: Iterable[NDArray[np.float32]]) -> None:
        """Add the windows to the classes of their levels."""
        for batch in batches:
            weights = self._covered(self._window + np.arange(len(batch)))
            self._window += len(batch)
            totals = batch.sum(axis=1, dtype=np.float64)
            heard = totals > 0.0
            levels = 10.0 * np.log10(totals[heard] / weights[heard])
            places = np.clip(np.floor(levels).astype(np.int64) - _LOWEST, 0, _CLASSES - 1)
            np.add.at(self._powers, places, batch[heard, 1:-1])
            np.add.at(self._weights, places, weights[heard])

    def _covered(self, windows: NDArray[np.int64]) -> NDArray[np.float64]:
        """Share of each window's squared weight that lies on frames of the programme."""
        first = np.maximum(self._hop - windows * self._hop, 0)
        last = np.clip(self._frames + self._hop - windows * self._hop, first, 2 * self._hop)
        covered: NDArray[np.float64] = self._share[last] - self._share[first]
        return covered

    def finish(self, gate: float | None) -> Spectrum:
        """Close the last window and average those at or above a level.

        Parameters
        ----------
        gate : float or None, dBFS
            Windows below it are left out; None keeps all.
        """
        # Half a window of silence: the last frames are to be seen by two windows like all others.
        self._sort(self._spectra.add(np.zeros((self._hop, self._channels))))
        self._sort(self._spectra.finish())
        first = 0 if gate is None else max(0, int(np.floor(gate)) - _LOWEST)
        weight = float(self._weights[first:].sum())
        powers = self._powers[first:].sum(axis=0) / weight if weight else self._powers[0] * 0.0
        return Spectrum(powers, self._rate)


def _edge(k: Any) -> Any:
    """Frequency in Hz of grid edge `k`, an int or an array."""
    return 1000.0 * 10.0 ** (0.3 * k / 24.0)


def _third_edge(nominal: float, side: float) -> int:
    """Grid edge below (−½) or above (½) the third-octave band of a nominal frequency."""
    number = round(10.0 * np.log10(nominal / 1000.0))
    return round(8 * (number + side))


def _band_numbers(fraction: int) -> list[tuple[int, int, int]]:
    """Number, first and last grid edge of each band that lies on the grid."""
    width = 24 // fraction
    shift = 0 if fraction % 2 == 0 else width // 2
    numbers = range(-(_LAST - _FIRST), _LAST - _FIRST)
    bands = [(x, x * width - shift, (x + 1) * width - shift) for x in numbers]
    return [band for band in bands if band[1] >= _FIRST and band[2] <= _LAST]


def _level(power: float) -> float | None:
    return float(10.0 * np.log10(power)) if power > 0.0 else None
