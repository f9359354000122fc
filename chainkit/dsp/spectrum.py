"""Long-term spectrum of a voice while it sounds, in fractional-octave bands.

Bands follow IEC 61260-1:2014, base 10: with G = 10^0.3, edges lie at 1000·G^(k / 2b) Hz. All of
its 1/1 to 1/24 octave bands meet on a grid of 1/24 octaves, so the powers are gathered on that
grid and summed into the bands asked for.

The signal is cut into Hann windows of 0.6 s that overlap by half; each window's power
spectrum is shared out to the grid, a bin that an edge cuts going to both sides in proportion.
The windows are kept apart by level, in steps of 1 dB, so that at the end those in which the voice
does not sound can be left out. Bands narrower than 5.6 Hz (3.4 bins) are not given: a sine in
their middle would spill over their edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FRACTIONS = (1, 3, 6, 12, 24)
_FIRST, _LAST = -132, 108  # grid edges: 22.387 Hz, 22387 Hz
_NARROWEST = 5.6  # Hz
_COVERED = 0.9  # of a band's width that must lie below half the sample rate
_LOWEST, _CLASSES = -150, 180  # dBFS of the first level class, classes of 1 dB

REGIONS = {"low_mid": (200.0, 500.0), "presence": (2000.0, 5000.0), "air": (10000.0, 16000.0)}
"""Lowest and highest nominal third-octave mid-band in Hz of each balance region."""


def midband(x: int, fraction: int) -> float:
    """Exact mid-band frequency in Hz of the band number `x` (IEC 61260-1, 5.4).

    Band 0 of an odd `fraction` is 1000 Hz; that of an even one lies half a band above it.
    """
    return 1000.0 * 10.0 ** (0.3 * (2 * x + (fraction + 1) % 2) / (2 * fraction))


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
        self._hop = 3 * rate // 10
        self._window = np.hanning(2 * self._hop + 1)[:-1]
        edges = _edge(np.arange(_FIRST, _LAST + 1)) * 2 * self._hop / rate
        edges = np.minimum(edges + 0.5, self._hop + 1.0)  # in bins, bin k from k − ½
        self._bins = np.minimum(edges.astype(np.int64), self._hop)
        self._parts = edges - self._bins
        self._squares = self._window**2
        self._open = np.zeros((channels, 2 * self._hop))
        self._filled = self._hop  # half a window of silence ahead of the first frame
        self._covered = np.zeros(2 * self._hop, dtype=bool)
        self._powers = np.zeros((_CLASSES, _LAST - _FIRST))
        self._weights = np.zeros(_CLASSES)

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        taken = 0
        while taken < len(x):
            part = x[taken : taken + 2 * self._hop - self._filled]
            end = self._filled + len(part)
            self._open[:, self._filled : end] = part.T
            self._covered[self._filled : end] = True
            self._filled, taken = end, taken + len(part)
            if end == 2 * self._hop:
                self._analyse()

    def _analyse(self) -> None:
        """Analyse the open window and move on by half of it."""
        weight = float(self._squares[self._covered].sum())
        grid = np.zeros(_LAST - _FIRST)
        power = 0.0
        for lane in self._open:
            shaped = lane * self._window
            power += float(np.square(shaped).sum())
            grid += self._share(shaped)
        if power > 0.0:
            level = 10.0 * np.log10(power / (weight * len(self._open)))
            place = int(np.clip(np.floor(level) - _LOWEST, 0, _CLASSES - 1))
            self._powers[place] += grid / len(self._open)
            self._weights[place] += weight
        self._open[:, : self._hop] = self._open[:, self._hop :]
        self._open[:, self._hop :] = 0.0
        self._covered[: self._hop] = self._covered[self._hop :]
        self._covered[self._hop :] = False
        self._filled = self._hop

    def _share(self, shaped: NDArray[np.float64]) -> NDArray[np.float64]:
        """Energy of a windowed stretch in each grid band (Parseval)."""
        spectrum = np.fft.rfft(shaped)
        power = spectrum.real**2
        power += spectrum.imag**2
        power[1:-1] *= 2.0
        power /= len(shaped)
        below = np.concatenate([[0.0], np.cumsum(power)])
        return np.diff(below[self._bins] + power[self._bins] * self._parts)

    def finish(self, gate: float | None) -> Spectrum:
        """Close the last window and average those at or above a level.

        Parameters
        ----------
        gate : float or None, dBFS
            Windows below it are left out; None keeps all.
        """
        while self._covered.any():
            self._analyse()
        first = 0 if gate is None else max(0, int(np.floor(gate)) - _LOWEST)
        weight = float(self._weights[first:].sum())
        powers = self._powers[first:].sum(axis=0) / weight if weight else self._powers[0] * 0.0
        return Spectrum(powers, self._rate)


def _edge(k):  # type: ignore[no-untyped-def]
    """Frequency in Hz of grid edge `k`."""
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
