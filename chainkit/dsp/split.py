"""Splits of a voice into a base and the band that a de-esser turns down.

The base is the whole voice; ``base + (g - 1) band`` is the voice with the band at gain g. Both
keep what is late to themselves, so that frame n of the base and frame n of the band belong to
frame n of the voice.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from chainkit.dsp import filters, kernels
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.delay import Queue, extended

Audio = NDArray[np.float64]

ROOM = 8192
"""Frames that are transformed together, so that they stay in the cache."""


class LinearSplit:
    """Linear-phase split: the band through a symmetric FIR, the base untouched.

    The filter runs by fast convolution (overlap-save) over blocks that are anchored at the first
    frame, so what a frame becomes does not depend on how the signal was cut. At most `latency`
    frames of the band are withheld.

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
        self._frames = np.zeros((channels, self._reach))
        self._known = self._reach
        self.latency = self._reach + self._hop - 1

    def base(self, x: Audio, bases: Queue) -> None:
        """Add the base of the next block (frames, channels) to `bases`."""
        bases.put(x)

    def band(self, x: Audio, bands: Queue) -> Audio:
        """Add the band of the frames that are due to `bands`; returns it, (n, channels)."""
        self._frames = extended(self._frames, self._known, len(x))
        known = self._known + len(x)
        for channel, row in enumerate(self._frames):
            kernels.take_channel(x, channel, row[self._known : known])
        blocks = max(known - 2 * self._reach, 0) // self._hop
        band = bands.room(blocks * self._hop)
        if blocks:
            self._filter(band.reshape(blocks, self._hop, -1))
        done = blocks * self._hop
        self._known = known - done
        self._frames[:, : self._known] = self._frames[:, done:known]
        return band

    def _filter(self, band: Audio) -> None:
        """Filter as many blocks as `band` (blocks, hop, channels) has room for."""
        together = max(ROOM // self._size, 1)
        for channel, row in enumerate(self._frames):
            windows = sliding_window_view(row, self._size)[:: self._hop]
            for begin in range(0, len(band), together):
                end = min(begin + together, len(band))
                spectra = np.fft.rfft(windows[begin:end])
                spectra *= self._spectrum
                made = np.fft.irfft(spectra, self._size)
                band[begin:end, :, channel] = made[:, self._reach : self._size - self._reach]


def _zero_phase_spectrum(taps: Audio, size: int) -> Audio:
    """Spectrum, which is real, of symmetric taps about frame 0."""
    reach = len(taps) // 2
    around = np.zeros(size)
    around[: reach + 1] = taps[reach:]
    around[size - reach :] = taps[:reach]
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
        self._base = Cascade(np.concatenate(whole), channels)
        self._band = Cascade(np.concatenate(band), channels)

    def base(self, x: Audio, bases: Queue) -> None:
        """Add the base of the next block (frames, channels) to `bases`."""
        self._base.process(x, bases.room(len(x)))

    def band(self, x: Audio, bands: Queue) -> Audio:
        """Add the band of the next block to `bands`; returns it, (frames, channels)."""
        return self._band.process(x, bands.room(len(x)))
