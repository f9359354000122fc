"""Splits of a voice into a base and the band that a de-esser turns down.

Both splits return the base, which is the whole voice, and the band, aligned frame for frame:
``base + (g - 1) band`` is the voice with the band at gain g.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from chainkit.dsp import filters, kernels
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.delay import Queue

Audio = NDArray[np.float64]

ROOM = 16384
"""Frames that are transformed together, so that they stay in the cache."""


class LinearSplit:
    """Linear-phase split: the band through a symmetric FIR, the base untouched.

    The filter runs by fast convolution (overlap-save) over blocks that are anchored at the first
    frame, so what a frame becomes does not depend on how the signal was cut. At most `latency`
    frames are withheld, so that frames stay in their places.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    frequency : float, Hz
        Lower edge of the band.
    upper : float or None, Hz
        Upper edge.
    """

    def __init__(self, rate: int, channels: int, frequency: float, upper: float | None) -> None:
        taps = filters.split_fir(rate, frequency, upper)
        self._reach = len(taps) // 2
        self._size = 2 ** math.ceil(math.log2(max(4 * len(taps), 1024)))
        self._hop = self._size - 2 * self._reach
        self._spectrum = _zero_phase_spectrum(taps, self._size)
        self._channels = channels
        self._past = np.zeros((channels, self._reach))
        self._bases = Queue(channels)
        self._owed = 0
        self.latency = self._reach + self._hop - 1

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """Base and band, each (n, channels), of the frames that are due."""
        known = self._past.shape[1]
        frames = np.empty((self._channels, known + len(x)))
        frames[:, :known] = self._past
        for channel in range(self._channels):
            kernels.take_channel(x, channel, frames[channel, known:])
        blocks = max(frames.shape[1] - 2 * self._reach, 0) // self._hop
        self._past = frames[:, blocks * self._hop :].copy()
        self._owed += len(x) - blocks * self._hop
        return self._bases.exchange(x, blocks * self._hop), self._filter(frames, blocks)

    def finish(self) -> tuple[Audio, Audio]:
        """Base and band of the frames withheld; silence follows the end."""
        owed = self._owed
        base, band = self.process(np.zeros((self.latency, self._channels)))
        return base[:owed], band[:owed]

    def _filter(self, frames: Audio, blocks: int) -> Audio:
        band = np.empty((blocks * self._hop, self._channels))
        if not blocks:
            return band
        together = max(ROOM // self._size, 1)
        for channel in range(self._channels):
            windows = sliding_window_view(frames[channel], self._size)[:: self._hop]
            for begin in range(0, blocks, together):
                end = min(begin + together, blocks)
                spectra = np.fft.rfft(windows[begin:end]) * self._spectrum
                made = np.fft.irfft(spectra, self._size)[:, self._reach : -self._reach]
                band[begin * self._hop : end * self._hop, channel] = made.ravel()
        return band


def _zero_phase_spectrum(taps: Audio, size: int) -> Audio:
    """Spectrum, which is real, of symmetric taps about frame 0."""
    reach = len(taps) // 2
    around = np.zeros(size)
    around[: reach + 1] = taps[reach:]
    around[-reach:] = taps[:reach]
    return np.ascontiguousarray(np.fft.rfft(around).real)


class MinimumSplit:
    """Linkwitz-Riley split of 4th order: no latency, but the phase of an all-pass.

    The base is the sum of all bands, which is an all-pass of second order for each edge (S.
    Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio Eng. Soc. 24(1),
    1976), so the voice keeps its spectrum where the band is left alone.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    frequency : float, Hz
        Lower edge of the band.
    upper : float or None, Hz
        Upper edge.
    """

    latency = 0

    def __init__(self, rate: int, channels: int, frequency: float, upper: float | None) -> None:
        edges = [frequency] if upper is None else [frequency, upper]
        whole = [filters.allpass(rate, edge, np.sqrt(0.5)) for edge in edges]
        band = [filters.linkwitz_riley(rate, frequency)[1]]
        if upper is not None:
            band.append(filters.linkwitz_riley(rate, upper)[0])
        self._channels = channels
        self._base = Cascade(np.concatenate(whole), channels)
        self._band = Cascade(np.concatenate(band), channels)

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """Base and band, each (frames, channels)."""
        return self._base.process(x), self._band.process(x)

    def finish(self) -> tuple[Audio, Audio]:
        """Nothing is withheld."""
        return np.empty((0, self._channels)), np.empty((0, self._channels))
