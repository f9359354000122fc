"""How periodic a voice is, over time: near 1 in a sung vowel, near 0 in breath and noise.

For each hop of 10 ms the autocorrelation of a 50 ms window is divided by that of the window, and
its highest peak in the range of sung fundamentals is taken. Only what lies past the first zero of
the autocorrelation counts, so that rumble, which is merely slow, does not pass as periodic.

References
----------
P. Boersma, "Accurate short-term analysis of the fundamental frequency and the harmonics-to-noise
ratio of a sampled sound", Proceedings of the Institute of Phonetic Sciences Amsterdam 17, 1993,
pp. 97–110: the division by the window's own autocorrelation.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.decimation import Decimator

HOPS_A_SECOND = 100
LOWEST, HIGHEST = 65.0, 1300.0  # Hz: from a low bass to a soprano's high E
WINDOW = 0.05  # seconds: three periods of the lowest fundamental
BAND = 60.0, 1500.0  # Hz: where the first harmonics are
REDUCED_RATE = 6000  # Hz, at least: four times the band's upper edge
# Hops taken at a time: a fixed number, so that results do not depend on the blocks that arrive.
BATCH = 256


class VoicingMeter:
    """Periodicity of a signal for each hop of 10 ms, streamed.

    Parameters
    ----------
    rate : int, Hz, ≥ 4000
    channels : int, ≥ 1
        Their autocorrelations are added, so that polarity does not matter.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._channels = channels
        self._band = Decimator(_band(rate), rate, REDUCED_RATE, channels)
        self._rate = self._band.rate
        size = 2 * round(WINDOW * self._rate / 2)
        self._window = np.hanning(size + 2)[1:-1]
        # Half a window of silence ahead, so that the first window is centred on the first hop.
        self._held = np.zeros((size // 2, channels))
        self._dropped = -(size // 2)
        self._lags = slice(int(self._rate / HIGHEST), math.ceil(self._rate / LOWEST) + 1)
        self._size = 1 << (size + self._lags.stop).bit_length()
        self._share = self._correlation(np.ones((1, size, 1)))
        self._values: list[NDArray[np.float64]] = []
        self._hops = 0

    def add(self, block: NDArray[np.float64]) -> None:
        """Take the next frames, (n, channels)."""
        self._held = np.concatenate((self._held, self._band.process(block)))
        while self._end_of(self._hops + BATCH - 1) <= self._dropped + len(self._held):
            self._measure(BATCH)

    def finish(self, hops: int) -> NDArray[np.float64]:
        """Periodicity of the first `hops` hops, (hops,), 0 to about 1."""
        missing = self._end_of(max(hops, self._hops)) - self._dropped - len(self._held)
        silence = np.zeros((max(0, missing), self._channels))
        self._held = np.concatenate((self._held, silence))
        while self._hops < hops:
            self._measure(min(BATCH, hops - self._hops))
        return np.concatenate([*self._values, np.zeros(0)])[:hops]

    def _start_of(self, hop: int) -> int:
        """First reduced frame of the window centred on `hop`."""
        centre = (hop + 0.5) * self._rate / HOPS_A_SECOND
        return round(centre) - len(self._window) // 2

    def _end_of(self, hop: int) -> int:
        return self._start_of(hop) + len(self._window)

    def _measure(self, count: int) -> None:
        starts = np.array([self._start_of(self._hops + n) for n in range(count)]) - self._dropped
        frames = self._held[starts[:, None] + np.arange(len(self._window))]
        self._values.append(self._peaks(self._correlation(frames)))
        self._hops += count
        spent = self._start_of(self._hops) - self._dropped
        self._held, self._dropped = self._held[spent:], self._dropped + spent

    def _correlation(self, frames: NDArray[np.float64]) -> NDArray[np.float64]:
        """Autocorrelation of windowed `frames` (n, size, channels) up to the longest lag."""
        spectra = np.fft.rfft(frames * self._window[:, None], self._size, axis=1)
        power = (np.abs(spectra) ** 2).sum(axis=2)
        return np.fft.irfft(power, self._size, axis=1)[:, : self._lags.stop]

    def _peaks(self, correlation: NDArray[np.float64]) -> NDArray[np.float64]:
        energy = np.maximum(correlation[:, :1], np.finfo(float).tiny)
        shape = (correlation / energy) / (self._share / self._share[:, :1])
        past_zero = np.logical_or.accumulate(shape < 0, axis=1)
        return np.where(past_zero, shape, 0.0)[:, self._lags].max(axis=1)


def _band(rate: int) -> NDArray[np.float64]:
    low, high = BAND
    return np.concatenate(
        (
            filters.butterworth("highpass", rate, low, 2),
            filters.butterworth("lowpass", rate, min(high, 0.45 * rate), 4),
        )
    )
